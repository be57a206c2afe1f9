"""Every kind of file, changed at random: the answer is a result or a sentence, never another exception.

IMU_SHOULDER_FUZZ=N tries N times as many, drawn anew each time: .ci/long does.
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bad_workspace import make_workspace
from click.testing import CliRunner
from fake_bluez.node import NodeScript, default_motion
from fake_bluez.offline import write_log
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from imu_shoulder.advise import load_rules
from imu_shoulder.advise.history import load_history
from imu_shoulder.analysis import load_params
from imu_shoulder.bench.correction import correct, read_corrections
from imu_shoulder.ble.assemble import assemble
from imu_shoulder.calibrate.store import read_calibration
from imu_shoulder.cli import cli
from imu_shoulder.cli.drills import describe
from imu_shoulder.drills import load_file
from imu_shoulder.errors import ShoulderError
from imu_shoulder.exchange.bids_read import read_bids
from imu_shoulder.log.records import SAMPLES, encode_record, read_log, scan
from imu_shoulder.log.samples import assemble_samples
from imu_shoulder.plan import load_plan
from imu_shoulder.range import load_test
from imu_shoulder.sources.column_map import read_mapped
from imu_shoulder.sources.folder import read_recording
from imu_shoulder.validate.reference import read_reference

TIMES = int(os.environ.get("IMU_SHOULDER_FUZZ", "0"))
ROWS = 120
TOKENS = [
    *(b"nan", b"inf", b"-1", b"0", b"1e308", b"1e999", b"9" * 400, b"true", b"null", b"n/a", b"=1+1", b"", b" "),
    *(b"\0", b"\x1b[31m", b"\xff", b"\xe2\x80\xae", b"[" * 400, b"{" * 400, b"x" * 400, b"1979-05-27", b"00:00:00"),
    *(bytes([one]) for one in b"\"'[]{},;\t\n\r#=.-"),
]
ODD: list[Any] = [
    *(None, True, False, 0, -1, 1, 3, 10**30, -(10**400), 0.5, -2.5, 1e308, float("nan"), float("inf")),
    *("", "x", "right", "set", "\x1b[31m", "x" * 400, [], {}, [[]], [1, "a"], {"a": {}}, [float("nan")] * 3),
]


def changes(count: int) -> Callable[[Any], Any]:
    """Settings: so many examples, the same each time unless many more are asked for."""
    checks = [HealthCheck.too_slow, HealthCheck.function_scoped_fixture, HealthCheck.data_too_large]
    return settings(
        max_examples=count * max(1, TIMES), derandomize=TIMES == 0, database=None, suppress_health_check=checks
    )


def spoiled(draw: st.DataObject, data: bytes) -> bytes:
    """One to four changes: a piece cut out or said twice, lines swapped, or a token put in or in place of a word."""
    for _ in range(draw.draw(st.integers(1, 4))):
        at = draw.draw(st.integers(0, max(0, len(data) - 1)))
        length = draw.draw(st.sampled_from([0, 1, 3, 12, 200]))
        how = draw.draw(st.sampled_from(["cut", "twice", "token", "word", "word", "lines"]))
        if how == "cut":
            data = data[:at] + data[at + length :]
        elif how == "twice":
            data = data[: at + length] + data[at:]
        elif how == "token":
            data = data[:at] + draw.draw(st.sampled_from(TOKENS)) + data[at + length :]
        elif how == "word":  # from one separator to the next
            start = max(data.rfind(mark, 0, at) for mark in (b",", b"\t", b"\n", b" ", b"=")) + 1
            ends = [end for mark in (b",", b"\t", b"\n", b" ") if (end := data.find(mark, at)) >= 0]
            data = data[:start] + draw.draw(st.sampled_from(TOKENS)) + data[min(ends, default=len(data)) :]
        else:
            lines = data.split(b"\n")
            one, other = (draw.draw(st.integers(0, len(lines) - 1)) for _ in range(2))
            lines[one], lines[other] = lines[other], lines[one]
            data = b"\n".join(lines)
    return data


def spoiled_json(draw: st.DataObject, data: bytes) -> bytes:
    """One to three values replaced or keys taken out; sometimes as `spoiled`."""
    if draw.draw(st.integers(0, 3)) == 0:
        return spoiled(draw, data)
    document = json.loads(data)
    for _ in range(draw.draw(st.integers(1, 3))):
        inner: Any = document
        while isinstance(inner, dict | list) and inner:
            keys = list(inner) if isinstance(inner, dict) else list(range(len(inner)))
            key = draw.draw(st.sampled_from(keys))
            deeper = inner[key]
            if not isinstance(deeper, dict | list) or not deeper or draw.draw(st.integers(0, 4)) == 0:
                if draw.draw(st.booleans()):
                    inner[key] = draw.draw(st.sampled_from(ODD))
                else:
                    del inner[key]
                break
            inner = deeper
    return json.dumps(document).encode()


def spoiled_log(draw: st.DataObject, data: bytes) -> bytes:
    """Payloads changed and their records made whole again; sometimes the bytes of the log as they lie there."""
    if draw.draw(st.integers(0, 4)) == 0:
        return spoiled(draw, data)
    records = list(scan(data).records)
    places = draw.draw(st.sets(st.integers(0, min(len(records), 12) - 1), min_size=1, max_size=3))
    out = []
    for place, record in enumerate(records):
        kind, payload = record.kind, record.payload
        if place in places:
            text = payload[:1] == b"{" and draw.draw(st.booleans())
            payload = (spoiled_json if text else spoiled)(draw, payload)[:0xFFFF]
            kind = draw.draw(st.sampled_from([kind, kind, kind, *range(10)]))
        out.append(encode_record(kind, record.index, payload))
    return b"".join(out)


def recovered(path: Path) -> object:
    log = read_log(path)
    return (assemble_samples if any(record.kind == SAMPLES for record in log.records) else assemble)(log, "x")


# Kind -> the file that is changed, how, and what reads it.
KINDS: dict[str, tuple[str, Callable[..., bytes], Callable[[Path], object]]] = {
    "recording.toml": ("r/recording.toml", spoiled, lambda p: read_recording(p / "r")),
    "a sensor's file": ("r/right_wrist.csv", spoiled, lambda p: read_recording(p / "r")),
    "events.tsv": ("r/events.tsv", spoiled, lambda p: read_recording(p / "r")),
    "reference.csv": ("reference.csv", spoiled, lambda p: read_reference(p / "reference.csv")),
    "column map": ("map.toml", spoiled, lambda p: read_mapped(p / "map.toml", p / "data")),
    "a foreign file": ("data/upper.csv", spoiled, lambda p: read_mapped(p / "map.toml", p / "data")),
    "drill": ("drill.toml", spoiled, lambda p: describe(load_file(p / "drill.toml"))),
    "plan": ("plan.toml", spoiled, lambda p: load_plan(p / "plan.toml")),
    "rules": ("rules.toml", spoiled, lambda p: load_rules(p / "rules.toml")),
    "parameters": ("params.toml", spoiled, lambda p: load_params(p / "params.toml")),
    "range test": ("test.toml", spoiled, lambda p: load_test(p / "test.toml")),
    "calibration": ("calibration.json", spoiled_json, lambda p: read_calibration(p / "calibration.json")),
    "correction": (
        "correction.toml",
        spoiled,
        lambda p: correct(read_recording(p / "r"), read_corrections(p / "correction.toml")),
    ),
    "summary of a history": ("earlier/summary.json", spoiled_json, lambda p: load_history([p / "earlier"])),
    "a sidecar": ("bids/**/*_motion.json", spoiled_json, lambda p: read_bids(p / "bids")),
    "channels": ("bids/**/*_channels.tsv", spoiled, lambda p: read_bids(p / "bids")),
    "log of samples": ("a.log", spoiled_log, lambda p: recovered(p / "a.log")),
    "log of nodes": ("nodes.log", spoiled_log, lambda p: recovered(p / "nodes.log")),
}
# The command that takes the kind to its end.
COMMANDS = {
    "recording.toml": "analyse r --out o",
    "a sensor's file": "analyse r --out o",
    "events.tsv": "analyse r --out o",
    "drill": "analyse r --drill-file drill.toml --out o",
    "plan": "analyse r --plan plan.toml --out o",
    "rules": "analyse r --rules rules.toml --out o",
    "parameters": "analyse r --params params.toml --out o",
    "calibration": "analyse r --calibration calibration.json --out o",
    "correction": "analyse r --correction correction.toml --out o",
    "summary of a history": "analyse r --history earlier --out o",
    "log of samples": "recover a.log --out o",
    "summary of results": "report results --out o",
}


@pytest.fixture(scope="module")
def workspace(small_recording, tmp_path_factory):
    place = make_workspace(tmp_path_factory.mktemp("fuzz") / "workspace", small_recording)
    acc, gyr = default_motion(100.0, 4.0, seed=1)
    np.savez(place / "motion.npz", acc=acc, gyr=gyr)
    script = NodeScript("C0:00:00:00:00:01", "right_wrist", rate_hz=100, data=str(place / "motion.npz"), seed=1)
    write_log(place / "nodes.log", [script], 3.0)
    return place


@pytest.fixture(scope="module")
def short(workspace, tmp_path_factory):
    """The same with short files: reading is the same, and quick."""
    place = tmp_path_factory.mktemp("fuzz") / "short"
    shutil.copytree(workspace, place)
    for path in [*(place / "r").glob("*.csv"), *(place / "data").glob("*.csv"), *place.rglob("*_motion.tsv")]:
        path.write_text("".join(path.read_text().splitlines(keepends=True)[:ROWS]))
    return place


@pytest.mark.parametrize("kind", KINDS)
def test_reading_ends_with_a_result_or_a_sentence(kind, short):
    pattern, change, read = KINDS[kind]
    path = next(short.glob(pattern))
    good = path.read_bytes()
    read(short)

    @changes(60)
    @given(st.data())
    def tried(draw: st.DataObject) -> None:
        path.write_bytes(change(draw, good))
        said = ""
        try:
            read(short)
        except ShoulderError as error:
            said = str(error)
        assert len(said) < 2000
        assert "\n" not in said

    try:
        tried()
    finally:
        path.write_bytes(good)


@pytest.mark.parametrize("kind", COMMANDS)
def test_the_command_ends_with_a_result_or_a_sentence(kind, workspace, tmp_path, monkeypatch):
    pattern, change, _ = {**KINDS, "summary of results": ("results/summary.json", spoiled_json, None)}[kind]
    place = tmp_path / "w"
    shutil.copytree(workspace, place)
    monkeypatch.chdir(place)
    path = next(place.glob(pattern))
    good = path.read_bytes()

    @changes(4)
    @given(st.data())
    def tried(draw: st.DataObject) -> None:
        shutil.rmtree("o", ignore_errors=True)
        path.write_bytes(change(draw, good))
        found = CliRunner().invoke(cli, COMMANDS[kind].split())
        if found.exception is not None and not isinstance(found.exception, SystemExit):
            raise found.exception
        assert found.exit_code in (0, 2)
        assert (found.exit_code == 0) == Path("o").exists()

    tried()
