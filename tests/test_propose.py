"""Recordings without a mark: sets, drills, calibration movements and the pose are found, and a day has none."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from open_therapy import FOLDER, SESSIONS, blocks, session_of
from print_unmarked import RAISES, is_right, matched
from test_segment_stations import RATE_HZ, draw, rep_of
from unmarked_sessions import first_day, first_housework, first_session, second_day, second_session

from imu_shoulder.align import align_recording
from imu_shoulder.analysis import Params
from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.cli import cli
from imu_shoulder.drills import load_shipped
from imu_shoulder.mark.proposed import as_told
from imu_shoulder.model import MAYBE_SET, Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.plan import parse_plan
from imu_shoulder.propose import proposals
from imu_shoulder.propose.fit import fit
from imu_shoulder.propose.regular import Regularity, among
from imu_shoulder.report.folder import write_outputs
from imu_shoulder.report.headlines import by_kind
from imu_shoulder.simulate import Athlete, BendsAtShoulderHeight, Pause, Scenario, SetScript, simulate
from imu_shoulder.simulate.scenarios import CALIBRATION
from imu_shoulder.sources.events import parse_events, read_events
from imu_shoulder.sources.folder import read_recording

EVEN = Params().propose.even
CLEAN = Path(__file__).parents[1] / "recordings" / "clean_warm_up"


def unmarked(recording: Recording) -> Recording:
    return replace(recording, events=())


@pytest.fixture(scope="module")
def clean() -> Recording:
    return unmarked(read_recording(CLEAN))


def test_the_bundled_warm_up_gives_its_four_sets_without_its_marks(clean):
    found = analyse(clean)
    drills = [own.drill for own in found.recording.proposals if own.kind == "set"]
    assert drills[:2] == ["sidelying_external_rotation", "full_can"]
    assert drills[2] in ("band_loop_raise", "full_can")
    assert drills[3:] == ["overhead_short_arc"]
    counted = {side: sum(len(s.arm_set.counted) for s in found.sets if s.arm_set.side == side) for side in found.arms}
    assert counted == {"right": 18, "left": 11}
    kinds = {own.kind for own in found.recording.proposals}
    assert kinds == {"neutral_pose", "elbow_bends", "forward_raises", "set"}
    assert not found.calibrated.pose_was_marked


def test_what_looks_alike_is_told_as_one_of_these_and_the_plan_decides(clean):
    own = next(own for own in proposals(clean) if own.side == "both" and own.kind == "set")
    assert {own.drill, *(name for name, _ in own.alternatives)} == {"band_loop_raise", "full_can"}
    assert own.doubt.startswith("one of ")
    lines = ["schema = 1", 'athlete = "M.K."']
    for drill in ("sidelying_external_rotation", "full_can", "overhead_short_arc"):
        lines += ["[[drill]]", f'id = "{drill}"', 'side = "both"', "sets = 2"]
    planned = [own for own in proposals(clean, parse_plan("\n".join(lines), "plan.toml")) if own.kind == "set"]
    assert planned[2].drill == "full_can"
    assert planned[2].doubt == ""


def test_proposed_marks_are_written_read_and_give_the_same_again(clean, tmp_path):
    bare = tmp_path / "bare"
    shutil.copytree(CLEAN, bare, ignore=shutil.ignore_patterns("events.tsv", "true_reps.csv"))
    ran = CliRunner().invoke(cli, ["analyse", str(bare), "--out", str(tmp_path / "out")])
    assert ran.exit_code == 0, ran.output
    assert "No set was marked: 4 sets are proposed" in ran.output
    proposed = tmp_path / "out" / "events.proposed.tsv"
    assert "probability\talternatives\tdoubt" in proposed.read_text().splitlines()[0]
    assert "are proposed" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    shutil.copy(proposed, bare / "events.tsv")
    events = read_events(bare / "events.tsv")
    assert [event.trial_type for event in events].count("set") == 4
    again = CliRunner().invoke(cli, ["analyse", str(bare), "--out", str(tmp_path / "again")])
    assert again.exit_code == 0, again.output
    assert "are proposed" not in again.output
    assert not (tmp_path / "again" / "events.proposed.tsv").exists()
    reps = [[line for line in run.output.splitlines() if line.startswith("Set ")] for run in (ran, again)]
    assert reps[0] == reps[1]


def require_sets(found, events):
    """Every set that was done is proposed, with its drill and side, and no other."""
    sets = [own for own in found if own.kind == "set"]
    true = [event for event in events if event.trial_type == "set"]
    assert len(sets) == len(true)
    for event, own in matched(sets, true):
        assert own is not None
        assert is_right(own, event)
        assert own.side == event.side


@pytest.mark.parametrize("session", [first_session, second_session])
def test_every_set_of_a_session_is_found_with_its_drill_and_no_calibration_is_counted(session):
    recording, events = session(9002)
    found = proposals(recording)
    require_sets(found, events)
    moved = [event for event in events if event.trial_type not in ("set", "neutral_pose")]
    for event in moved:
        assert not any(
            own.start_s < event.end_s - 1 and event.onset_s + 1 < own.end_s for own in found if own.kind == "set"
        )
    pose = next(own for own in found if own.kind == "neutral_pose")
    assert pose.end_s < moved[0].onset_s + 1


# Persons who sway too much for a stillness; who do one movement quicker than the rest; and of whom the first of two
# raises is an exercise's to the eye; and who does elbow bend and first raise in one.
@pytest.mark.parametrize("seed", [9059, 9063, 9019, 9006])
def test_the_pose_and_the_calibration_movements_of_restless_people_are_found(seed):
    recording, events = second_session(seed)
    found = {own.kind: own for own in proposals(recording) if own.kind != "set"}
    for event in events:
        if event.trial_type not in ("neutral_pose", "set"):
            own = found[event.trial_type]
            assert abs(own.start_s - event.onset_s) < 2.5
            assert abs(own.end_s - event.end_s) < 2.5
    pose = next(event for event in events if event.trial_type == "neutral_pose")
    assert found["neutral_pose"].start_s < pose.end_s
    assert found["neutral_pose"].end_s > pose.onset_s


def test_calibration_movements_are_found_where_one_arm_wears_no_wrist_sensor():
    """An upper arm shows no bend of the elbow; the other arm does."""
    recording, events = first_session(9002)
    worn = {name: stream for name, stream in recording.streams.items() if name != "right_wrist"}
    found = proposals(replace(recording, streams=worn))
    moved = [event for event in events if event.trial_type not in ("set", "neutral_pose")]
    assert {event.trial_type for event in moved} - {"bends_at_shoulder_height"} <= {own.kind for own in found}
    for event in moved:
        sets = [own for own in found if own.kind == "set"]
        assert not any(own.start_s < event.end_s - 1 and event.onset_s + 1 < own.end_s for own in sets)


def test_what_may_be_a_set_is_named_and_not_counted(clean, monkeypatch, tmp_path):
    """As of one who does it unevenly: it stands in the file, the first lines and the page of marks, and is no set."""
    from imu_shoulder.propose import find

    monkeypatch.setattr(find, "among", lambda chances, params: [0.3, *(0.99 for _ in chances[1:])])
    found = proposals(clean)
    (maybe,) = (own for own in found if own.kind == MAYBE_SET)
    assert sum(own.kind == "set" for own in found) == 3
    assert 0.15 < maybe.probability < 0.5
    analysed = analyse(clean)
    assert not any(
        found.arm_set.start_s < maybe.end_s and maybe.start_s < found.arm_set.end_s for found in analysed.sets
    )
    summary = write_outputs(analysed, tmp_path / "out")
    line = dict(by_kind(summary))["proposed"]
    assert "Not counted, may be exercise: " in line
    assert f"{maybe.reps} times, {100 * maybe.probability:.0f} % sure" in line
    proposed = tmp_path / "out" / "events.proposed.tsv"
    assert [event.trial_type for event in read_events(proposed)].count("set") == 3
    taken = proposed.read_text().replace(MAYBE_SET, "set")
    assert [event.trial_type for event in parse_events(taken, "events.tsv")].count("set") == 4
    assert [told["maybe"] for told in map(as_told, found)].count(True) == 1
    assert as_told(maybe)["cells"]["trial_type"] == "set"


@pytest.mark.parametrize("worn", [("right_wrist", "right_upper_arm"), ("right_wrist", "right_upper_arm", "sternum")])
def test_bends_at_shoulder_height_are_recognised_and_no_reps(worn):
    script = SetScript("full_can", "right", reps=4, hold_s=2.0)
    blocks = (*CALIBRATION, BendsAtShoulderHeight(), Pause(9, "stand"), script, Pause(9, "stand"))
    recording = simulate(Scenario(Athlete("R.V."), blocks, placements=worn), 9403).recording
    high = next(event for event in recording.events if event.trial_type == "bends_at_shoulder_height")
    found = proposals(unmarked(recording))
    own = next(own for own in found if own.kind == "bends_at_shoulder_height")
    assert own.reps == 2
    assert abs(own.start_s - high.onset_s) < 2
    assert abs(own.end_s - high.end_s) < 2
    assert [(own.drill, own.reps) for own in found if own.kind == "set"] == [("full_can", 4)]


# Movements of the other arm over two sets, and a walk after the last rep that ends in a start posture.
@pytest.mark.parametrize("seed", [9025, 9062])
def test_what_the_arms_do_between_sets_is_no_part_of_them(seed):
    recording, events = second_session(seed)
    sets = [own for own in proposals(recording) if own.kind == "set"]
    for own in sets:
        beside = [event for event in events if event.onset_s < own.end_s - 1 and own.start_s + 1 < event.end_s]
        assert [event.trial_type for event in beside] == ["set"]
        # One that ends with the recording is marked up to there.
        assert own.end_s < beside[0].end_s + 6.5


def off_of(ways: Sequence[Sequence[str]]) -> float:
    """How far reps through the named stations are off the row, rotate and press."""
    way = [leg for names in ways for leg in rep_of(*names)]
    angles = {f"{name}_deg": values for name, values in draw(way).items()}
    time_s = np.arange(len(angles["elbow_deg"])) / RATE_HZ
    arm = ArmAngles("right", "trunk", angles, np.zeros_like(time_s), SkinShare(0.7, 0.1, 0.0))
    drill = load_shipped("row_rotate_press")
    span_s = float(time_s[0]), float(time_s[-1])
    return fit(drill, span_s, {"right": len(ways)}, time_s, RATE_HZ, {"right": arm}, Params().propose.fit).off


def test_who_passes_a_station_now_and_then_does_the_drill_and_who_never_stays_at_it_does_none():
    whole, passed = ("row", "rotate", "press"), ("rotate", "press")
    every, some, never = off_of([whole] * 4), off_of([whole, *[passed] * 3]), off_of([passed] * 4)
    params = Params().propose.fit
    assert every < some < params.none_off < never == params.unseen_off


# A movement of the other arm that comes back in minutes, which took a set in; and one over two sets, to which headings
# were held.
@pytest.mark.parametrize("seed", [9050, 9078])
def test_a_movement_that_comes_back_in_minutes_is_no_part_of_the_sets_beside_it(seed):
    recording, events = second_session(seed)
    require_sets(proposals(recording), events)


def test_stays_that_are_no_part_of_a_rep_speak_against_exercise():
    """As of one who eats: it comes back evenly enough, and not one after the other."""
    meal = Regularity(lasts=0.12, periods=0.10, unlike=0.14, looped=0.11, filled=0.05, strayed=0.75, rep_s=9.0)
    exercise = replace(meal, strayed=0.0)
    assert meal.drill_chance(5, 1.64, EVEN, in_order=0.0) < 0.5 < exercise.drill_chance(5, 1.64, EVEN, in_order=0.0)
    even = Regularity(lasts=0.12, periods=0.1, unlike=0.2, looped=0.1, filled=0.05, strayed=0.6, rep_s=4.0)
    assert even.unknown_chance(10, 3.3, EVEN) < 0.5 < replace(even, strayed=0.0).unknown_chance(10, 3.3, EVEN)
    assert even.unknown_chance(10, 3.3, EVEN) > replace(even, rep_s=1.0).unknown_chance(10, 3.3, EVEN)


def test_what_is_even_by_itself_is_held_against_all_else_that_comes_back():
    """Of thirty movements of which none is as even as exercise, one is by chance; of three that all are, none is. A
    set beyond doubt is one among any."""
    alone, beside = 0.8, [0.02] * 30
    assert among([alone, *beside], EVEN)[0] < 0.5 < among([alone], EVEN)[0] < among([alone] * 3, EVEN)[0]
    assert among([0.99, *beside], EVEN)[0] > 0.5
    assert among([], EVEN) == []


# Half-hours of days in which nobody exercises, one of them with housework.
@pytest.mark.parametrize(("day", "seed"), [(first_day, 9100), (second_day, 9100), (first_housework, 9102)])
def test_a_day_has_no_exercise(day, seed):
    assert [own for own in proposals(day(seed, 8.0)) if own.kind == "set"] == []


def test_the_top_of_a_held_rep_is_no_neutral_pose():
    blocks = (*CALIBRATION, SetScript("full_can", "right", reps=6, hold_s=7.0))
    whole = simulate(Scenario(Athlete("R.V."), blocks, placements=("right_wrist", "right_upper_arm")), 9401).recording
    own = next(event for event in whole.events if event.trial_type == "set")
    streams = {}
    for placement, stream in whole.streams.items():
        # From within the first hold on: the first stillness is the arm at shoulder height.
        rows = (stream.time_s > own.onset_s + 4.5) & (stream.time_s < own.end_s)
        streams[placement] = replace(
            stream, time_s=stream.time_s[rows], acc_m_s2=stream.acc_m_s2[rows], gyr_rad_s=stream.gyr_rad_s[rows]
        )
    found = proposals(replace(whole, streams=streams, events=()))
    assert [own.kind for own in found] == ["set"]


def test_a_long_rest_parts_two_sets_and_no_short_one():
    script = SetScript("full_can", "right", reps=5, hold_s=2.0)
    blocks = (*CALIBRATION, Pause(12, "stand"), script, Pause(14, "stand"), script, Pause(4, "stand"))
    worn = ("right_wrist", "right_upper_arm")
    recording = simulate(Scenario(Athlete("R.V."), blocks, placements=worn), 9402).recording
    sets = [own for own in proposals(unmarked(recording)) if own.kind == "set"]
    assert [(own.drill, own.reps) for own in sets] == [("full_can", 5), ("full_can", 5)]


def test_a_recording_without_marks_is_put_on_one_clock_once(clean, monkeypatch):
    from imu_shoulder import pipeline
    from imu_shoulder.advise import session
    from imu_shoulder.propose import find

    times = []
    for module in (pipeline, session, find):
        monkeypatch.setattr(module, "align_recording", lambda *given: times.append(1) or align_recording(*given))
    session.analyse_session(clean, {}, Params())
    assert len(times) == 1


def test_marks_that_are_there_are_kept_and_not_proposed_again():
    recording, events = first_session(9002)
    kept = tuple(event for event in events if event.trial_type != "set")
    found = proposals(replace(recording, events=kept))
    assert {own.kind for own in found} == {"set"}
    assert proposals(replace(recording, events=events)) == ()


@pytest.mark.parametrize("name", SESSIONS or ["none"])
def test_the_blocks_of_people_are_found_with_their_ends_and_ten_reps_each(name):
    if not SESSIONS:
        pytest.skip(f"no copy of the open data in {FOLDER.parent.name}/{FOLDER.name} beside the checkout")
    recording, true = session_of(name), blocks(name)
    sets = [own for own in proposals(recording) if own.kind == "set"]
    assert len(sets) == 3
    for event, own in matched(sets, true):
        assert own is not None
        assert abs(own.start_s - event.onset_s) < 2
        assert abs(own.end_s - event.end_s) < 2
        assert own.drill in RAISES
    counts = [len(own.arm_set.counted) for own in analyse(recording).sets]
    assert np.abs(np.array(counts) - 10).max() <= 1
