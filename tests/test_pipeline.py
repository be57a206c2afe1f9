"""From a recording to reps and files: the simulated truth of finished recordings, faults, losses, and the contracts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from imu_shoulder.analysis import AnalysedSet, Analysis, Params
from imu_shoulder.drills import shipped_ids
from imu_shoulder.model import Event, Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import Damage, Scenario, SensorModel, Simulated, simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.sources.folder import read_recording

RECORDINGS = Path(__file__).parents[1] / "recordings"


@pytest.fixture(scope="module")
def clean() -> Analysis:
    return analyse(read_recording(RECORDINGS / "clean_warm_up"))


@pytest.fixture(scope="module")
def faulty() -> Analysis:
    return analyse(read_recording(RECORDINGS / "faulty_warm_up"))


def truth_of(name: str) -> pd.DataFrame:
    table = pd.read_csv(RECORDINGS / name / "true_reps.csv", keep_default_na=False)
    return table[table["role"] == "lift"]


def lifting(analysis: Analysis) -> list[AnalysedSet]:
    return [s for s in analysis.sets if s.arm_set.role == "lift"]


def set_of(analysis: Analysis, side: str = "right", number: int = 1) -> AnalysedSet:
    return next(s for s in analysis.sets if (s.arm_set.side, s.arm_set.number) == (side, number))


def faults_by_rep(found: AnalysedSet) -> list[tuple[int, set[str], str]]:
    return [(j.number, set(j.faults), j.excluded) for j in found.judged]


# Physical truths: recordings whose truth is known.


def test_a_clean_warm_up_has_its_reps_and_nobody_is_blamed(clean):
    true = truth_of("clean_warm_up")
    for found in lifting(clean):
        asked = true[(true["set"] == found.arm_set.number) & (true["side"] == found.arm_set.side)]
        assert len(asked) > 0
        assert faults_by_rep(found) == [(n, set(), "") for n in range(1, len(asked) + 1)]
    assert sum(len(s.judged) for s in lifting(clean)) == len(true)


def test_holds_arcs_and_times_of_a_clean_warm_up(clean):
    """Hold time within 0.15 s in the middle and 0.4 s at most, arc within 1.5 deg in the middle."""
    true = truth_of("clean_warm_up").sort_values(["set", "side", "rep"])
    found = pd.DataFrame(
        [
            {
                "set": s.arm_set.number,
                "side": s.arm_set.side,
                "rep": j.number,
                "start_s": j.rep.start_s,
                "end_s": j.rep.end_s,
                "hold_s": j.values["hold_s"],
                "arc_deg": j.values["arc_deg"],
            }
            for s in lifting(clean)
            for j in s.judged
        ]
    ).sort_values(["set", "side", "rep"])
    both = found.merge(true, on=["set", "side", "rep"], suffixes=("", "_true"))
    assert len(both) == len(true)
    held = both[both["hold_s_true"] > 1.0]
    hold_off = (held["hold_s"] - held["hold_s_true"]).abs()
    assert hold_off.median() <= 0.15
    assert hold_off.max() <= 0.4
    assert (both["arc_deg"] - both["arc_deg_true"]).abs().median() <= 1.5
    for name in ("start_s", "end_s"):
        assert (both[name] - both[f"{name}_true"]).abs().median() <= 0.15, name
        assert (both[name] - both[f"{name}_true"]).abs().max() <= 0.5, name


def test_each_fault_of_a_faulty_warm_up_is_found_at_its_rep(faulty):
    true = truth_of("faulty_warm_up")
    for found in lifting(faulty):
        mine = true[(true["set"] == found.arm_set.number) & (true["side"] == found.arm_set.side)]
        expected = []
        for row in mine.sort_values("start_s").itertuples():
            named = set(row.faults.split(";")) - {""}
            attempt = next(iter(named & {"partial", "false_start"}), "")
            expected.append((row.rep, set() if attempt else named, attempt))
        assert faults_by_rep(found) == expected, (found.arm_set.drill.id, found.arm_set.side)


def test_the_holding_arm_of_a_faulty_warm_up_is_seen_to_sink(faulty):
    """It was told to sink at 0.4 deg/s."""
    (hold,) = next(s for s in faulty.sets if s.arm_set.role == "hold").judged
    assert hold.values["hold_drift_deg_s"] == pytest.approx(-0.4, abs=0.05)


@pytest.mark.parametrize("drill_id", shipped_ids())
def test_a_clean_set_of_every_drill_is_exact(drill_id):
    """Four reps done well, five sensors: four reps found, none of them blamed."""
    run = simulate(drill_scenario(drill_id, rate_hz=50.0, reps=4), seed=11)
    found = set_of(analyse(run.recording))
    assert faults_by_rep(found) == [(n, set(), "") for n in range(1, 5)]


@pytest.mark.parametrize(
    ("drill_id", "faults"),
    [
        (
            "full_can",
            {2: "hold_broken", 3: "over_arc", 4: "plane_off", 5: "elbow_off", 6: "start_missed", 7: "thumb_down"},
        ),
        ("band_external_rotation", {2: "short_arc", 3: "hold_broken", 4: "too_fast", 5: "trunk_moved"}),
        ("sidelying_external_rotation", {2: "short_arc", 3: "elbow_off", 4: "trunk_moved", 5: "partial"}),
        ("overhead_short_arc", {2: "short_arc", 3: "elbow_off", 4: "start_missed"}),
        ("row_rotate_press", {2: "station_skipped", 3: "order_wrong", 4: "hold_short"}),
    ],
)
def test_each_fault_a_drill_is_judged_by_is_found_where_it_was_put(drill_id, faults):
    count = max(faults) + 1
    scenario = drill_scenario(drill_id, rate_hz=50.0, reps=count, faults={rep: (name,) for rep, name in faults.items()})
    found = set_of(analyse(simulate(scenario, seed=4).recording))
    expected = []
    for rep in range(1, count + 1):
        name = faults.get(rep)
        expected.append((rep, set(), name) if name == "partial" else (rep, {name} if name else set(), ""))
    assert faults_by_rep(found) == expected


def test_a_holding_arm_that_drops_breaks_its_hold():
    scenario = drill_scenario(
        "full_can_hold_and_lift", "left", rate_hz=50.0, reps=4, faults_by_side={"right": {2: ("hold_broken",)}}
    )
    analysis = analyse(simulate(scenario, seed=1).recording)
    (hold,) = set_of(analysis, "right").judged
    assert hold.faults == ("hold_broken",)
    assert faults_by_rep(set_of(analysis, "left")) == [(n, set(), "") for n in range(1, 5)]


# Losses.


@pytest.fixture(scope="module")
def full_can() -> Simulated:
    scenario = drill_scenario(
        "full_can", placements=("right_wrist", "right_upper_arm"), rate_hz=50.0, reps=4, hold_s=5.5
    )
    return simulate(scenario, seed=7)


def test_a_rep_across_a_gap_is_excluded_and_the_others_are_scored(full_can):
    second = full_can.truth.reps[1]
    stream = full_can.recording.streams["right_upper_arm"]
    lost = (stream.time_s > second.top_start_s + 1.0) & (stream.time_s < second.top_start_s + 1.6)
    holed = replace(
        stream, time_s=stream.time_s[~lost], acc_m_s2=stream.acc_m_s2[~lost], gyr_rad_s=stream.gyr_rad_s[~lost]
    )
    recording = replace(full_can.recording, streams={**full_can.recording.streams, "right_upper_arm": holed})
    analysis = analyse(recording)
    assert [j.excluded for j in set_of(analysis).judged] == ["", "gap", "", ""]
    # Nothing is invented where nothing was seen.
    inside = (analysis.aligned.time_s > second.top_start_s + 1.1) & (analysis.aligned.time_s < second.top_start_s + 1.5)
    assert np.isnan(analysis.arms["right"].angles["elevation_deg"][inside]).all()


def test_a_rep_that_clips_is_excluded():
    """A gyroscope that ends at 60 deg/s, and one rep lifted in half the time."""
    scenario = drill_scenario(
        "full_can",
        placements=("right_wrist", "right_upper_arm"),
        rate_hz=50.0,
        reps=3,
        lift_s=3.5,
        lower_s=3.5,
        faults={2: ("too_fast",)},
        sensor=SensorModel(gyr_range_deg_s=110.0),
    )
    found = set_of(analyse(simulate(scenario, seed=3).recording))
    assert [j.excluded for j in found.judged] == ["", "clipping", ""]


# Properties.


def cut(recording: Recording, start_s: float, end_s: float) -> Recording:
    """The recording between two times of its clock, with the events that lie in there."""

    def piece(stream):
        rows = (stream.time_s >= start_s) & (stream.time_s <= end_s)
        return replace(
            stream, time_s=stream.time_s[rows], acc_m_s2=stream.acc_m_s2[rows], gyr_rad_s=stream.gyr_rad_s[rows]
        )

    events = tuple(e for e in recording.events if e.onset_s >= start_s and e.end_s <= end_s)
    return replace(recording, streams={p: piece(s) for p, s in recording.streams.items()}, events=events)


@pytest.mark.parametrize(("from_s", "sets_kept"), [(0.0, 1), (0.0, 3), (2.5, 2)])
def test_a_longer_or_shorter_recording_gives_the_same_reps(clean, from_s, sets_kept):
    """Ending after the first, second or third set, or beginning later: the sets in it stay what they are, to within
    the accuracy of 0.15 s, as smoothing looks both ways."""
    sets = [e for e in clean.recording.events if e.trial_type == "set"]
    found = analyse(cut(clean.recording, from_s, sets[sets_kept - 1].end_s + 1.0))
    kept = [s for s in clean.sets if s.arm_set.number <= sets_kept]
    assert len(found.sets) == len(kept)
    for before, after in zip(kept, found.sets, strict=True):
        assert faults_by_rep(after) == faults_by_rep(before)
        for one, other in zip(before.judged, after.judged, strict=True):
            assert other.rep.start_s == pytest.approx(one.rep.start_s, abs=0.15)
            assert other.rep.end_s == pytest.approx(one.rep.end_s, abs=0.15)
            assert other.rep.arc_deg == pytest.approx(one.rep.arc_deg, abs=1.0)


def test_the_same_recording_gives_the_same_numbers(full_can):
    one, two = (analyse(full_can.recording) for _ in range(2))
    for column, values in one.arms["right"].angles.items():
        np.testing.assert_array_equal(two.arms["right"].angles[column], values)


def test_a_set_without_a_drill_is_counted(full_can):
    events = tuple(replace(e, drill=None) if e.trial_type == "set" else e for e in full_can.recording.events)
    analysis = analyse(replace(full_can.recording, events=events))
    assert [len(s.arm_set.counted) for s in analysis.sets] == [4]
    assert all(not j.faults for j in analysis.sets[0].judged)


def test_a_set_in_which_nothing_moves_has_no_reps_and_is_kept(full_can):
    pose = next(e for e in full_can.recording.events if e.trial_type == "neutral_pose")
    still = Event(pose.onset_s, pose.duration_s, "set", "full_can", "right")
    others = tuple(e for e in full_can.recording.events if e.trial_type != "set")
    analysis = analyse(replace(full_can.recording, events=(*others, still)))
    assert [len(s.judged) for s in analysis.sets] == [0]


def test_progress_names_the_stages_in_order(full_can):
    told: list[str] = []
    analyse(full_can.recording, progress=told.append)
    assert told == ["align", "orient", "calibrate", "angles", "sets"]


# Damage of all kinds at once does not stop it.


def test_losses_all_over_cost_accuracy_and_not_the_count():
    """1 % of the samples lost in ones and in bursts, stamps that jitter: every rep is still found."""
    base = drill_scenario("full_can", placements=("right_wrist", "right_upper_arm"), rate_hz=50.0, reps=5)
    scenario: Scenario = replace(
        base,
        sensor=SensorModel(stamp_jitter_s=0.003),
        damage={p: Damage(drop_share=0.01, bursts=2, duplicate_share=0.002) for p in base.placements},
    )
    found = set_of(analyse(simulate(scenario, seed=5).recording))
    assert len(found.arm_set.counted) == 5


@pytest.mark.parametrize("afterwards", [True, False])
def test_a_set_marked_within_its_first_lift_blames_nobody(afterwards):
    """As a file and in its causal form, which is that of a live set whose button was pressed late."""
    run = simulate(drill_scenario("full_can", reps=3, lift_s=3.0), 3)
    first = run.truth.reps[0]
    late_s = (first.start_s + first.top_start_s) / 2
    events = tuple(
        replace(event, onset_s=late_s, duration_s=event.end_s - late_s) if event.trial_type == "set" else event
        for event in run.recording.events
    )
    analysis = analyse(replace(run.recording, events=events), replace(Params(), afterwards=afterwards))
    found = next(own for own in analysis.sets if own.arm_set.side == "right")
    assert [judged.excluded for judged in found.judged] == ["cut_by_mark", "", ""]
    assert [judged.faults for judged in found.judged] == [(), (), ()]
