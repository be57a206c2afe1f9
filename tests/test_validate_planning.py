"""Filter comparison, power by simulation, the methods text, results read back, and the commands around them."""

import json
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from imu_shoulder.cli import cli
from imu_shoulder.errors import ParameterError
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.folder import write_outputs
from imu_shoulder.report.words import HOW_CHECKED
from imu_shoulder.simulate import PERFECT_SENSOR, simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.simulate.truth import write_truth
from imu_shoulder.sources.folder import read_recording, write_recording
from imu_shoulder.validate.paper import methods_text
from imu_shoulder.validate.power import power_by_simulation
from imu_shoulder.validate.results import read_results

BIBLIOGRAPHY = Path(__file__).parents[1] / "docs" / "references.bib"


def run(*arguments):
    return CliRunner().invoke(cli, [str(argument) for argument in arguments])


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("simulated") / "session"
    found = simulate(drill_scenario("full_can", reps=3, placements=("right_wrist", "right_upper_arm")), 2)
    write_recording(found.recording, made)
    write_truth(found.truth, made)
    return made


@pytest.fixture(scope="module")
def results(folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("results")
    write_outputs(analyse(read_recording(folder)), out)
    return out


class TestCompareFilters:
    def test_rmse_is_that_of_the_written_angles(self, folder, results, tmp_path):
        found = run("compare-filters", folder, "--out", tmp_path)
        assert found.exit_code == 0, found.output
        table = pd.read_csv(tmp_path / "filters.csv")
        assert set(table["method"]) == {"vqf", "madgwick", "mahony", "ekf"}
        np.testing.assert_allclose(table["rmse_deg"] ** 2, table["bias_deg"] ** 2 + table["sd_deg"] ** 2, rtol=1e-4)
        # By hand, from what analyse wrote with vqf: elevation after the pose against the truth.
        angles, truth = pd.read_parquet(results / "angles.parquet"), pd.read_parquet(folder / "true_angles.parquet")
        pose_end = next(e.end_s for e in read_recording(folder).events if e.trial_type == "neutral_pose")
        true = np.interp(angles["time_s"], truth["time_s"], truth["right_elevation_deg"])
        difference = (angles["right_elevation_deg"] - true)[(angles["time_s"] > pose_end)]
        row = table[(table["method"] == "vqf") & (table["side"] == "right") & (table["angle"] == "elevation")]
        assert row["rmse_deg"].item() == pytest.approx(np.sqrt(np.nanmean(difference**2)), rel=0.02)

    def test_no_truth(self, folder, tmp_path):
        bare = tmp_path / "bare"
        write_recording(read_recording(folder), bare)
        found = run("compare-filters", bare)
        assert (found.exit_code, "imu-shoulder simulate" in found.output) == (2, True)


class TestPower:
    def test_large_changes_are_seen_and_none_is_not(self):
        found = power_by_simulation("arc_deg", sessions=4, reps=3, sensor=PERFECT_SENSOR)
        assert found.mdc95 == pytest.approx(1.959964 * 2**0.5 * found.session_sd)
        seen = [step.seen for step in found.steps]
        assert seen == sorted(seen)
        assert seen[-1] == pytest.approx(8.0, abs=2.5)
        assert found.steps[-1].power >= found.steps[0].power

    def test_drills_it_cannot_do(self):
        with pytest.raises(ParameterError, match="has none"):
            power_by_simulation("hold_sd_deg", "overhead_short_arc")
        with pytest.raises(ParameterError, match="is not one"):
            power_by_simulation("arc_deg", "band_external_rotation")
        with pytest.raises(ParameterError, match="there are 2"):
            power_by_simulation("arc_deg", sessions=2)


class TestPlanStudy:
    def test_numbers(self):
        found = run("plan-study", "--sd", 4, "--half-width", 2)
        # t sqrt(3 s^2/n): with t 2.01, 16 x 3 x 4.04 / 4 is 48.5.
        assert re.match(r"(48|49|50) persons", found.output)

    def test_impossible_and_incomplete(self):
        found = run("plan-study", "--sd", 4, "--within", 5)
        assert (found.exit_code, "no number of persons" in found.output) == (2, True)
        assert run("plan-study", "--sd", 4).exit_code == 2


class TestReport:
    def test_paper_has_exact_parameters_and_known_references(self, results, tmp_path):
        found = run("report", results, "--paper", "--out", tmp_path)
        assert found.exit_code == 0, found.output
        text = (tmp_path / "methods.md").read_text(encoding="utf-8")
        summary = json.loads((results / "summary.json").read_text())
        assert f"| orient.tau_acc_s | {summary['parameters']['orient']['tau_acc_s']} |" in text
        hashes = summary["recording"]["sha256"]
        assert hashes["right_wrist.csv"] in text
        # A paper is public: no name of a file, and no hash of the short one that holds the initials.
        assert hashes["recording.toml"] not in text
        assert "right_wrist.csv" not in text
        assert HOW_CHECKED in text
        assert (
            "[@wu2005], but pronation is counted from the thumb pointing forward and not from full supination" in text
        )
        assert summary["versions"]["vqf"] in text
        keys = set(re.findall(r"^@\w+\{(\w+),", BIBLIOGRAPHY.read_text(encoding="utf-8"), flags=re.MULTILINE))
        cited = set(re.findall(r"\[@(\w+)\]", text))
        assert cited
        assert cited <= keys

    @pytest.mark.parametrize("method", ["vqf", "madgwick", "mahony", "ekf"])
    def test_every_filter_is_named(self, results, method):
        summary = json.loads((results / "summary.json").read_text())
        summary["parameters"]["orient"]["method"] = method
        cited = set(re.findall(r"\[@(\w+)\]", methods_text(summary)))
        assert cited <= set(re.findall(r"^@\w+\{(\w+),", BIBLIOGRAPHY.read_text(encoding="utf-8"), flags=re.MULTILINE))

    def test_report_again_is_the_same(self, results, tmp_path):
        assert run("report", results, "--out", tmp_path).exit_code == 0
        assert (tmp_path / "report.html").read_bytes() == (results / "report.html").read_bytes()

    def test_results_read_back(self, results):
        found = read_results(results)
        assert found.reps["excluded"].tolist() == [""] * len(found.reps)

    def test_no_results(self, tmp_path):
        found = run("report", tmp_path, "--out", tmp_path / "out")
        assert (found.exit_code, "imu-shoulder analyse" in found.output) == (2, True)
