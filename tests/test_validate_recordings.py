"""Pairing with readings and continuous references, their report, and what bad input is told."""

import csv
import json
from pathlib import Path

import ezc3d
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from imu_shoulder.cli import cli
from imu_shoulder.errors import RecordingError
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import Athlete, simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.sources.folder import write_recording
from imu_shoulder.validate.pairing import PairParams, our_series, pair_readings, pair_series
from imu_shoulder.validate.reference import Reading, read_reference
from imu_shoulder.validate.series import Series, find_lag, read_series, values_at

NAMES = ("M.K.", "T.S.", "A.B.")


@pytest.fixture(scope="module")
def simulated():
    return [simulate(drill_scenario("full_can", athlete=Athlete(n), reps=4), k + 1) for k, n in enumerate(NAMES)]


@pytest.fixture(scope="module")
def analysis(simulated):
    return analyse(simulated[0].recording)


def true_elevation(found, at_s):
    return np.interp(at_s, found.truth.time_s, found.truth.angles["right"]["elevation_deg"])


def readings_csv(found, seed, bias_deg=0.0, raters=("R1", "R2")):
    """At every top and before every rep, by each rater, to whole degrees as a goniometer is read."""
    rng, lines = np.random.default_rng(seed), ["time_s,angle,side,reading_deg,rater,position"]
    for k, rep in enumerate(found.truth.reps, start=1):
        for name, at_s in ((f"top{k}", (rep.top_start_s + rep.top_end_s) / 2), (f"start{k}", rep.start_s - 0.4)):
            value = true_elevation(found, at_s)
            lines += [
                f"{at_s:.2f},elevation,right,{round(value + bias_deg + rng.normal(0, 2))},{rater},{name}"
                for rater in raters
            ]
    return "\n".join(lines) + "\n"


@pytest.fixture
def folders(simulated, tmp_path):
    made = []
    for k, found in enumerate(simulated):
        made.append(tmp_path / f"session_{k}")
        write_recording(found.recording, made[-1], reference_csv=readings_csv(found, k, bias_deg=4.0))
    return made


def run(*arguments):
    return CliRunner().invoke(cli, ["validate", *map(str, arguments)])


class TestLag:
    @pytest.mark.parametrize("lag_s", [0.137, -0.137, 1.905])
    def test_known_lag_is_found(self, analysis, lag_s):
        ours = our_series(analysis)
        rng = np.random.default_rng(3)
        time_s = np.arange(ours.time_s[0] + 3, ours.time_s[-1] - 3, 1 / 120)
        wanted = ("right_elevation_deg", "right_elbow_deg")
        values = {n: 3.0 + values_at(ours, n, time_s - lag_s) + rng.normal(0, 0.5, len(time_s)) for n in wanted}
        found = find_lag(ours, Series(time_s, values))
        assert found.lag_s == pytest.approx(lag_s, abs=0.005)
        assert found.correlation > 0.9
        assert np.nanmax(np.abs(np.array(found.by_third_s) - lag_s)) < 0.02

    def test_clock_that_runs_away_shows_in_the_thirds(self, analysis):
        ours = our_series(analysis)
        name = "right_elevation_deg"
        reference = Series(ours.time_s * 1.001, {name: ours.values[name]})
        thirds = np.array(find_lag(ours, reference).by_third_s)
        assert np.nanmax(thirds) - np.nanmin(thirds) > 0.03

    def test_no_common_movement(self, analysis):
        ours = our_series(analysis)
        other = 40 * np.sin(7 * ours.time_s**1.2)
        with pytest.raises(RecordingError, match="correlate by"):
            find_lag(ours, Series(ours.time_s, {"right_elevation_deg": other}))

    def test_no_overlap(self, analysis):
        ours = our_series(analysis)
        with pytest.raises(RecordingError, match="overlaps the recording"):
            find_lag(ours, Series(ours.time_s + 9000, {"right_elevation_deg": ours.values["right_elevation_deg"]}))

    def test_nothing_moves(self, analysis):
        ours = our_series(analysis)
        with pytest.raises(RecordingError, match="none does"):
            find_lag(ours, Series(ours.time_s, {"right_elevation_deg": np.full(len(ours.time_s), 30.0)}))


class TestSeries:
    def test_against_the_truth(self, simulated, analysis):
        """The simulator's truth, 137 ms late, as an optical system would give it at 120 Hz with a hidden stretch."""
        truth = simulated[0].truth
        time_s = np.arange(2.0, truth.time_s[-1] - 2, 1 / 120)
        values = np.interp(time_s, truth.time_s, truth.angles["right"]["elevation_deg"])
        values[1000:1600] = np.nan
        reference = Series(time_s + 0.137, {"right_elevation_deg": values})
        pairs, compared, lag = pair_series(analysis, reference, PairParams())
        # Within a sample of 100 Hz: the attitude itself may be half a sample early.
        assert lag.lag_s == pytest.approx(0.137, abs=0.010)
        (row,) = compared
        assert row.parts.rmse**2 == pytest.approx(row.parts.bias**2 + row.parts.sd**2)
        assert row.seconds == pytest.approx(truth.time_s[-1] - 4 - 5, abs=0.5)
        assert row.cmc > 0.95
        steps = np.diff(pairs["time_s"])
        assert steps.min() == pytest.approx(1.0, abs=0.02)
        assert steps.max() > 5.0, "the hidden stretch stays empty"

    def test_gaps_are_not_bridged(self):
        series = Series(np.array([0.0, 0.01, 0.02, 1.0, 1.01]), {"right_elbow_deg": np.array([0.0, 1, 2, 3, 4])})
        found = values_at(series, "right_elbow_deg", np.array([0.015, 0.5, 1.005, 2.0]))
        assert np.isfinite(found).tolist() == [True, False, True, False]

    def test_radians_are_refused(self, simulated, analysis):
        truth = simulated[0].truth
        reference = Series(truth.time_s, {"right_elevation_deg": np.radians(truth.angles["right"]["elevation_deg"])})
        with pytest.raises(RecordingError, match="convert radians to degrees"):
            pair_series(analysis, reference, PairParams())

    @pytest.mark.parametrize("unit", ["deg", "rad"])
    def test_c3d_points_of_our_names(self, tmp_path, unit):
        """Written by ezc3d itself: one angle, one marker, one frame not seen."""
        file = ezc3d.c3d()
        file["parameters"]["POINT"]["RATE"]["value"] = [120.0]
        file["parameters"]["POINT"]["LABELS"]["value"] = ("right_elevation_deg", "acromion")
        file.add_parameter("POINT", "ANGLE_UNITS", [unit])
        points = np.ones((4, 2, 60))
        points[0, 0] = np.linspace(0, 90, 60)
        points[0, 0, 10] = np.nan
        file["data"]["points"] = points
        path = tmp_path / "reference.c3d"
        file.write(str(path))
        if unit == "rad":
            with pytest.raises(RecordingError, match="export in degrees"):
                read_series(path)
            return
        found = read_series(path)
        assert list(found.values) == ["right_elevation_deg"]
        assert found.time_s[-1] == pytest.approx(59 / 120)
        np.testing.assert_allclose(found.values["right_elevation_deg"], points[0, 0], atol=1e-4)

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("time_s,elevation\n0,1\n", "rename the columns"),
            ("time_s,right_elevation_deg\n0,1\n0,2\n", "increase"),
            ("time_s,right_elevation_deg\n0,one\n1,two\n", "there is text"),
        ],
    )
    def test_bad_tables(self, tmp_path, text, words):
        path = tmp_path / "reference_series.csv"
        path.write_text(text)
        with pytest.raises(RecordingError, match=words):
            read_series(path)


class TestReadings:
    def test_pairs_take_the_median_around_the_reading(self, simulated, analysis):
        rep = simulated[0].truth.reps[1]
        at_s = (rep.top_start_s + rep.top_end_s) / 2
        table = pair_readings(analysis, [Reading(at_s, "elevation_deg", "right", 90.0)], PairParams())
        assert table.at[0, "left_out"] == ""
        assert table.at[0, "ours_deg"] == pytest.approx(true_elevation(simulated[0], at_s), abs=5.0)
        assert table.at[0, "difference_deg"] == pytest.approx(table.at[0, "ours_deg"] - 90.0)

    def test_reasons_for_leaving_out(self, simulated, analysis):
        rep = simulated[0].truth.reps[1]
        readings = [
            Reading(9999.0, "elevation_deg", "right", 90.0),
            Reading(rep.start_s + 0.9, "elevation_deg", "right", 45.0),
            Reading(rep.start_s - 0.5, "plane_deg", "right", 30.0),
        ]
        reasons = pair_readings(analysis, readings, PairParams())["left_out"].tolist()
        assert reasons[0] == "outside the recording"
        assert reasons[1].startswith("the arm moved more than 10 deg")
        assert reasons[2] == "the angle was not seen or not defined then"

    def test_a_pair_is_left_out_where_the_arm_moved_by_10_deg_within_half_a_second_of_it(self, simulated, analysis):
        """PairParams: at many moments of a lift, against the angle itself."""
        ours, lift = our_series(analysis), simulated[0].truth.reps[1]
        times = np.arange(lift.start_s - 1.0, lift.top_start_s + 1.0, 0.1)
        table = pair_readings(analysis, [Reading(t, "elevation_deg", "right", 45.0) for t in times], PairParams())
        values = ours.values["right_elevation_deg"]
        moved = [np.ptp(values[np.abs(ours.time_s - t) <= 0.5]) for t in times]
        assert any(10 < size < 20 for size in moved)
        said = [text.startswith("the arm moved more than 10 deg") for text in table["left_out"]]
        assert said == [bool(size > 10) for size in moved]

    def test_an_angle_without_its_sensor(self, simulated):
        scenario = drill_scenario("full_can", reps=3, placements=("right_upper_arm",))
        alone = analyse(simulate(scenario, 1).recording)
        table = pair_readings(alone, [Reading(20.0, "elbow_deg", "right", 10.0)], PairParams())
        assert table.at[0, "left_out"] == "this recording does not give that angle"

    def test_radians_are_refused(self, simulated, analysis):
        tops = [(r.top_start_s + r.top_end_s) / 2 for r in simulated[0].truth.reps]
        readings = [Reading(t, "elevation_deg", "right", 1.55 + 0.01 * k) for k, t in enumerate(tops)]
        with pytest.raises(RecordingError, match="reading_deg in degrees"):
            pair_readings(analysis, readings, PairParams())

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("time_s,angle,side\n1,elevation,right\n", "reading_deg is missing"),
            ("time_s,angle,side,reading_deg,colour\n1,elevation,right,90,red\n", "'colour'"),
            ("time_s,angle,side,reading_deg\n", "only a header"),
            ("time_s,angle,side,reading_deg\n1,knee,right,90\n", "row 2, column angle"),
            ("time_s,angle,side,reading_deg\n1,elevation,middle,90\n", "row 2, column side"),
            ("time_s,angle,side,reading_deg\n1,elevation,right,9O\n", "row 2, column reading_deg"),
            ("time_s,angle,side,reading_deg\n1,elevation,right,900\n", "within 360 deg"),
        ],
    )
    def test_bad_files(self, tmp_path, text, words):
        path = tmp_path / "reference.csv"
        path.write_text(text)
        with pytest.raises(RecordingError, match=words):
            read_reference(path)


class TestCommand:
    def test_known_bias_comes_back_in_all_outputs(self, folders, tmp_path):
        out = tmp_path / "out"
        result = run(*folders, "--out", out, "--inter-rater")
        assert result.exit_code == 0, result.output
        table = pd.read_csv(out / "agreement.csv").set_index(["source", "angle", "side", "statistic"])
        bias = table.loc[("reading", "elevation", "right", "bias")]
        # Readings lie 4 deg over the truth: the rest is our own error against the truth, a few degrees.
        assert -8.0 < bias["value"] < -2.0
        assert bias["ci95_low"] < bias["value"] < bias["ci95_high"]
        assert bias["persons"] == 3
        assert bias["pairs"] == 3 * 8 * 2
        assert "2007" in bias["method"]
        assert ("raters", "elevation", "right", "icc_2_1") in table.index
        page = (out / "report.html").read_text(encoding="utf-8")
        assert "Within 5 deg for 95 % of readings" in page
        assert page.count("<img") == 4
        assert "<script" not in page
        assert "http" not in page.replace("http-equiv", "")
        came_from = json.loads((out / "origin.json").read_text())
        assert set(came_from["inputs_sha256"]) == {"session_0", "session_1", "session_2"}
        assert "reference.csv" in came_from["inputs_sha256"]["session_0"]
        assert "statsmodels" in came_from["versions"]
        assert "nan" not in result.output

    def test_same_input_gives_the_same_bytes(self, folders, tmp_path):
        for name in ("one", "two"):
            assert run(folders[0], folders[1], "--out", tmp_path / name).exit_code == 0
        for path in (tmp_path / "one").iterdir():
            assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name

    def test_fewer_than_three_pairs(self, folders, tmp_path):
        rows = (folders[0] / "reference.csv").read_text().splitlines()
        (folders[0] / "reference.csv").write_text("\n".join(rows[:3]) + "\n")
        result = run(folders[0], "--out", tmp_path / "out")
        assert result.exit_code == 0
        assert "Too few pairs: there are 2" in result.output
        assert "nan" not in (tmp_path / "out" / "agreement.csv").read_text()

    def test_one_person_gets_no_limits(self, folders, tmp_path):
        result = run(folders[0], "--out", tmp_path / "out")
        assert "All pairs are from one person" in result.output
        statistics = {row["statistic"] for row in csv.DictReader((tmp_path / "out" / "agreement.csv").open())}
        assert statistics == {"rmse", "rmse_bias_part", "rmse_sd_part"}

    def test_constant_readings(self, folders, tmp_path):
        for folder in folders:
            table = pd.read_csv(folder / "reference.csv")
            table[table["position"].str.startswith("top")].assign(reading_deg=90).to_csv(
                folder / "reference.csv", index=False
            )
        result = run(*folders, "--out", tmp_path / "out")
        assert result.exit_code == 0
        page = (tmp_path / "out" / "report.html").read_text()
        assert "one method always reads the same" in page
        assert "nan" not in (tmp_path / "out" / "agreement.csv").read_text()

    def test_one_rater_where_two_are_asked(self, simulated, tmp_path):
        folder = tmp_path / "session"
        write_recording(simulated[0].recording, folder, reference_csv=readings_csv(simulated[0], 0, raters=("R1",)))
        result = run(folder, "--out", tmp_path / "out", "--inter-rater")
        assert result.exit_code == 2
        assert "there is one, R1" in result.output

    def test_all_outside_and_no_reference(self, simulated, tmp_path):
        folder, bare = tmp_path / "session", tmp_path / "bare"
        write_recording(
            simulated[0].recording, folder, reference_csv="time_s,angle,side,reading_deg\n9000,elevation,right,90\n"
        )
        write_recording(simulated[0].recording, bare)
        result = run(folder, "--out", tmp_path / "out")
        assert (result.exit_code, "outside the recording" in result.output) == (2, True)
        result = run(bare, "--out", tmp_path / "out")
        assert (result.exit_code, "none of the folders has one" in result.output) == (2, True)
        assert not Path(tmp_path / "out").exists()

    def test_negative_cmc_is_a_sentence(self, simulated, tmp_path):
        folder = tmp_path / "session"
        write_recording(simulated[0].recording, folder)
        truth = simulated[0].truth
        elevation = truth.angles["right"]["elevation_deg"]
        pd.DataFrame({"time_s": truth.time_s, "right_elevation_deg": 150 - elevation}).to_csv(
            folder / "reference_series.csv", index=False
        )
        result = run(folder, "--out", tmp_path / "out", "--lag", "0")
        assert result.exit_code == 0, result.output
        assert "the root of a negative number is no result" in (tmp_path / "out" / "report.html").read_text()
        (row,) = csv.DictReader((tmp_path / "out" / "series.csv").open())
        assert row["cmc"] == ""


def test_a_foreign_recording_is_compared_as_a_folder_is(simulated, folders, tmp_path):
    """By its column map; the reference lies beside it. Two files with one reference are refused."""
    found, (folder, other, *_) = simulated[0].recording, folders
    lines = ["schema = 1", f'athlete = "{found.athlete}"', f'start = "{found.start}"', 'events = "events.tsv"']
    for name, stream in found.streams.items():
        lines += ["[[sensor]]", f'placement = "{name}"', f'file = "{name}.csv"']
        lines += [f"sample_rate_hz = {stream.declared_rate_hz}", 'acc_unit = "m/s^2"', 'gyr_unit = "rad/s"']
        lines += [f"{kind}_columns = {[f'{kind}_{axis}' for axis in 'xyz']}" for kind in ("acc", "gyr")]
    table = ["[table]", 'time_column = "time_s"', 'time_unit = "s"']
    (folder / "map.toml").write_text("\n".join([*lines[:4], *table, *lines[4:]]))
    outs = [tmp_path / name for name in ("folder", "map", "files")]
    assert run(folder, "--out", outs[0]).exit_code == 0
    result = run(folder / "map.toml", "--out", outs[1])
    assert result.exit_code == 0, result.output
    result = run(folder, "--map", folder / "map.toml", "--out", outs[2])
    assert result.exit_code == 0, result.output
    same = [pd.read_csv(out / "agreement.csv") for out in outs]
    for own in same[1:]:
        pd.testing.assert_frame_equal(own, same[0], atol=0.05)
    result = run(folder / "map.toml", folder, other, "--out", tmp_path / "twice")
    assert result.exit_code == 2
    assert "folder of its own" in result.output
