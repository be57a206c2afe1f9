"""Recording folders: what is written comes back, and every mistake gets one sentence."""

from __future__ import annotations

import hashlib
import resource
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from imu_shoulder.errors import OutputError, RecordingError
from imu_shoulder.limits import MAX_FILE_BYTES, MAX_HOURS
from imu_shoulder.model import EVENT_SIDES, PLACEMENTS, TRIAL_TYPES, Event, Recording, SensorStream
from imu_shoulder.sources.folder import read_recording, write_recording
from imu_shoulder.sources.possible import LEAST_RATE_HZ, MOST_RATE_HZ

HEAD = """schema = 1
athlete = "M.K."
start = "2026-05-04T09:30:00+02:00"

[[sensor]]
placement = "right_wrist"
file = "right_wrist.csv"
sample_rate_hz = 100
acc_unit = "g"
gyr_unit = "deg/s"
acc_range = 16
gyr_range = 2000
"""
TABLE = """time_s,acc_x,acc_y,acc_z,gyr_x,gyr_y,gyr_z
0.00,0,0,1,0,0,180
0.01,0,0,1,0,0,180
0.02,0,0,1,0,0,180
"""
EVENTS = "onset\tduration\ttrial_type\tdrill\tside\n0\t3\tneutral_pose\tn/a\tn/a\n4\t20\tset\tfull_can\tright\n"


def make(folder: Path, **files: str) -> Path:
    texts = {"recording.toml": HEAD, "right_wrist.csv": TABLE, "events.tsv": EVENTS} | {
        name.replace("__", "."): text for name, text in files.items()
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def test_reads_units_into_si_and_hashes_every_file(tmp_path: Path) -> None:
    recording = read_recording(make(tmp_path))
    stream = recording.streams["right_wrist"]
    # Standard gravity, 3rd CGPM (1901); half a turn a second is pi rad/s.
    np.testing.assert_allclose(stream.acc_m_s2[:, 2], 9.80665)
    np.testing.assert_allclose(stream.gyr_rad_s[:, 2], np.pi)
    assert stream.acc_range_m_s2 == pytest.approx(16 * 9.80665)
    assert stream.gyr_range_rad_s == pytest.approx(2000 * np.pi / 180)
    assert recording.events[1] == Event(4.0, 20.0, "set", "full_can", "right")
    assert set(recording.file_sha256) == {"recording.toml", "right_wrist.csv", "events.tsv"}
    assert recording.file_sha256["right_wrist.csv"] == hashlib.sha256(TABLE.encode()).hexdigest()


def test_no_events_file_is_no_mistake(tmp_path: Path) -> None:
    (make(tmp_path) / "events.tsv").unlink()
    assert read_recording(tmp_path).events == ()


def test_a_note_of_any_length_comes_back(tmp_path: Path) -> None:
    recording = read_recording(make(tmp_path))
    noted = replace(recording.events[1], note="tight " * 30_000 + "in front")
    write_recording(replace(recording, events=(noted,)), tmp_path / "back")
    assert read_recording(tmp_path / "back").events == (noted,)


def test_parquet_reads_the_same(tmp_path: Path) -> None:
    import pandas as pd

    expected = read_recording(make(tmp_path)).streams["right_wrist"]
    pd.read_csv(tmp_path / "right_wrist.csv").to_parquet(tmp_path / "right_wrist.parquet")
    (tmp_path / "recording.toml").write_text(HEAD.replace("wrist.csv", "wrist.parquet"))
    got = read_recording(tmp_path).streams["right_wrist"]
    np.testing.assert_array_equal(got.acc_m_s2, expected.acc_m_s2)
    np.testing.assert_array_equal(got.time_s, expected.time_s)


TEXTS = st.text(st.characters(exclude_categories=["Cs", "Cc", "Z"]), min_size=1, max_size=12)
NUMBERS = st.floats(-2000, 2000, allow_nan=False)


@st.composite
def recordings(draw: st.DrawFn) -> Recording:
    streams = {}
    for placement in draw(st.lists(st.sampled_from(PLACEMENTS), min_size=1, max_size=3, unique=True)):
        rows = draw(st.integers(2, 6))
        steps = draw(arrays(np.float64, rows, elements=st.floats(1e-3, 10.0)))
        mag = draw(arrays(np.float64, (rows, 3), elements=NUMBERS)) if draw(st.booleans()) else None
        streams[placement] = SensorStream(
            placement,
            np.cumsum(steps),
            draw(arrays(np.float64, (rows, 3), elements=NUMBERS)),
            draw(arrays(np.float64, (rows, 3), elements=NUMBERS)),
            draw(st.floats(LEAST_RATE_HZ, MOST_RATE_HZ)),
            mag,
            draw(st.none() | st.floats(1, 400)),
            draw(st.none() | st.floats(1, 70)),
        )
    event = st.builds(
        Event,
        st.floats(0, 5000),
        st.floats(0, 600),
        st.sampled_from(TRIAL_TYPES),
        st.none() | TEXTS.filter(lambda text: text != "n/a"),
        st.none() | st.sampled_from(EVENT_SIDES),
        st.none() | st.floats(0, 10),
        st.none() | st.floats(0, 30),
        st.none() | TEXTS.filter(lambda text: text != "n/a"),
    )
    # One after the other: the same stretch marked as a set twice is refused.
    events: list[Event] = []
    for found in sorted(draw(st.lists(event, max_size=4)), key=lambda e: e.onset_s):
        begin_s = events[-1].end_s + 0.01 if events else 0.0
        events.append(replace(found, onset_s=max(found.onset_s, begin_s)))
    return Recording("spring", draw(TEXTS), "2026-05-04T09:30:00+02:00", streams, tuple(events))


@settings(max_examples=40)
@given(recordings(), st.sampled_from(["m/s^2", "g"]), st.sampled_from(["rad/s", "deg/s"]))
def test_what_is_written_comes_back(recording: Recording, acc_unit: str, gyr_unit: str) -> None:
    with tempfile.TemporaryDirectory() as parent:
        folder = Path(parent) / "spring"
        write_recording(recording, folder, acc_unit=acc_unit, gyr_unit=gyr_unit)
        got = read_recording(folder)
    assert (got.name, got.athlete, got.start) == (recording.name, recording.athlete, recording.start)
    assert list(got.streams) == list(recording.streams)
    for placement, stream in recording.streams.items():
        read = got.streams[placement]
        assert read.declared_rate_hz == stream.declared_rate_hz
        np.testing.assert_allclose(read.time_s, stream.time_s, rtol=0, atol=5.1e-7)
        # 6 significant digits: half a unit of the last one, relative.
        np.testing.assert_allclose(read.acc_m_s2, stream.acc_m_s2, rtol=5.1e-6, atol=1e-300)
        np.testing.assert_allclose(read.gyr_rad_s, stream.gyr_rad_s, rtol=5.1e-6, atol=1e-300)
        assert (read.mag is None) == (stream.mag is None)
        if stream.mag is not None and read.mag is not None:
            np.testing.assert_allclose(read.mag, stream.mag, rtol=5.1e-6, atol=1e-300)
        assert read.acc_range_m_s2 == pytest.approx(stream.acc_range_m_s2)
        assert read.gyr_range_rad_s == pytest.approx(stream.gyr_range_rad_s)
    assert len(got.events) == len(recording.events)
    for read_event, event in zip(got.events, recording.events, strict=True):
        assert read_event.onset_s == pytest.approx(event.onset_s, abs=1e-6)
        assert read_event.duration_s == pytest.approx(event.duration_s, abs=1e-6)
        assert read_event.pain == pytest.approx(event.pain, abs=1e-6)
        for name in ("trial_type", "drill", "side", "note"):
            assert getattr(read_event, name) == getattr(event, name)


def sensor(**changes: str | None) -> str:
    """HEAD with keys of the sensor replaced, or left out where None."""
    lines = []
    for line in HEAD.splitlines():
        key = line.split(" = ")[0]
        if key not in changes:
            lines.append(line)
        elif changes[key] is not None:
            lines.append(f"{key} = {changes[key]}")
    return "\n".join(lines)


def cell(text: str) -> str:
    return TABLE.replace("0.01,0,0,1", f"0.01,0,{text},1")


BAD = {
    "no toml": ({"recording__toml": "schema = = 1"}, ["recording.toml", "TOML"]),
    "empty toml": ({"recording__toml": ""}, ["recording.toml", "empty"]),
    "other schema": ({"recording__toml": HEAD.replace("schema = 1", "schema = 2")}, ["schema", "2"]),
    "unknown key": ({"recording__toml": "athlet = 1\n" + HEAD}, ["athlet"]),
    "no sensor": ({"recording__toml": HEAD.split("[[")[0]}, ["[[sensor]]"]),
    "bad start": ({"recording__toml": sensor(start='"yesterday"')}, ["start", "yesterday", "ISO 8601"]),
    "no acc_unit": ({"recording__toml": sensor(acc_unit=None)}, ["acc_unit", "[[sensor]] 1", "missing", "m/s^2"]),
    "no gyr_unit": ({"recording__toml": sensor(gyr_unit=None)}, ["gyr_unit", "missing", "deg/s"]),
    "odd unit": ({"recording__toml": sensor(acc_unit='"mg"')}, ["acc_unit", "mg"]),
    "rate is text": ({"recording__toml": sensor(sample_rate_hz='"fast"')}, ["sample_rate_hz", "fast"]),
    "rate no sensor has": ({"recording__toml": sensor(sample_rate_hz="100000")}, ["right_wrist", "4000", "100000"]),
    "rate too low": ({"recording__toml": sensor(sample_rate_hz="1")}, ["right_wrist", "5 to", "1 Hz"]),
    "rate is zero": ({"recording__toml": sensor(sample_rate_hz="0")}, ["sample_rate_hz", "0"]),
    "wrong placement": ({"recording__toml": sensor(placement='"wrist"')}, ["'wrist'", "right_wrist"]),
    "placement twice": (
        {"recording__toml": HEAD + "[[sensor]]" + HEAD.split("[[sensor]]")[1]},
        ["right_wrist", "twice"],
    ),
    "file outside": ({"recording__toml": sensor(file='"../a.csv"')}, ["file", "../a.csv"]),
    "missing file": ({"recording__toml": sensor(file='"gone.csv"')}, ["gone.csv"]),
    "empty file": ({"right_wrist__csv": ""}, ["right_wrist.csv", "empty"]),
    "header only": ({"right_wrist__csv": TABLE.splitlines()[0] + "\n"}, ["right_wrist.csv", "only a header"]),
    "unknown column": ({"right_wrist__csv": TABLE.replace("gyr_z", "gyr_w")}, ["'gyr_w'", "column map"]),
    "missing column": (
        {"right_wrist__csv": "\n".join(line.rsplit(",", 1)[0] for line in TABLE.splitlines())},
        ["gyr_z", "missing"],
    ),
    "column twice": ({"right_wrist__csv": TABLE.replace("gyr_z", "gyr_x")}, ["'gyr_x' twice"]),
    "two of three mag": ({"right_wrist__csv": TABLE.replace("gyr_z", "gyr_z,mag_x,mag_y")}, ["mag_z", "missing"]),
    "text in a number": ({"right_wrist__csv": cell("fast")}, ["right_wrist.csv", "row 3", "acc_y", "'fast'"]),
    "empty cell": ({"right_wrist__csv": cell("")}, ["row 3", "acc_y", "empty"]),
    "nan": ({"right_wrist__csv": cell("nan")}, ["1 of 3", "row 3", "acc_y"]),
    "inf": ({"right_wrist__csv": cell("-inf")}, ["1 of 3", "row 3", "acc_y"]),
    "too many cells": ({"right_wrist__csv": cell("0,0")}, ["7 cells", "row 3 has 8"]),
    "too few cells": ({"right_wrist__csv": TABLE.replace("0.01,0,", "0.01,")}, ["7 cells", "row 3 has 6"]),
    "time stands still": (
        {"right_wrist__csv": TABLE.replace("0.01", "0.00").replace("0.02", "0.00")},
        ["time", "never"],
    ),
    "time runs back": ({"right_wrist__csv": TABLE.replace("0.01", "-1").replace("0.02", "-2")}, ["time", "increase"]),
    "events empty": ({"events__tsv": ""}, ["events.tsv", "empty"]),
    "events without side": ({"events__tsv": EVENTS.replace("\tside", "\tarm")}, ["events.tsv", "side"]),
    "events odd column": ({"events__tsv": EVENTS.replace("side\n", "side\thr\n")}, ["'hr'"]),
    "events by spaces": ({"events__tsv": EVENTS.replace("4\t20\t", "4 20 ")}, ["row 3", "tabs"]),
    "unknown trial": ({"events__tsv": EVENTS.replace("\tset\t", "\tsett\t")}, ["row 3", "trial_type", "'sett'"]),
    "unknown side": ({"events__tsv": EVENTS.replace("\tright", "\tboht")}, ["row 3", "side", "'boht'"]),
    "negative duration": ({"events__tsv": EVENTS.replace("\t20\t", "\t-20\t")}, ["row 3", "duration", "'-20'"]),
    "onset n/a": ({"events__tsv": EVENTS.replace("4\t20", "n/a\t20")}, ["row 3", "onset", "n/a"]),
    "onset text": ({"events__tsv": EVENTS.replace("4\t20", "four\t20")}, ["row 3", "onset", "'four'"]),
    "onset inf": ({"events__tsv": EVENTS.replace("4\t20", "inf\t20")}, ["row 3", "onset", "'inf'"]),
}


@pytest.mark.parametrize(("files", "said"), BAD.values(), ids=BAD.keys())
def test_a_mistake_gets_one_sentence(tmp_path: Path, files: dict[str, str], said: list[str]) -> None:
    with pytest.raises(RecordingError) as caught:
        read_recording(make(tmp_path, **files))
    sentence = str(caught.value)
    assert "\n" not in sentence
    for part in said:
        assert part in sentence


def test_missing_folder_and_missing_head(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no such folder"):
        read_recording(tmp_path / "gone")
    with pytest.raises(RecordingError, match=r"recording\.toml"):
        read_recording(tmp_path)
    make(tmp_path)
    with pytest.raises(RecordingError, match="it is a file"):
        read_recording(tmp_path / "recording.toml")


def test_a_file_of_two_gigabytes_is_refused_unread(tmp_path: Path) -> None:
    make(tmp_path)
    with (tmp_path / "right_wrist.csv").open("r+b") as stream:
        stream.truncate(2_000_000_000)  # sparse: takes no room on disk
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(RecordingError, match="2000 MB"):
        read_recording(tmp_path)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 50_000  # kB


def test_more_hours_than_the_limit_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("imu_shoulder.sources.folder.MAX_HOURS", 2 / 360_000)  # two samples at 100 Hz
    with pytest.raises(RecordingError, match="has 3 rows"):
        read_recording(make(tmp_path))


def test_full_disk_leaves_nothing(tmp_path: Path) -> None:
    """The system stops the write in the middle of a sensor's file, as a full disk would."""
    rows = np.arange(5000)
    three = np.ones((5000, 3))
    stream = SensorStream("right_wrist", rows / 100, three, three, 100.0)
    out = tmp_path / "out" / "copy"
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    try:
        with pytest.raises(OutputError, match="nothing was left behind"):
            write_recording(Recording("copy", "M.K.", "2026-05-04", {"right_wrist": stream}, ()), out)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_there_is_not_overwritten(tmp_path: Path) -> None:
    recording = read_recording(make(tmp_path))
    with pytest.raises(OutputError, match="files in it"):
        write_recording(recording, tmp_path)
    assert (tmp_path / "right_wrist.csv").read_text() == TABLE
    with pytest.raises(OutputError, match="cannot be done"):
        write_recording(recording, tmp_path / "right_wrist.csv" / "inside")


def test_size_limit_is_said_in_the_docs() -> None:
    page = Path(__file__).parents[1] / "docs" / "recording_folder.md"
    assert f"{MAX_FILE_BYTES / 1e6:.0f} MB" in page.read_text()
    assert f"{MAX_HOURS:g} hours" in page.read_text()
