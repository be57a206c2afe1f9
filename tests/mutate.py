"""Puts mistakes into a copy of the code, one at a time, and tells which of them no test notices. Not part of CI.

    python tests/mutate.py measure  --state DIR              which test reaches which function, and how long it takes
    python tests/mutate.py mistakes --state DIR [ID ...]     the mistakes written down in mistakes.json
    python tests/mutate.py drawn    --state DIR --count 300  mistakes drawn by a fixed seed, see drawn_mistakes.py
    python tests/mutate.py show     --state DIR              counts and survivors of what has run so far

DIR lies outside the tree: it takes the copy, and a line of JSON for each mistake that was tried, so that a run that was
stopped goes on where it was. A mistake is met by the tests that reach the function it is in, the quickest first, until
one fails or --budget seconds of tests have passed. A short budget for all, and then --rest with a long one for those
that passed it, is quicker than a long one for all; and on another head the test that found a mistake before goes first.
One process at a time; it forks from one that holds the libraries.
"""

from __future__ import annotations

import argparse
import ast
import bisect
import compileall
import contextlib
import json
import py_compile
import shutil
import time
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from drawn_mistakes import SEED, Mistake, drawn
from watched_run import ROOT, preload, run

COPIED = ("imu_shoulder", "tests", "recordings", "docs", "firmware_notes")
COPIED_FILES = ("pyproject.toml", "README.md", "DEVELOPERS.md")
WRITTEN = "mistakes.json"
# Browsers, servers, a bus, compilers and the tree's own looks: long, and no mistake in a number is theirs to find.
LEFT_OUT = {
    *("test_ble_faults", "test_ble_hardware", "test_ble_record", "test_ble_terminal", "test_docs", "test_firmware"),
    *("test_house", "test_live_ble", "test_live_care", "test_live_page", "test_references"),
    *("test_report_browser", "test_validation_page"),
}
# How the tests of a part of the package are called, where it is not by the part's own name: they come first.
TESTED_BY = {
    "calibrate": ("calibrat", "mounting", "one_zero"),
    "assess": ("assess", "quality"),
    "measure": ("measure", "quality", "scapula"),
    "engine": ("live", "pipeline", "mounting_slip"),
}
# Tests up to so long go before longer ones.
ROUNDS_S = (0.5, 4.0)
FAILED, PASSED, TIMED_OUT = "found", "survived", "too slow"


@dataclass(frozen=True, slots=True)
class Reach:
    """A test that passes: seconds it took, and the functions it reached as "file:qualified name"."""

    test: str
    seconds: float
    functions: frozenset[str]

    @property
    def file(self) -> str:
        return self.test.partition("::")[0]


# The copy.


def copied(state: Path) -> Path:
    """A fresh copy of the tree, compiled so that a changed file is told by its contents."""
    tree = state / "tree"
    shutil.rmtree(tree, ignore_errors=True)
    for name in COPIED:
        shutil.copytree(ROOT / name, tree / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in COPIED_FILES:
        shutil.copy(ROOT / name, tree)
    compileall.compile_dir(
        tree / "imu_shoulder", quiet=2, invalidation_mode=py_compile.PycInvalidationMode.CHECKED_HASH
    )
    return tree


@contextlib.contextmanager
def put_in(tree: Path, mistake: Mistake) -> Iterator[int | None]:
    """The first line it changes; None where its text is not there exactly once."""
    path = tree / mistake.file
    before = path.read_text(encoding="utf-8") if path.exists() else ""
    if mistake.at is not None:
        at = mistake.at if before.startswith(mistake.old, mistake.at) else -1
    else:
        at = before.find(mistake.old) if before.count(mistake.old) == 1 else -1
    if at < 0:
        yield None
        return
    path.write_text(before[:at] + mistake.new + before[at + len(mistake.old) :], encoding="utf-8")
    try:
        same = next((k for k, (a, b) in enumerate(zip(mistake.old, mistake.new, strict=False)) if a != b), 0)
        yield before.count("\n", 0, at + same) + 1
    finally:
        path.write_text(before, encoding="utf-8")


# Which tests belong to a line.


def measure(state: Path, files: Sequence[str], limit_s: float) -> None:
    """Write down what the tests of each file reach; of a file that takes longer than limit_s, its first ones."""
    tree = copied(state)
    for path in sorted((tree / "tests").glob("test_*.py")):
        if path.stem in LEFT_OUT or (files and path.stem not in files):
            continue
        failed, passed = run(tree, [f"tests/{path.name}"], limit_s, reach=True)
        (state / "reach").mkdir(exist_ok=True)
        (state / "reach" / f"{path.stem}.json").write_text(json.dumps(passed))
        seconds = sum(one["seconds"] for one in passed)
        bad = f", without {failed}, which fails" if failed else ", and more that take longer" if failed is None else ""
        print(f"{path.stem}: {len(passed)} tests in {seconds:.0f} s{bad}", flush=True)


def reaches(state: Path) -> list[Reach]:
    out = []
    for path in sorted((state / "reach").glob("*.json")):
        out += [Reach(r["test"], r["seconds"], frozenset(r["functions"])) for r in json.loads(path.read_text())]
    return out


def function_at(path: Path, line: int) -> str:
    """Qualified name of the innermost function that holds the line; empty outside of functions."""

    def within(node: ast.AST, outer: str) -> Iterator[str]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
                if child.body[0].lineno <= line <= child.end_lineno:
                    yield f"{outer}{child.name}"
                    yield from within(child, f"{outer}{child.name}.<locals>.")
            else:
                yield from within(child, f"{outer}{child.name}." if isinstance(child, ast.ClassDef) else outer)

    return max(within(ast.parse(path.read_text(encoding="utf-8")), ""), key=len, default="")


def belonging(
    known: Sequence[Reach], tree: Path, file: str, line: int, budget_s: float, passed: Sequence[str], hint: str
) -> tuple[list[str], int]:
    """The tests that reach the line's function, else its file or folder, without those it has passed: the hint first,
    quick ones before slow ones, and those of its part before others; and how many more there are.

    A test file that keeps results in a cache is taken whole: who fills the cache is chance.
    """
    function = function_at(tree / file, line)

    def meets(reached: str) -> bool:
        name, _, own = reached.rpartition(":")
        return name == file and (not function or own == function or own.startswith(f"{function}.<locals>"))

    tests = [one for one in known if any(map(meets, one.functions))]
    if not function:
        # A constant is read where no function of its file is reached: by files that import it.
        module = file.removesuffix(".py").replace("/", ".")
        texts = {name: (tree / name).read_text(encoding="utf-8") for name in {one.file for one in known}}
        reached = {one.test for one in tests}
        tests = [one for one in known if one.test in reached or f"{module} import" in texts[one.file]]
    if not tests:
        folder = f"{Path(file).parent}/"
        tests = [one for one in known if any(name.startswith(folder) for name in one.functions)]
    by_file: dict[str, list[Reach]] = defaultdict(list)
    for one in tests:
        by_file[one.file].append(one)
    for name in by_file:
        if "cache" in (tree / name).read_text(encoding="utf-8"):
            by_file[name] = [one for one in known if one.file == name]
    part = Path(file).parts[1]
    named = tuple(f"tests/test_{name}" for name in TESTED_BY.get(part, (part,)))
    every = sorted(by_file.values(), key=lambda own: (not own[0].file.startswith(named), sum(o.seconds for o in own)))
    in_order = [one for own in every for one in own if one.test not in passed]
    # Sorting keeps the order of files within a round. Those of its part go a round earlier than others.
    in_order.sort(key=lambda one: (one.test != hint, bisect.bisect(ROUNDS_S, one.seconds) - one.file.startswith(named)))
    out, spent_s = [], 0.0
    for one in in_order:
        if not out or spent_s + one.seconds <= budget_s:
            out.append(one.test)
            spent_s += one.seconds
    return out, len(in_order) - len(out)


# Trying.


def try_all(state: Path, name: str, mistakes: Sequence[Mistake], budget_s: float, *, again: bool, rest: bool) -> None:
    """Append what came of each to DIR/name.jsonl. again: those not found so far once more; rest: by other tests.

    DIR/before.jsonl may hold what came of them on another head.
    """
    tree, known, log = copied(state), reaches(state), state / f"{name}.jsonl"
    done = {one["id"]: one for one in results(log)}
    found_by = {_text(one): one["by"] for one in results(state / "before.jsonl") if one["came"] == FAILED}
    for mistake in mistakes:
        before = done.get(mistake.id)
        if before is not None and not ((again or rest) and before["came"] != FAILED):
            continue
        passed = before["passed"] if before is not None and rest else []
        came = _tried(tree, known, mistake, budget_s, passed, found_by.get(_text(asdict(mistake)), ""))
        with log.open("a", encoding="utf-8") as file:
            file.write(json.dumps(asdict(mistake) | came) + "\n")
        print(f"{mistake.id}: {came['came']} {came['by']} ({came['seconds']:.0f} s)", flush=True)


def _tried(
    tree: Path, known: Sequence[Reach], mistake: Mistake, budget_s: float, passed: Sequence[str], hint: str
) -> dict[str, Any]:
    began = time.monotonic()

    def came(what: str, by: str = "", tests: Sequence[str] = (), left_out: int = 0) -> dict[str, Any]:
        seconds = round(time.monotonic() - began, 1)
        return {"came": what, "by": by, "passed": [*passed, *tests], "left_out": left_out, "seconds": seconds}

    with put_in(tree, mistake) as line:
        if line is None:
            return came("does not apply")
        tests, left_out = belonging(known, tree, mistake.file, line, budget_s, passed, hint)
        if not tests:
            return came(PASSED, "" if passed else "no test reaches it")
        failed, ran = run(tree, tests, 30.0 + 3.0 * budget_s)
    if failed is None:
        return came(TIMED_OUT, tests=[one["test"] for one in ran], left_out=left_out)
    return came(FAILED, failed) if failed else came(PASSED, tests=tests, left_out=left_out)


def _text(mistake: dict[str, Any]) -> tuple[str, str, str]:
    """What a mistake is, wherever its lines have moved."""
    return mistake["file"], mistake["old"], mistake["new"]


def results(log: Path) -> list[dict[str, Any]]:
    """What came of each mistake, the last time it was tried."""
    lines = log.read_text(encoding="utf-8").splitlines() if log.exists() else []
    return list({one["id"]: one for one in map(json.loads, lines)}.values())


def show(state: Path) -> None:
    for log in sorted(state.glob("*.jsonl")):
        every = results(log)
        print(f"{log.stem}: {len(every)} tried, {dict(Counter(one['came'] for one in every))}")
        for one in every:
            if one["came"] != FAILED:
                print(f"  {one['came']}: {one['id']} {one['file']}: {one['old']!r} -> {one['new']!r}")


def written() -> list[Mistake]:
    text = (Path(__file__).parent / WRITTEN).read_text(encoding="utf-8")
    return [Mistake(one["id"], one["file"], one["old"], one["new"]) for one in json.loads(text)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("do", choices=["measure", "mistakes", "drawn", "show"])
    parser.add_argument("names", nargs="*", help="ids of mistakes, or test files to measure; all if none is named")
    parser.add_argument("--state", type=Path, required=True, help="a folder outside the tree")
    parser.add_argument("--budget", type=float, default=60.0, help="seconds of tests for one mistake")
    parser.add_argument("--count", type=int, default=300, help="how many mistakes are drawn")
    parser.add_argument(
        "--seed", type=int, default=SEED, help="of the draw; of another one the log is drawn_SEED.jsonl"
    )
    parser.add_argument("--again", action="store_true", help="try those once more that were not found")
    parser.add_argument("--rest", action="store_true", help="the same, but without the tests that they have passed")
    given = parser.parse_intermixed_args()
    state = given.state.resolve()
    if state.is_relative_to(ROOT):
        parser.error(f"--state must lie outside {ROOT}")
    state.mkdir(parents=True, exist_ok=True)
    if given.do == "show":
        show(state)
        return
    preload()
    if given.do == "measure":
        measure(state, given.names, given.budget)
        return
    every = written() if given.do == "mistakes" else drawn(ROOT, given.count, given.seed)
    chosen = [one for one in every if not given.names or one.id in given.names]
    name = f"drawn_{given.seed}" if given.do == "drawn" and given.seed != SEED else given.do
    try_all(state, name, chosen, given.budget, again=given.again or bool(given.names), rest=given.rest)


if __name__ == "__main__":
    main()
