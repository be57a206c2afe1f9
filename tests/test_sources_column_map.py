"""Foreign CSV files through a column map, and the replay of recordings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from imu_shoulder.errors import ColumnMapError, ParameterError, RecordingError
from imu_shoulder.model import Event, Recording, SensorStream
from imu_shoulder.sources import Chunk, RecordingSource, Source
from imu_shoulder.sources.column_map import read_mapped

SAMPLE = Path(__file__).parents[1] / "docs" / "column_map_sample.toml"
G = 9.80665  # standard gravity, 3rd CGPM (1901)

# Three samples of a sensor lying level with its z up, turning about z. It reads -1 g, as the sample map says.
FOREIGN = "\n".join(
    [
        "exported by the band's own program",
        "firmware 3",
        "No;Stamp;AX;AY;AZ;GX;GY;GZ;Battery",
        "1;1000;0.0;0.0;-1.0;0;0;90;full",
        "2;1020;0.0;0.0;-1.0;0;0;90;full",
        "3;1040;0.0;0.0;-1.0;0;0;90;full",
    ]
)


def lay_out(folder: Path, text: str = FOREIGN) -> Path:
    for name in ("forearm.csv", "upper.csv"):
        (folder / name).write_text(text)
    (folder / "events.tsv").write_text("onset\tduration\ttrial_type\tdrill\tside\n0\t3\tneutral_pose\tn/a\tn/a\n")
    return folder


def test_the_sample_map_reads(tmp_path: Path) -> None:
    recording = read_mapped(SAMPLE, lay_out(tmp_path))
    wrist, arm = recording.streams["right_wrist"], recording.streams["right_upper_arm"]
    np.testing.assert_allclose(wrist.time_s, [0.0, 0.02, 0.04])
    np.testing.assert_allclose(wrist.acc_m_s2, [[0, 0, G]] * 3)
    np.testing.assert_allclose(wrist.gyr_rad_s, [[0, 0, np.pi / 2]] * 3)
    assert wrist.acc_range_m_s2 == pytest.approx(8 * G)
    assert arm.declared_rate_hz == 50
    # The other sensor's z is mirrored: gravity turns over, and turning about z stays what it is.
    np.testing.assert_allclose(arm.acc_m_s2, [[0, 0, -G]] * 3)
    np.testing.assert_allclose(arm.gyr_rad_s, [[0, 0, np.pi / 2]] * 3)
    assert recording.events == (Event(0.0, 3.0, "neutral_pose"),)
    assert set(recording.file_sha256) == {SAMPLE.name, "forearm.csv", "upper.csv", "events.tsv"}


def test_a_mirrored_frame_comes_out_right_handed() -> None:
    """A rotation matrix R becomes M R M in a frame mirrored by M, and its axial vector turns as the map's axes say."""
    from scipy.spatial.transform import Rotation

    from imu_shoulder.checked import Checked
    from imu_shoulder.errors import ShoulderError
    from imu_shoulder.sources.column_map import _axes

    class AnyError(ShoulderError):
        pass

    table = Checked({"acc": ["x", "y", "-z"], "gyr": ["-x", "-y", "z"]}, "map", AnyError)
    mirror, turning = _axes(table, "acc"), _axes(table, "gyr")
    turn = np.array([0.3, -0.5, 0.7])
    # In the mirrored frame the device computes as if its frame were right-handed.
    seen = Rotation.from_matrix(mirror @ Rotation.from_rotvec(turn).as_matrix() @ mirror).as_rotvec()
    np.testing.assert_allclose(turning @ seen, turn, atol=1e-12)


def write_map(folder: Path, **changes: str) -> Path:
    """A small map of one file; each change replaces a key's value, or removes the key where empty."""
    lines = {
        "schema": "1",
        "athlete": '"M.K."',
        "start": '"2026-05-04"',
        "[table]": "",
        "delimiter": '";"',
        "skip_rows": "2",
        "time_column": '"Stamp"',
        "time_unit": '"ms"',
        "[[sensor]]": "",
        "placement": '"right_wrist"',
        "sample_rate_hz": "50",
        "acc_columns": '["AX", "AY", "AZ"]',
        "acc_unit": '"g"',
        "gyr_columns": '["GX", "GY", "GZ"]',
        "gyr_unit": '"deg/s"',
    }
    text = ""
    for key, value in lines.items():
        value = changes.pop(key, value)
        text += f"{key}\n" if key.startswith("[") else f"{key} = {value}\n" if value else ""
    text += "".join(f"{key} = {value}\n" for key, value in changes.items())
    path = folder / "map.toml"
    path.write_text(text)
    return path


def read_one(folder: Path, data: str = FOREIGN, **changes: str) -> SensorStream:
    path = folder / "arm.csv"
    path.write_text(data)
    return read_mapped(write_map(folder, **changes), path).streams["right_wrist"]


@pytest.mark.parametrize(
    ("unit", "scale"), [('"s"', 1.0), ('"ms"', 1e-3), ('"us"', 1e-6), ('"ns"', 1e-9)], ids=["s", "ms", "us", "ns"]
)
def test_time_units(tmp_path: Path, unit: str, scale: float) -> None:
    np.testing.assert_allclose(read_one(tmp_path, time_unit=unit).time_s, np.array([1000, 1020, 1040]) * scale)


def test_ticks_and_rate_without_a_time_column(tmp_path: Path) -> None:
    ticks = write_map(tmp_path, time_unit="").read_text().replace("[[sensor]]", "tick_rate_hz = 32768\n[[sensor]]")
    (tmp_path / "map.toml").write_text(ticks)
    (tmp_path / "arm.csv").write_text(FOREIGN)
    stream = read_mapped(tmp_path / "map.toml", tmp_path / "arm.csv").streams["right_wrist"]
    np.testing.assert_allclose(stream.time_s, np.array([1000, 1020, 1040]) / 32768)
    np.testing.assert_allclose(read_one(tmp_path, time_column="", time_unit="").time_s, [0.0, 0.02, 0.04])


def test_scale_permutation_and_decimal_comma(tmp_path: Path) -> None:
    data = FOREIGN.replace(".0", ",0").replace("-1,0", "-4096,0")
    path = write_map(tmp_path, acc_scale="0.000244140625", acc_sign="-1", acc_axes='["z", "x", "y"]')
    path.write_text(path.read_text().replace("[[sensor]]", 'decimal = ","\n[[sensor]]'))
    (tmp_path / "arm.csv").write_text(data)
    stream = read_mapped(path, tmp_path / "arm.csv").streams["right_wrist"]
    np.testing.assert_allclose(stream.acc_m_s2, [[G, 0, 0]] * 3)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"acc_unit": ""}, ["acc_unit", "missing"]),
        ({"gyr_unit": '"rpm"'}, ["gyr_unit", "rpm"]),
        ({"time_unit": ""}, ["time_unit", "missing"]),
        ({"sample_rate_hz": ""}, ["sample_rate_hz", "missing"]),
        ({"placement": '"wrist"'}, ["'wrist'"]),
        ({"acc_columns": '["AX", "AY"]'}, ["acc_columns", "3"]),
        ({"acc_columns": '["AX", "AY", "AY"]'}, ["once", "AY"]),
        ({"acc_axes": '["x", "y", "y"]'}, ["acc_axes"]),
        ({"acc_sign": "2"}, ["acc_sign", "2"]),
        ({"acc_sign": "0"}, ["acc_sign", "0"]),
        ({"delimiter": '""'}, ["delimiter"]),
        ({"skip_rows": "-1"}, ["skip_rows"]),
        ({"schema": "9"}, ["schema"]),
        ({"colour": '"red"'}, ["'colour'"]),
    ],
)
def test_a_bad_map_gets_one_sentence(tmp_path: Path, changes: dict[str, str], said: list[str]) -> None:
    with pytest.raises(ColumnMapError) as caught:
        read_one(tmp_path, **changes)
    assert all(part in str(caught.value) for part in said), str(caught.value)


@pytest.mark.parametrize(
    ("data", "changes", "said"),
    [
        (FOREIGN, {"acc_columns": '["AX", "AY", "Az"]'}, ["'Az'", "0 times"]),
        (FOREIGN, {"delimiter": '","'}, ["'Stamp'", "delimiter"]),
        (FOREIGN.replace("1020", "soon"), {}, ["row 5", "Stamp", "'soon'"]),
        (FOREIGN.replace("2;1020;0.0", "2;1020;nan"), {}, ["row 5", "AX"]),
        (FOREIGN.replace("1040", "900"), {"skip_rows": "7"}, ["Stamp"]),
        ("", {}, ["empty"]),
    ],
)
def test_data_that_are_not_as_the_map_says(tmp_path: Path, data: str, changes: dict[str, str], said: list[str]) -> None:
    with pytest.raises(RecordingError) as caught:
        read_one(tmp_path, data, **changes)
    assert all(part in str(caught.value) for part in said), str(caught.value)


def test_map_that_is_no_toml_and_data_that_are_not_there(tmp_path: Path) -> None:
    path = tmp_path / "map.toml"
    path.write_text("not = = toml")
    with pytest.raises(ColumnMapError, match="TOML"):
        read_mapped(path, tmp_path)
    with pytest.raises(RecordingError, match="there is none"):
        read_mapped(write_map(tmp_path), tmp_path / "gone")


def streams_of(*rows: int) -> dict[str, SensorStream]:
    rng = np.random.default_rng(1)
    return {
        name: SensorStream(name, 0.5 * k + np.arange(n) / 50, rng.normal(size=(n, 3)), rng.normal(size=(n, 3)), 50.0)
        for k, (name, n) in enumerate(zip(("right_wrist", "sternum"), rows, strict=False))
    }


@pytest.mark.parametrize("chunk_s", [0.033, 0.1, 7.0])
def test_replay_gives_back_every_sample_and_event_once(chunk_s: float) -> None:
    events = (Event(0.0, 1.0, "neutral_pose"), Event(1.0, 0.5, "set"), Event(90.0, 1.0, "set"))
    recording = Recording("spring", "M.K.", "2026-05-04", streams_of(140, 90), events)
    source: Source = RecordingSource(recording, chunk_s)
    chunks: list[Chunk] = list(source.chunks())
    for name, stream in recording.streams.items():
        parts = [chunk.streams[name] for chunk in chunks if name in chunk.streams]
        np.testing.assert_array_equal(np.concatenate([part.time_s for part in parts]), stream.time_s)
        np.testing.assert_array_equal(np.vstack([part.acc_m_s2 for part in parts]), stream.acc_m_s2)
        assert all(np.ptp(part.time_s) < chunk_s for part in parts)
    assert tuple(event for chunk in chunks for event in chunk.events) == events


def test_replay_of_a_wrapped_clock_keeps_the_order_of_rows() -> None:
    stream = streams_of(100)["right_wrist"]
    wrapped = SensorStream("right_wrist", stream.time_s % 1.0, stream.acc_m_s2, stream.gyr_rad_s, 50.0)
    source = RecordingSource(Recording("spring", "M.K.", "2026-05-04", {"right_wrist": wrapped}, ()), 0.1)
    parts = [chunk.streams["right_wrist"] for chunk in source.chunks() if chunk.streams]
    assert len(parts) > 15
    np.testing.assert_array_equal(np.vstack([part.acc_m_s2 for part in parts]), stream.acc_m_s2)


def test_replay_needs_a_length() -> None:
    with pytest.raises(ParameterError):
        RecordingSource(Recording("spring", "M.K.", "2026-05-04", streams_of(5), ()), 0.0)
