"""What is too much is refused before it is computed, and what is needed is said."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from bad_workspace import run

from imu_shoulder import limits
from imu_shoulder.errors import RecordingError, ShoulderError
from imu_shoulder.sources.possible import require_possible_times

PAGE = Path(__file__).parents[1] / "docs" / "limits.md"


def test_the_page_states_the_limits():
    text = " ".join(PAGE.read_text(encoding="utf-8").split())
    for said in (
        f"{limits.MAX_FILE_BYTES / 1e6:.0f} MB",
        f"{limits.MAX_TOML_BYTES / 1e6:.0f} MB",
        f"{limits.MAX_TABLE_BYTES / 1e6:.0f} MB",
        f"{limits.MAX_JSON_BYTES / 1e6:.0f} MB",
        f"{limits.MAX_HOURS:g} hours",
        f"{limits.MAX_NESTING} deep",
        f"{limits.MAX_NAME_LETTERS} letters",
        f"{limits.MAX_TEXT_LETTERS} letters",
        f"{limits.MAX_COLUMNS} columns",
        f"{limits.MAX_ITEMS} entries",
        f"{limits.MAX_SETS} sets",
        f"{limits.MAX_EVENTS} rows",
        f"{limits.MAX_REPS} reps",
        f"{100 * limits.MOST_RATE_OFF:.0f} %",
        f"{limits.BYTES_PER_ROW} bytes for each sensor and row of the common grid, {limits.BYTES_PER_SAMPLE} for each",
        f"{limits.BYTES_PER_LONG_ROW} bytes for each row and {limits.BYTES_PER_LONG_SAMPLE} for each",
        f"{limits.LONG_ROWS:,} rows",
    ):
        assert said in text


def test_what_does_not_fit_into_memory_is_refused_with_what_is_needed(monkeypatch):
    monkeypatch.setattr(limits, "free_bytes", lambda: 75_000_000)
    with pytest.raises(RecordingError, match="83 MB of free memory for 12000 rows of 5 sensors, but there are 75 MB"):
        limits.require_memory(12_000, [24_000] * 5)
    limits.require_memory(9_000, [18_000] * 5)
    if sys.platform == "linux":
        with pytest.raises(RecordingError, match="163 MB of free memory for 262144 rows of 5 sensors"):
            limits.require_memory(limits.LONG_ROWS, [2 * limits.LONG_ROWS] * 5)
    monkeypatch.setattr(limits, "free_bytes", lambda: None)
    limits.require_memory(10**9, [10**9] * 5)


def test_an_analysis_of_too_much_says_what_it_needs(small_recording, tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "free_bytes", lambda: 1_000_000)
    found = run(f"analyse {small_recording} --out {tmp_path / 'out'}")
    assert found.exit_code == 2
    assert "MB of free memory" in found.stderr
    assert not (tmp_path / "out").exists()


def test_memory_that_runs_out_all_the_same_is_one_sentence(small_recording, tmp_path):
    """A limit of the operating system on the address space, hidden from the check."""
    code = (
        "import resource, pandas, scipy.signal, vqf, pyarrow.parquet, imu_shoulder.pipeline\n"
        "from imu_shoulder import limits\n"
        "limits.free_bytes = lambda: None\n"
        "resource.setrlimit(resource.RLIMIT_AS, (limit := int(open('/proc/self/statm').read().split()[0]) * "
        "resource.getpagesize() + 3_000_000, limit))\n"
        "from imu_shoulder.cli import main\nmain()"
    )
    command = [sys.executable, "-c", code, "analyse", str(small_recording), "--out", str(tmp_path / "out")]
    found = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert found.returncode == 2, found.stderr
    assert found.stderr.startswith("Error: expected enough free memory, but it ran out")
    assert found.stderr.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_free_memory_is_known_here():
    if sys.platform == "linux":
        assert limits.free_bytes() > 10_000_000


STEADY_S = np.arange(3000) / 100.0


@pytest.mark.parametrize("off", [1.2, 0.85])
def test_a_rate_within_the_share_is_taken(off):
    require_possible_times(STEADY_S, 100.0 * off, "a.csv")


@pytest.mark.parametrize("off", [1.4, 0.7, 2.0, 100.0])
def test_a_rate_beyond_it_is_refused_with_both(off):
    with pytest.raises(RecordingError, match=rf"declared {100 * off:g} Hz.* but its times say 100 Hz"):
        require_possible_times(STEADY_S, 100.0 * off, "a.csv")


def test_stamps_of_packets_jitter_holes_and_a_counter_that_runs_over_are_no_other_rate():
    rng = np.random.default_rng(9000)
    packets = np.repeat(STEADY_S[::8], 8)
    lossy = STEADY_S[rng.random(3000) > 0.3]
    hole = np.where(STEADY_S > 12, STEADY_S + 1800, STEADY_S)
    wrapped = STEADY_S % 16.0
    for time_s in (packets, lossy, hole, wrapped, STEADY_S + rng.normal(0, 0.002, 3000), STEADY_S + 1.7e9):
        require_possible_times(time_s, 100.0, "a.csv")


@pytest.mark.parametrize(("times", "unit"), [(1e3, "milliseconds"), (1e6, "microseconds"), (1e9, "nanoseconds")])
def test_another_unit_is_named(times, unit):
    with pytest.raises(RecordingError, match=f"as if they counted {unit}"):
        require_possible_times(STEADY_S * times, 100.0, "a.csv")


@pytest.mark.parametrize("row", [1, 1500, 2999])
def test_time_that_cannot_be_is_told_by_its_row(row):
    time_s = np.where(np.arange(3000) >= row, STEADY_S + 86_400, STEADY_S)
    with pytest.raises(RecordingError, match=rf"at most 12 hours in a.csv.*24.0 hours pass between rows {row} and"):
        require_possible_times(time_s, 100.0, "a.csv")


def test_a_message_is_one_line_of_bounded_length():
    told = str(ShoulderError("a\nb" * 1000, "c" * 10_000, "d"))
    assert "\n" not in told
    assert len(told) < 1500
