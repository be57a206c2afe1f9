"""Foreign files however they are written: what a column map reads from them, and what it refuses."""

from __future__ import annotations

import bz2
import gzip
import hashlib
import io
import lzma
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from imu_shoulder import limits
from imu_shoulder.cli import cli
from imu_shoulder.errors import ColumnMapError, RecordingError, ShoulderError
from imu_shoulder.model import Recording, SensorStream
from imu_shoulder.sources import opened
from imu_shoulder.sources.column_map import read_mapped
from imu_shoulder.sources.folder import read_recording

ROWS = 200
HEAD = 'schema = 1\nathlete = "M.K."\nstart = "2026-05-04"\n'
SENSOR = """[[sensor]]
placement = "right_wrist"
file = "a.csv"
sample_rate_hz = 50
acc_unit = "m/s^2"
gyr_unit = "deg/s"
"""
NAMED = 'acc_columns = ["ax", "ay", "az"]\ngyr_columns = ["gx", "gy", "gz"]\n'
NUMBERED = "acc_columns = [2, 3, 4]\ngyr_columns = [5, 6, 7]\n"
TIMED = '[table]\ntime_column = "t"\ntime_unit = "s"\n'
HEADER = "t,ax,ay,az,gx,gy,gz"


def values() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(9001)
    return np.round(np.arange(ROWS) / 50, 2), np.round(rng.normal(size=(ROWS, 6)), 3)


def rows(delimiter: str = ",", decimal: str = ".") -> list[str]:
    time_s, numbers = values()
    table = np.column_stack([time_s, numbers])
    return [delimiter.join(f"{value:.3f}".replace(".", decimal) for value in row) for row in table]


def table(delimiter: str = ",", decimal: str = ".") -> str:
    return "\n".join([HEADER.replace(",", delimiter), *rows(delimiter, decimal)]) + "\n"


def read(folder: Path, text: str | bytes, layout: str = TIMED, sensor: str = SENSOR + NAMED) -> Recording:
    data = text.encode() if isinstance(text, str) else text
    (folder / "a.csv").write_bytes(data)
    (folder / "map.toml").write_text(HEAD + layout + sensor)
    return read_mapped(folder / "map.toml")


def is_whole(stream: SensorStream, kept: slice | np.ndarray = slice(None)) -> None:
    time_s, numbers = values()
    np.testing.assert_allclose(stream.time_s, time_s[kept], atol=1e-6)
    np.testing.assert_allclose(stream.acc_m_s2, numbers[kept, :3])
    np.testing.assert_allclose(np.degrees(stream.gyr_rad_s), numbers[kept, 3:])


def wrist(recording: Recording) -> SensorStream:
    return recording.streams["right_wrist"]


def added(key: str, value: str) -> str:
    return f"{TIMED}{key} = {value}\n"


@pytest.mark.parametrize("mark", [";", "\t", "|", " "])
def test_marks_and_decimal_commas(tmp_path, mark):
    is_whole(
        wrist(read(tmp_path, table(mark, ","), added("delimiter", repr(mark).replace("'", '"')) + 'decimal = ","\n'))
    )


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_encodings_are_told_by_their_first_bytes(tmp_path, encoding):
    is_whole(wrist(read(tmp_path, table().encode(encoding))))


def test_an_encoding_that_does_not_show_is_named_in_the_map(tmp_path):
    text = table().replace("ax", "größe").encode("latin-1")
    sensor = SENSOR + NAMED.replace("ax", "größe")
    with pytest.raises(RecordingError, match="encoding"):
        read(tmp_path, text, sensor=sensor)
    is_whole(wrist(read(tmp_path, text, added("encoding", '"latin-1"'), sensor)))


@pytest.mark.parametrize("end", ["\r\n", "\r"])
def test_line_ends(tmp_path, end):
    is_whole(wrist(read(tmp_path, table().replace("\n", end))))


def test_lines_that_are_no_rows(tmp_path):
    """A header of three lines, comments, blank lines, the header again, and a last line that was cut off."""
    head, *data = table().splitlines()
    lines = ["made by x", "", head, "s,g,g,g,deg/s,deg/s,deg/s", "# note", *data[:50], "", "# lost", *data[50:90], head]
    lines += [*data[90:], "4.000,0.1,0.2"]
    is_whole(wrist(read(tmp_path, "\n".join(lines), added("comment", '"#"') + "skip_rows = 1\nheader_rows = 2\n")))


def test_columns_by_number_where_names_repeat_or_are_missing(tmp_path):
    repeated = table().replace(HEADER, "t,x,y,z,x,y,z")
    is_whole(wrist(read(tmp_path, repeated, sensor=SENSOR + NUMBERED)))
    with pytest.raises(RecordingError, match="by its number"):
        read(tmp_path, repeated, sensor=SENSOR + NUMBERED.replace("[2,", '["x",'))
    bare = table().partition("\n")[2]
    numbered = '[table]\nheader_rows = 0\ntime_column = 1\ntime_unit = "s"\n'
    is_whole(wrist(read(tmp_path, bare, numbered, SENSOR + NUMBERED)))
    with pytest.raises(RecordingError, match="has 7"):
        read(tmp_path, bare, numbered, SENSOR + NUMBERED.replace("7", "9"))
    with pytest.raises(ColumnMapError, match="number from 1"):
        read(tmp_path, bare, numbered, SENSOR + NUMBERED.replace("7", "0"))


def test_a_mark_at_the_end_of_rows(tmp_path):
    is_whole(
        wrist(read(tmp_path, table().replace("\n", ";\n").replace(HEADER + ";", HEADER), added("line_end", '";"')))
    )
    # One that separates nothing is a column without a name.
    is_whole(wrist(read(tmp_path, table().replace("\n", ",\n"))))


def test_a_row_without_a_sample_is_a_gap_and_half_a_sample_is_refused(tmp_path):
    lines = table().splitlines()
    lines[11] = "0.20,,,,,,"
    lines[12] = "0.22,nan,nan,nan,n/a,n/a,n/a"
    kept = np.delete(np.arange(ROWS), [10, 11])
    is_whole(wrist(read(tmp_path, "\n".join(lines))), kept)
    lines[13] = "0.24,1,2,,0,0,0"
    with pytest.raises(RecordingError, match="row 14, column az"):
        read(tmp_path, "\n".join(lines))


def gyroscope_of_its_own(folder: Path, late_s: float = 0.0, sensor: str = "") -> SensorStream:
    """The gyroscope in a file of its own, at 40 Hz on a clock that is so much behind."""
    time_s, numbers = values()
    at = np.arange(0.1, 3.9, 0.025)
    own = np.column_stack([np.interp(at, time_s, column) for column in numbers[:, 3:].T])
    text = "\n".join(",".join(f"{value:.6f}" for value in row) for row in np.column_stack([at - late_s, own]))
    (folder / "g.csv").write_text("clock,x,y,z\n" + text)
    more = SENSOR + 'acc_columns = ["ax", "ay", "az"]\ngyr_file = "g.csv"\ngyr_time_column = "clock"\n'
    return wrist(read(folder, table(), sensor=f'{more}gyr_columns = ["x", "y", "z"]\n{sensor}'))


def test_a_gyroscope_with_a_file_and_a_clock_of_its_own(tmp_path):
    stream = gyroscope_of_its_own(tmp_path)
    time_s, numbers = values()
    assert 0.1 <= stream.time_s[0] <= 0.12
    assert 3.86 <= stream.time_s[-1] <= 3.9
    inside = (time_s >= stream.time_s[0]) & (time_s <= stream.time_s[-1])
    np.testing.assert_allclose(stream.acc_m_s2, numbers[inside, :3])
    # Where both clocks tick at once, every tenth of a second, nothing is lost.
    both = np.isclose(stream.time_s * 10 % 1, 0) | np.isclose(stream.time_s * 10 % 1, 1)
    np.testing.assert_allclose(np.degrees(stream.gyr_rad_s[both]), numbers[inside][both, 3:], atol=1e-5)


def test_clocks_that_have_nothing_in_common(tmp_path):
    with pytest.raises(RecordingError, match="gyr_offset_s"):
        gyroscope_of_its_own(tmp_path, late_s=700.0)
    right, told = gyroscope_of_its_own(tmp_path), gyroscope_of_its_own(tmp_path, 700.0, "gyr_offset_s = 700\n")
    np.testing.assert_allclose(told.gyr_rad_s, right.gyr_rad_s, atol=1e-5)


def test_nothing_is_laid_over_a_gap_of_the_gyroscope(tmp_path):
    gyroscope_of_its_own(tmp_path)
    lines = (tmp_path / "g.csv").read_text().splitlines()
    (tmp_path / "g.csv").write_text("\n".join(lines[:40] + lines[80:]))
    stream = wrist(read_mapped(tmp_path / "map.toml"))
    assert np.diff(stream.time_s).max() == pytest.approx(1.0, abs=0.06)


def test_an_offset_moves_a_sensors_clock(tmp_path):
    late = wrist(read(tmp_path, table(), sensor=SENSOR + "offset_s = 4.19\n" + NAMED))
    np.testing.assert_allclose(late.time_s, values()[0] + 4.19)


def test_all_sensors_in_one_file_by_an_id(tmp_path):
    """Rows take turns; of each sensor its own."""
    other = [f"{line},unit 2" for line in rows()]
    lines = [line for pair in zip([f"{line},unit 1" for line in rows()], reversed(other), strict=True) for line in pair]
    own = SENSOR + NAMED + 'rows = { id = "unit 1" }\n'
    is_whole(wrist(read(tmp_path, "\n".join([f"{HEADER},id", *lines]), sensor=own)))
    with pytest.raises(RecordingError, match="unit 7"):
        read(tmp_path, "\n".join([f"{HEADER},id", *lines]), sensor=own.replace("unit 1", "unit 7"))


STAMPS: dict[str, tuple[str, Callable[[float], str]]] = {
    "iso": ("iso", lambda t: f"2026-05-04T23:59:{57 + t:06.3f}" if t < 3 else f"2026-05-05T00:00:{t - 3:06.3f}+00:00"),
    "seven digits": ("iso", lambda t: f"2026-05-04 09:30:{t:010.7f}"),
    "comma": ("iso", lambda t: f'"2026-05-04 09:30:{t:06.3f}"'.replace(".", ",")),
    "day first": ("%d.%m.%Y %H:%M:%S.%f", lambda t: f"04.05.2026 09:30:{t:06.3f}"),
    "clock": ("clock", lambda t: f"23:59:{57 + t:06.3f}" if t < 3 else f"00:00:{t - 3:06.3f}"),
    "days": ("day", lambda t: f"{46146.99999 + t / 86400:.12f}"),
    "epoch ns": ("ns", lambda t: str(1_777_887_000_000_000_000 + round(t * 1e9))),
}


@pytest.mark.parametrize("kind", STAMPS)
def test_stamps(tmp_path, kind):
    unit, stamp = STAMPS[kind]
    time_s, _ = values()
    lines = [f"{stamp(t)},{row.partition(',')[2]}" for t, row in zip(time_s, rows(), strict=True)]
    layout = TIMED.replace('"s"', f'"{unit}"') + "zero_at_first = true\n"
    is_whole(wrist(read(tmp_path, "\n".join([HEADER, *lines]), layout)))


def test_a_stamp_that_is_none_is_named(tmp_path):
    text = "\n".join([HEADER, *(f"09:30:{k:02d},{row.partition(',')[2]}" for k, row in enumerate(rows()[:50]))])
    with pytest.raises(RecordingError, match=r"row 6, but it is 'soon'"):
        read(tmp_path, text.replace("09:30:04", "soon"), TIMED.replace('"s"', '"clock"'))


PACKERS: dict[str, Callable[[bytes], bytes]] = {
    "gz": gzip.compress,
    "bz2": bz2.compress,
    "xz": lzma.compress,
    "zst": lambda data: pa.compress(data, codec="zstd", asbytes=True),
}


def zipped(**files: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in files.items():
            packed.writestr(f"{name}.csv", data)
    return buffer.getvalue()


@pytest.mark.parametrize("kind", PACKERS)
def test_compressed_files_are_told_by_their_bytes(tmp_path, kind):
    is_whole(wrist(read(tmp_path, PACKERS[kind](table().encode()))))


def test_files_within_a_zip_file(tmp_path):
    data = table().encode()
    is_whole(wrist(read(tmp_path, zipped(inner=data))))
    (tmp_path / "all.zip").write_bytes(zipped(one=b"nothing", two=data))
    inner = SENSOR.replace("a.csv", "all.zip/two.csv") + NAMED
    is_whole(wrist(read(tmp_path, data, sensor=inner)))
    for name, said in (("all.zip", "there are 2"), ("all.zip/three.csv", "it holds"), ("a.csv/two.csv", "no zip file")):
        with pytest.raises(RecordingError, match=said):
            read(tmp_path, data, sensor=inner.replace("all.zip/two.csv", name))


@pytest.mark.parametrize("kind", [*PACKERS, "zip"])
def test_a_damaged_or_endless_file_is_one_sentence(tmp_path, kind, monkeypatch):
    pack = PACKERS.get(kind, lambda data: zipped(inner=data))
    packed = pack(table().encode())
    with pytest.raises(RecordingError):
        read(tmp_path, packed[: len(packed) // 2])
    # Small as it lies there, and more than a file may have when it is unpacked.
    monkeypatch.setattr(opened, "MAX_FILE_BYTES", 3_000_000)
    bomb = pack(b"0," * 2_000_000)
    assert len(bomb) < 50_000
    with pytest.raises(RecordingError, match="at most 3 MB when it is unpacked"):
        read(tmp_path, bomb)
    assert limits.MAX_FILE_BYTES == 500_000_000


def test_four_files_of_one_name_leave_four_hashes(tmp_path):
    sensors = ""
    for k, placement in enumerate(("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm")):
        (tmp_path / f"u{k}").mkdir()
        text = table().replace("0.0", f"0.{k}")
        (tmp_path / f"u{k}" / "test.csv").write_text(text)
        sensors += (SENSOR + NAMED).replace("right_wrist", placement).replace("a.csv", f"u{k}/test.csv")
    found = read(tmp_path, "", sensor=sensors).file_sha256
    assert set(found) == {"map.toml", *(f"u{k}/test.csv" for k in range(4))}
    for name, digest in found.items():
        assert digest == hashlib.sha256((tmp_path / name).read_bytes()).hexdigest()


def test_gravity_is_added_to_what_has_none(tmp_path):
    time_s, numbers = values()
    columns = [time_s[:, None], numbers[:, :3] - 9.0, np.full((ROWS, 3), 9.0), numbers[:, 3:]]
    lines = [",".join(f"{value:.4f}" for value in row) for row in np.hstack(columns)]
    text = "\n".join(["t,ax,ay,az,px,py,pz,gx,gy,gz", *lines])
    is_whole(wrist(read(tmp_path, text, sensor=SENSOR + NAMED + 'gravity_columns = ["px", "py", "pz"]\n')))


def test_a_sensor_may_be_written_otherwise_than_the_others(tmp_path):
    (tmp_path / "b.csv").write_text(table(";", ",").replace("0,0", "0,1"))
    other = (SENSOR + NAMED).replace("right_wrist", "sternum").replace("a.csv", "b.csv")
    both = read(tmp_path, table(), sensor=SENSOR + NAMED + other + 'delimiter = ";"\ndecimal = ","\n')
    is_whole(both.streams["right_wrist"])
    assert len(both.streams["sternum"].time_s) == ROWS


def test_a_map_alone_is_analysed(small_recording, tmp_path):
    """The results are those of the recording folder that the files came from."""
    (tmp_path / "in").mkdir()
    recording = read_recording(small_recording)
    sensors = ""
    for name in recording.streams:
        shutil.copy(small_recording / f"{name}.csv", tmp_path / "in" / f"{name}.csv")
        own = SENSOR.replace("right_wrist", name).replace("a.csv", f"{name}.csv").replace("deg/s", "rad/s")
        columns = [f'["{k}_x", "{k}_y", "{k}_z"]' for k in ("acc", "gyr")]
        sensors += f"{own}acc_columns = {columns[0]}\ngyr_columns = {columns[1]}\n"
    shutil.copy(small_recording / "events.tsv", tmp_path / "in")
    head = HEAD + 'events = "events.tsv"\n' + TIMED.replace('"t"', '"time_s"')
    (tmp_path / "in" / "map.toml").write_text(head + sensors)
    for source, out in ((small_recording, "one"), (tmp_path / "in" / "map.toml", "two")):
        said = CliRunner().invoke(cli, ["analyse", str(source), "--out", str(tmp_path / out)])
        assert said.exit_code == 0, said.output
    one, two = ((tmp_path / out / "reps.csv").read_text().splitlines() for out in ("one", "two"))
    assert len(one) == len(two) > 1
    assert [row.split(",")[:8] for row in one] == [row.split(",")[:8] for row in two]


@pytest.mark.parametrize(
    ("layout", "sensor", "said"),
    [
        (added("encoding", '"klingon"'), SENSOR + NAMED, "klingon"),
        (added("header_rows", "-1"), SENSOR + NAMED, "header_rows"),
        (TIMED.replace('"s"', '"%Q%"'), SENSOR + NAMED, "a time like"),
        (TIMED, SENSOR + NAMED + "rows = {}\n", "rows"),
        (TIMED, SENSOR + NAMED + 'rows = { id = 1.5 }\n', "id"),
        (TIMED, SENSOR + NAMED + 'rows = { nowhere = "1" }\n', "'nowhere'"),
        (TIMED, SENSOR + NAMED + "offset_s = inf\n", "offset_s"),
        (TIMED, SENSOR + NAMED + 'gyr_file = "gone.csv"\n', "gone.csv"),
        (TIMED, SENSOR + NAMED.replace('"gx"', '"ax"'), "once"),
    ],
)  # fmt: skip
def test_a_map_that_cannot_be_used_gets_one_sentence(tmp_path, layout, sensor, said):
    with pytest.raises(ShoulderError) as caught:
        read(tmp_path, table(), layout, sensor)
    assert said in str(caught.value), str(caught.value)


def test_a_parquet_file_is_read_and_texts_for_numbers_are_refused(tmp_path):
    """Of two sensors' rows those of one, with stamps as texts."""
    time_s, numbers = values()
    names = HEADER.split(",")
    columns = dict(zip(names, np.repeat(np.column_stack([time_s, numbers]), 2, axis=0).T, strict=True))
    stamps = [f"2026-05-04T09:30:{t:06.3f}" for t in columns["t"]]
    made = pa.table({**columns, "t": stamps, "id": ["unit 1", "unit 2"] * ROWS})
    pq.write_table(made, tmp_path / "a.parquet")
    sensor = SENSOR.replace("a.csv", "a.parquet") + 'rows = { id = "unit 1" }\n'
    layout = TIMED.replace('"s"', '"iso"') + "zero_at_first = true\n"
    is_whole(wrist(read(tmp_path, "", layout, sensor + NAMED)))
    with pytest.raises(RecordingError, match=r"numbers in column id of a\.parquet"):
        read(tmp_path, "", layout, sensor + NAMED.replace('"gx"', '"id"'))
    with pytest.raises(RecordingError, match="the column nowhere"):
        read(tmp_path, "", layout, sensor + NAMED.replace('"gx"', '"nowhere"'))
