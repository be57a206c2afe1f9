"""What is written of an analysis: columns that others read, valid JSON, and angles with their uncertainty."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from imu_shoulder.analysis import Analysis
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.folder import FILES, write_outputs
from imu_shoulder.sources.folder import read_recording

RECORDING = Path(__file__).parents[1] / "recordings" / "faulty_warm_up"
# The contract, typed here by hand.
REP_COLUMNS = [
    *("set", "drill", "side", "rep", "start_s", "top_start_s", "top_end_s", "end_s", "angle", "start_deg", "top_deg"),
    *("arc_deg", "lift_s", "hold_s", "lower_s", "rest_s", "peak_velocity_deg_s", "hold_sd_deg", "hold_drift_deg_s"),
    *("hold_tremor_deg_s", "time_in_band_pct", "smoothness_lift", "smoothness_lower", "elbow_deg", "thumb_up_deg"),
    *("plane_deg", "trunk_lean_deg", "faults", "excluded"),
]
FAULTS = {
    *("short_arc", "over_arc", "hold_short", "hold_broken", "too_fast", "thumb_down", "elbow_off", "plane_off"),
    *("trunk_moved", "start_missed", "shrug", "station_skipped", "order_wrong"),
}
ANGLES = (
    *("elevation_deg", "plane_deg", "rotation_deg", "elbow_deg", "forearm_deg", "thumb_up_deg"),
    *("trunk_lean_deg", "trunk_turn_deg"),
)


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return analyse(read_recording(RECORDING))


@pytest.fixture(scope="module")
def out(analysis, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("outputs") / "made" / "when missing"
    write_outputs(analysis, folder, report=False)
    return folder


@pytest.fixture(scope="module")
def reps(out) -> pd.DataFrame:
    return pd.read_csv(out / "reps.csv", keep_default_na=False, dtype={"faults": str, "excluded": str})


@pytest.fixture(scope="module")
def summary(out) -> dict:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is not JSON")

    return json.loads((out / "summary.json").read_text(encoding="utf-8"), parse_constant=refuse)


def test_reps_csv_begins_with_the_contracts_columns_in_order(out):
    header = (out / "reps.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    assert header[: len(REP_COLUMNS)] == REP_COLUMNS
    assert len(set(header)) == len(header)


def test_reps_csv_has_a_row_for_every_rep_and_attempt(reps, analysis):
    assert len(reps) == sum(len(s.judged) for s in analysis.sets)
    assert set(";".join(reps["faults"]).split(";")) - {""} <= FAULTS
    # A rep is either scored or excluded; what is excluded is not blamed.
    assert (reps.loc[reps["excluded"] != "", "faults"] == "").all()


def test_times_and_parts_of_a_rep_agree_with_each_other(reps):
    times = reps[["start_s", "top_start_s", "top_end_s", "end_s"]].astype(float)
    assert (np.diff(times.to_numpy(), axis=1) >= -1e-9).all()
    lifted = reps["role"] == "lift"
    for name, later, earlier in (("lift_s", "top_start_s", "start_s"), ("lower_s", "end_s", "top_end_s")):
        parts = (times[later] - times[earlier])[lifted]
        np.testing.assert_allclose(reps.loc[lifted, name].astype(float), parts, atol=2e-3)
    numbers = reps[["top_deg", "start_deg", "arc_deg"]].astype(float)
    np.testing.assert_allclose(numbers["arc_deg"], numbers["top_deg"] - numbers["start_deg"], atol=2e-3)


def test_summary_is_json_without_nan_and_traceable(summary, reps):
    assert summary["schema"] == 1
    for key in ("versions", "parameters", "data_quality", "calibration", "sets", "cautions"):
        assert summary[key], key
    assert set(summary["data_quality"]) == set(read_recording(RECORDING).streams)
    for entry in summary["sets"]:
        mine = reps[(reps["set"] == entry["set"]) & (reps["side"] == entry["side"]) & (reps["role"] == entry["role"])]
        scored = mine[mine["excluded"] == ""]
        if entry["role"] == "lift":
            assert entry["done"]["scored"] == len(scored)
            assert entry["done"]["clean"] == (scored["faults"] == "").sum()
        for criterion in entry["criteria"]:
            named = sorted(n for key in ("met", "missed", "unknown") for n in criterion[key])
            assert named == sorted(scored["rep"])


def test_summary_holds_every_parameter(summary, analysis):
    """Each stage has its own table, numbers as they were used."""
    parameters = summary["parameters"]
    assert {"align", "orient", "calibrate", "angles", "segment", "judge"} <= set(parameters)
    assert parameters["judge"]["gap_s"] == analysis.params.judge.gap_s
    assert parameters["angles"]["skin_share"] == analysis.params.angles.skin_share


def test_summary_compares_the_sides_of_a_two_sided_set(summary, reps):
    """T.S. tops out 9 deg lower on the left."""
    entry = next(s for s in summary["sets"] if s["drill"] == "band_loop_raise")
    assert entry["side_difference"]["arc_deg"] > 4
    arcs = reps[(reps["drill"] == "band_loop_raise") & (reps["excluded"] == "")].groupby("side")["arc_deg"]
    medians = arcs.apply(lambda values: values.astype(float).median())
    assert entry["side_difference"]["arc_deg"] == pytest.approx(medians["right"] - medians["left"], abs=0.01)


def test_angles_parquet_has_every_angle_with_its_uncertainty(out, analysis):
    table = pd.read_parquet(out / "angles.parquet")
    assert table.columns[0] == "time_s"
    assert len(table) == len(analysis.aligned.time_s)
    assert (np.diff(table["time_s"]) > 0).all()
    for side in ("right", "left"):
        for name in ANGLES:
            angle, sd = table[f"{side}_{name}"], table[f"{side}_{name}_sd"]
            assert angle.notna().any()
            assert (angle.notna() == sd.notna()).all(), name
            assert (sd.dropna() > 0).all(), name
        assert f"{side}_rotation_source" in table.columns


def test_writing_again_replaces_the_files(analysis, tmp_path):
    write_outputs(analysis, tmp_path, report=False)
    (tmp_path / "reps.csv").write_text("old")
    write_outputs(analysis, tmp_path, report=False)
    assert (tmp_path / "reps.csv").read_text(encoding="utf-8").startswith("set,drill,side")
    # Its sets are marked: nothing is proposed.
    assert {p.name for p in tmp_path.iterdir()} == set(FILES) - {"report.html", "events.proposed.tsv"}
