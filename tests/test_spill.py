"""Long arrays on the disk: the same numbers as in memory, and little memory."""

from __future__ import annotations

import mmap
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from imu_shoulder import limits, spill
from imu_shoulder.errors import OutputError
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.folder import write_outputs
from imu_shoulder.sources.folder import read_recording

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="elsewhere all is in memory")


@pytest.fixture
def all_long(monkeypatch):
    """Arrays of a thousand rows are long, and are let go of at every chance."""
    monkeypatch.setattr(limits, "LONG_ROWS", 1000)
    monkeypatch.setattr(spill, "LEAST_BYTES", 0)


def is_mapped(values) -> bool:
    while isinstance(values, np.ndarray):
        values = values.base
    return isinstance(values, mmap.mmap)


def file_bytes_held() -> int:
    """Memory that holds contents of files, of programs and of mapped ones. Source: proc(5)."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("RssFile"))


def test_only_what_is_long_lies_on_the_disk(all_long):
    assert not is_mapped(spill.room(999))
    assert is_mapped(spill.room(1000))
    assert is_mapped(spill.room((3, 1000)))


def test_what_is_let_go_of_takes_no_memory_and_is_still_there(all_long):
    values = spill.room((1_000_000, 3))
    values[...] = np.arange(3_000_000).reshape(-1, 3)
    before = file_bytes_held()
    spill.let_go()
    assert before - file_bytes_held() > 0.9 * values.nbytes
    assert (values == np.arange(3_000_000).reshape(-1, 3)).all()


def test_little_is_not_let_go_of(all_long, monkeypatch):
    monkeypatch.setattr(spill, "LEAST_BYTES", 10**12)
    values = spill.room((1_000_000, 3))
    values[...] = 1.0
    before = file_bytes_held()
    spill.let_go()
    assert before - file_bytes_held() < 0.1 * values.nbytes


@pytest.mark.parametrize("order", ["C", "F"])
def test_values_keep_their_order_in_memory(all_long, order):
    values = np.asarray(np.random.default_rng(0).normal(size=(2000, 3)), order=order)
    spilled = spill.spilled(values)
    assert is_mapped(spilled)
    assert spilled.strides == values.strides
    assert (spilled == values).all()
    assert spill.copied(values).flags.c_contiguous


def test_the_parts_are_all_rows_once():
    assert list(spill.parts(10, 4)) == [slice(0, 4), slice(4, 8), slice(8, 10)]
    assert list(spill.parts(0)) == [slice(0, 0)]


def test_the_file_has_no_name_and_lies_where_it_is_told(all_long, tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    values = spill.room(5000)
    assert list(tmp_path.iterdir()) == []
    assert str(tmp_path) in Path("/proc/self/maps").read_text()
    del values
    assert str(tmp_path) not in Path("/proc/self/maps").read_text()


def test_a_disk_without_room_is_one_sentence(all_long):
    with pytest.raises(OutputError, match=r"it cannot be done .* name a folder on another disk in TMPDIR"):
        spill.room(10**15)


def test_an_address_space_without_room_is_no_room_in_memory():
    code = (
        "import resource, numpy\nfrom imu_shoulder import limits, spill\n"
        "limits.LONG_ROWS = 1000\n"
        "used = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize()\n"
        "resource.setrlimit(resource.RLIMIT_AS, (used + 10_000_000, used + 10_000_000))\n"
        "try:\n    spill.room(20_000_000)\nexcept MemoryError:\n    print('said')"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout == "said\n"


def test_results_are_the_same_to_the_byte(small_recording, tmp_path, monkeypatch, request):
    write_outputs(analyse(read_recording(small_recording)), tmp_path / "memory")
    request.getfixturevalue("all_long")
    recording = read_recording(small_recording)
    analysis = analyse(recording)
    assert all(is_mapped(stream.gyr_rad_s) for stream in recording.streams.values())
    assert all(is_mapped(track.acc_m_s2) for track in analysis.aligned.tracks.values())
    assert all(is_mapped(own.quat_earth_from_sensor) for own in analysis.attitudes.values())
    write_outputs(analysis, tmp_path / "disk")
    require_same_files(tmp_path / "disk", tmp_path / "memory")


def require_same_files(one: Path, other: Path) -> None:
    assert sorted(path.name for path in one.iterdir()) == sorted(path.name for path in other.iterdir())
    for path in one.iterdir():
        assert path.read_bytes() == (other / path.name).read_bytes(), path.name


PEAK = """
import sys
from pathlib import Path
from imu_shoulder import limits, spill
limits.LONG_ROWS, spill.LEAST_BYTES = int(sys.argv[2]), 0
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.folder import write_outputs
from imu_shoulder.sources.folder import read_recording
folder = Path(sys.argv[1])
write_outputs(analyse(read_recording(folder)), folder.with_name(f"out-{folder.name}-{sys.argv[2]}"))
lines = Path("/proc/self/status").read_text().splitlines()
print(next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM")))
"""


def test_memory_hardly_grows_with_the_length_and_results_are_the_same(tmp_path):
    """Bytes that each further row of each sensor takes, on the disk and in memory; more than one part of rows."""
    from benchmark_flow import session

    from imu_shoulder.sources.folder import write_recording

    peaks = {}
    for minutes in (1, 12):
        write_recording(session(minutes), tmp_path / str(minutes))
        for least in (1000, 10**9):
            command = [sys.executable, "-c", PEAK, str(tmp_path / str(minutes)), str(least)]
            peaks[minutes, least] = int(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    assert spill.PART_ROWS < 12 * 60 * 100
    require_same_files(tmp_path / "out-12-1000", tmp_path / f"out-12-{10**9}")
    rows = 4 * 11 * 60 * 100
    on_disk, in_memory = ((peaks[12, least] - peaks[1, least]) / rows for least in (1000, 10**9))
    assert on_disk < 100 < 200 < in_memory
