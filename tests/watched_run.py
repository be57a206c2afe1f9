"""One run of pytest in a process of its own: what failed, and what each test reached. For mutate.py."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
import threading
import time
import traceback
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]


class Looking:
    """Of a run: the first test that failed, and with `reach` also what every test reached and how long it took."""

    def __init__(self, tree: Path, answer: Path, *, reach: bool) -> None:
        self.failed = ""
        self._answer = answer
        self._package, self._reach = f"{tree}/imu_shoulder/", reach
        self._now: set[str] = set()
        self._of_fixture: dict[str, set[str]] = {}
        self._passed = True

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if not report.passed:
            self._passed = False
        if report.failed and not self.failed:
            self.failed = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.failed:
            self.failed = f"{report.nodeid}: cannot be read"

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self._now, self._passed = set(), True
        began = time.perf_counter()
        if self._reach:
            sys.settrace(self._called)
            threading.settrace(self._called)
        try:
            return (yield)
        finally:
            sys.settrace(None)
            for name in getattr(item, "fixturenames", ()):
                self._now |= self._of_fixture.get(name, set())
            if self._passed:
                seconds = round(time.perf_counter() - began, 2)
                self.tell({"test": item.nodeid, "seconds": seconds, "functions": sorted(self._now)})

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Iterator[Any]:
        outer, self._now = self._now, set()
        try:
            return (yield)
        finally:
            if fixturedef.scope != "function":
                self._of_fixture[fixturedef.argname] = set(self._now)
            self._now |= outer

    def _called(self, frame: Any, event: str, _: Any) -> None:
        code = frame.f_code
        if code.co_filename.startswith(self._package):
            self._now.add(f"imu_shoulder/{code.co_filename[len(self._package) :]}:{code.co_qualname}")

    def tell(self, what: dict[str, Any]) -> None:
        """At once, so that a run that is stopped has said what it knew."""
        with self._answer.open("a", encoding="utf-8") as file:
            file.write(json.dumps(what) + "\n")


def preload() -> None:
    """What every run imports anyway, but nothing of ours, and no plugin of pytest: that warns of one already there."""
    os.environ.update(OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
    scipy = ("scipy.optimize", "scipy.signal", "scipy.spatial.transform", "scipy.stats")
    for name in ("pandas", "vqf", *scipy):
        __import__(name)


def run(tree: Path, tests: Sequence[str], limit_s: float, *, reach: bool = False) -> tuple[str | None, list[Any]]:
    """What failed in the copy, "" for nothing and None where the time was over; and the tests that passed."""
    answer = tree.parent / "answer.json"
    answer.unlink(missing_ok=True)
    child = os.fork()
    if child == 0:
        _in_child(tree, tests, answer, reach=reach)
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        if os.waitpid(child, os.WNOHANG)[0]:
            failed, passed = _said(answer)
            return "the process died" if failed is None else failed, passed
        time.sleep(0.05)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return _said(answer)


def _said(answer: Path) -> tuple[str | None, list[dict[str, Any]]]:
    """As `run` gives it; a last line that was cut off while it was written does not count."""
    lines = answer.read_text(encoding="utf-8").splitlines(keepends=True) if answer.exists() else []
    said = [json.loads(line) for line in lines if line.endswith("\n")]
    return (said.pop()["failed"] if said and "failed" in said[-1] else None), said


def _in_child(tree: Path, tests: Sequence[str], answer: Path, *, reach: bool) -> None:
    """Never returns."""
    os.setpgid(0, 0)
    said = os.open(tree.parent / "said.txt", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(said, 1)
    os.dup2(said, 2)
    os.chdir(tree)
    os.environ.update(PYTHONPATH=str(tree), PYTHONDONTWRITEBYTECODE="")
    # What pytest makes of a test file is kept for the next run; of the package's files the copy tells what changed.
    sys.dont_write_bytecode = False
    own = [entry for entry in sys.path if Path(entry).resolve() not in (ROOT, ROOT / "tests")]
    sys.path[:] = [str(tree), str(tree / "tests"), *own]
    looking = Looking(tree, answer, reach=reach)
    options = ["-q", "-n", "0", "-p", "no:cacheprovider", "--tb=short", "--rootdir", str(tree)]
    try:
        pytest.main([*options, *([] if reach else ["-x"]), *tests], plugins=[looking])
        looking.tell({"failed": looking.failed})
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(0)
