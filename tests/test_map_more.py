"""More layouts, tried after `map` was there; what it asks on a terminal; and the files it passes over."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from foreign_layouts import DEG, EPOCH_S, _lines, _parts, _put, _stamps, _text, _whole, truth
from test_map import first_row_s, run, sensors

from imu_shoulder.cli import map as command
from imu_shoulder.sources.column_map import read_mapped
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

WRIST, UPPER = "right_wrist", "right_upper_arm"
PLAIN = "time,acc_x,acc_y,acc_z,gyr_x,gyr_y,gyr_z\n"
NAMED = ("--placement", "1=right_wrist")
LAYOUTS: dict[str, tuple[Callable[[Path], object], tuple[str, ...]]] = {}


def layout(*options: str) -> Callable[[Callable[[Path], object]], Callable[[Path], object]]:
    def keep(write: Callable[[Path], object]) -> Callable[[Path], object]:
        LAYOUTS[write.__name__] = write, options
        return write

    return keep


def table(time: list[str], acc: np.ndarray, gyr: np.ndarray, decimals: int = 5) -> str:
    return _lines(time, *(_text(column, decimals) for column in (*acc.T, *gyr.T)))


@layout()
def gravity_apart(folder):
    time_s, acc, gyr = _parts(WRIST)
    pull = np.column_stack([np.convolve(np.pad(c, 37, mode="edge"), np.ones(75) / 75, "valid") for c in acc.T])
    names = [f"{what}{axis}" for what in ("rotationRate", "gravity", "acceleration") for axis in "XYZ"]
    parts = np.hstack([gyr, pull / STANDARD_GRAVITY_M_S2, (acc - pull) / STANDARD_GRAVITY_M_S2])
    text = ",".join(["seconds_elapsed", *names]) + "\n" + _lines(_text(time_s, 6), *(_text(c, 7) for c in parts.T))
    _put(folder / "right" / "wrist.csv", text)


@layout()
def clocks_that_begin_at_nought(folder):
    """Two devices, switched on 3.7 s after each other, each with files of its own in a folder of its own."""
    for placement, name, late_s in ((WRIST, "right wrist", 0.0), (UPPER, "right upper arm", 3.7)):
        time_s, acc, gyr = _parts(placement)
        rows = time_s >= late_s
        own = _text(time_s[rows] - time_s[rows][0], 6)
        for what, unit, values in (("Acceleration", "m/s^2", acc), ("Gyroscope", "rad/s", gyr)):
            header = ",".join(['"Time (s)"', *(f'"{what} {axis} ({unit})"' for axis in "xyz")]) + "\n"
            _put(folder / name / f"{what}.csv", header + _lines(own, *(_text(c, 6) for c in values[rows].T)))


@layout()
def umlauts_and_commas(folder):
    time_s, acc, gyr = _parts(WRIST)
    names = [f"Beschleunigung {axis} [m/s²]" for axis in "XYZ"] + [f"Drehrate {axis} [°/s]" for axis in "XYZ"]
    cells = [[text.replace(".", ",") for text in _text(c, 4)] for c in (*acc.T, *(gyr * DEG).T)]
    rows = _lines(_stamps(time_s, "%d.%m.%Y %H:%M:%S,%f", 3), *cells, delimiter=";")
    head = "Messung;Test\n\n" + ";".join(["Zeit", *names]) + "\n"
    _put(folder / "Handgelenk rechts.csv", head + rows, "latin-1")


@layout("--placement", "log.csv=right_wrist")
def counts_without_a_word(folder):
    time_s, acc, gyr = _parts(WRIST)
    columns = [_whole(c / STANDARD_GRAVITY_M_S2 * 8192) for c in acc.T] + [_whole(c * DEG * 32.768) for c in gyr.T]
    _put(folder / "log.csv", "t,ax,ay,az,gx,gy,gz\n" + _lines(_text(time_s + EPOCH_S, 3), *columns))


@layout()
def one_after_the_other(folder):
    rows = ""
    for placement, name in ((WRIST, "RWrist"), (UPPER, "RUpperArm")):
        time_s, acc, gyr = _parts(placement)
        stamped = table(_whole(time_s * 1e6), acc, gyr).splitlines()
        rows += "".join(f"{name},{line}\n" for line in stamped)
    _put(folder / "long.csv", "sensor,timestamp_us,ax,ay,az,gx,gy,gz\n" + rows)


@layout(*NAMED)
def a_chip_turned_on_its_board(folder):
    time_s, acc, gyr = _parts(WRIST)
    _put(folder / "a.csv", PLAIN + table(_text(time_s, 4), acc[:, [1, 0, 2]] * [1, -1, 1], gyr))


@layout("--rate", "50", *NAMED)
def ticks_of_a_clock(folder):
    time_s, acc, gyr = _parts(WRIST)
    _put(folder / "a.csv", PLAIN.replace("time", "timestamp") + table(_whole(time_s * 32768), acc, gyr))


@layout()
def beginning_and_rate_in_rows(folder):
    _, acc, gyr = _parts(WRIST)
    for name, values in (("ACC", acc / STANDARD_GRAVITY_M_S2 * 64), ("GYRO", gyr * DEG)):
        head = f"{EPOCH_S:.6f},{EPOCH_S:.6f},{EPOCH_S:.6f}\n50.0,50.0,50.0\n"
        rows = _lines(*((_whole if name == "ACC" else lambda c: _text(c, 2))(c) for c in values.T))
        _put(folder / "right wrist" / f"{name}.csv", head + rows)


@layout(*NAMED)
def robots_words(folder):
    time_s, acc, gyr = _parts(WRIST)
    names = [f"field.{what}.{axis}" for what in ("angular_velocity", "linear_acceleration") for axis in "xyz"]
    stamps = [str(round((t + EPOCH_S) * 1e9)) for t in time_s]
    rows = _lines(stamps, _whole(np.arange(len(stamps))), *(_text(c, 5) for c in (*gyr.T, *acc.T)))
    _put(folder / "imu.csv", ",".join(["%time", "field.header.seq", *names]) + "\n" + rows)


@pytest.mark.parametrize("name", LAYOUTS)
def test_more_layouts_come_out_right(name, tmp_path):
    write, options = LAYOUTS[name]
    write(tmp_path)
    said = run(["map", str(tmp_path), "--out", str(tmp_path / "map.toml"), "--yes", *options])
    assert said.exit_code == 0, said.output
    streams = read_mapped(tmp_path / "map.toml").streams
    begins_s = first_row_s(streams[WRIST])
    for placement, came in streams.items():
        true = truth().streams[placement]
        for values, wanted, off in (
            (came.acc_m_s2, true.acc_m_s2, 0.12),
            (came.gyr_rad_s, true.gyr_rad_s, 0.02),
        ):
            at = np.column_stack([np.interp(came.time_s + begins_s, true.time_s, column) for column in wanted.T])
            assert np.abs(values - at).mean() < off, placement


def test_what_a_turned_chip_and_a_clock_apart_are_drafted_as(tmp_path):
    a_chip_turned_on_its_board(tmp_path)
    said = run(["map", str(tmp_path), "--out", str(tmp_path / "map.toml"), "--yes", *NAMED])
    assert sensors(tmp_path)[WRIST]["acc_axes"] == ["-y", "x", "z"]
    assert "axes are not its gyroscope's" in said.output
    clocks_that_begin_at_nought(tmp_path / "two")
    run(["map", str(tmp_path / "two"), "--out", str(tmp_path / "two" / "map.toml"), "--yes"])
    found = sensors(tmp_path / "two")
    apart_s = found[UPPER].get("offset_s", 0.0) - found[WRIST].get("offset_s", 0.0)
    assert apart_s == pytest.approx(3.7, abs=0.05)


@pytest.mark.parametrize("options", [(), ("--gyr-unit", "rad/s")])
def test_a_chip_that_is_turned_has_not_up_for_down(tmp_path, options):
    a_chip_turned_on_its_board(tmp_path)
    (tmp_path / "a.csv").rename(tmp_path / f"{WRIST}.csv")
    time_s, acc, gyr = _parts(UPPER)
    _put(tmp_path / f"{UPPER}.csv", PLAIN + table(_text(time_s, 4), acc, gyr))
    said = run(["map", str(tmp_path), "--out", str(tmp_path / "map.toml"), "--yes", *options])
    found = sensors(tmp_path)
    assert found[WRIST]["acc_axes"] == ["-y", "x", "z"]
    assert "acc_axes" not in found[UPPER]
    assert "up for down" not in said.output


def test_on_a_terminal_it_asks_and_wants_a_yes(tmp_path, monkeypatch):
    monkeypatch.setattr(command, "can_ask", lambda: True)
    time_s, acc, gyr = _parts(WRIST)
    _put(tmp_path / "a.csv", PLAIN.replace("time", "count") + table(_whole(np.arange(len(time_s)) + 1.0), acc, gyr))
    words = ["map", str(tmp_path / "a.csv"), "--out", str(tmp_path / "map.toml")]
    said = run(words, "50\nright_wrist\nn\n")
    assert said.exit_code == 2
    assert "was not written" in said.output
    assert not (tmp_path / "map.toml").exists()
    said = run(words, "50\nnose\nright_wrist\ny\n")
    assert said.exit_code == 0, said.output
    assert sensors(tmp_path)[WRIST]["sample_rate_hz"] == 50


def test_contradictions_are_asked_and_an_answer_is_taken(tmp_path):
    """A header that says rad/s over numbers in deg/s."""
    time_s, acc, gyr = _parts(WRIST)
    text = PLAIN.replace("gyr_x", "gyr_x (rad/s)") + table(_text(time_s, 4), acc, gyr * DEG)
    words = ["map", str(_put(tmp_path / "right_wrist.csv", text)), "--out", str(tmp_path / "map.toml"), "--yes"]
    said = run(words)
    assert said.exit_code == 2
    assert "says rad/s" in said.output
    assert run([*words, "--gyr-unit", "deg/s"]).exit_code == 0
    assert sensors(tmp_path)[WRIST]["gyr_unit"] == "deg/s"


def test_what_is_no_table_is_passed_over_and_said(tmp_path):
    time_s, acc, gyr = _parts(WRIST)
    _put(tmp_path / "right_wrist.csv", PLAIN + table(_text(time_s, 4), acc, gyr))
    _put(tmp_path / "notes.txt", "felt good\n" * 20)
    with zipfile.ZipFile(tmp_path / "more.zip", "w") as packed:
        packed.writestr("readme.txt", "nothing")
    _put(tmp_path / "events.tsv", "onset\tduration\ttrial_type\tdrill\tside\n1\t3\tneutral_pose\tn/a\tn/a\n")
    said = run(["map", str(tmp_path), "--out", str(tmp_path / "map.toml"), "--yes"])
    assert said.exit_code == 0, said.output
    assert "Passed over: notes.txt" in said.output
    assert "Passed over: more.zip/readme.txt" in said.output
    assert read_mapped(tmp_path / "map.toml").events[0].trial_type == "neutral_pose"


def test_an_instrument_that_is_left_over_is_said(tmp_path):
    time_s, acc, gyr = _parts(WRIST)
    _put(tmp_path / "right_wrist.csv", PLAIN + table(_text(time_s, 4), acc, gyr))
    stray = _lines(_text(time_s, 4), *(_text(c, 5) for c in _parts(UPPER)[1].T))
    _put(tmp_path / "left_upper_arm_acc.csv", "time,acc_x,acc_y,acc_z\n" + stray)
    said = run(["map", str(tmp_path), "--out", str(tmp_path / "map.toml"), "--yes"])
    assert said.exit_code == 0, said.output
    assert "Passed over: left_upper_arm_acc.csv: it cannot be told which gyroscope" in said.output


def test_a_map_that_was_corrected_by_hand_is_kept(tmp_path):
    time_s, acc, gyr = _parts(WRIST)
    path = _put(tmp_path / "right_wrist.csv", PLAIN + table(_text(time_s, 4), acc, gyr))
    words = ["map", str(path), "--out", str(tmp_path / "map.toml"), "--yes"]
    run(words)
    assert "kept" not in run(words).output
    draft = (tmp_path / "map.toml").read_text()
    for name in ("map.1.toml", "map.2.toml"):
        (tmp_path / "map.toml").write_text(f"{draft}# {name}\n")
        assert name in run(words).output
        assert (tmp_path / "map.toml").read_text() == draft
    for name in ("map.1.toml", "map.2.toml"):
        assert (tmp_path / name).read_text() == f"{draft}# {name}\n"


def test_an_office_document_is_named(tmp_path):
    with zipfile.ZipFile(tmp_path / "right_wrist.xlsx", "w") as packed:
        packed.writestr("[Content_Types].xml", "<a/>")
    said = run(["map", str(tmp_path / "right_wrist.xlsx"), "--yes"])
    assert said.exit_code == 2
    assert "save it as CSV" in said.output
