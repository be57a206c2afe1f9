"""Where a rep begins to be blamed: just past a limit and its margin it is, just within it is not.

The limits are those of imu_shoulder/drills/full_can.toml. A fault is named from a probability of 80 % on
(docs/drills.md), which a normal distribution has 0.84 of its standard deviations beyond the limit: here 1 deg of an
angle, and of a hold about 0.06 s. Each pair lies to either side.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_assess import GOOD, angles_of, judged, judged_set
from test_segment_reps import RATE_HZ

from imu_shoulder.assess.judge import JudgeParams
from imu_shoulder.engine.judging import Seen, judge_arm_set


@pytest.mark.parametrize(
    ("measured", "within", "past", "fault"),
    [
        ("top", 74.5, 73.5, "short_arc"),  # 75 to 105
        ("top", 105.5, 106.5, "over_arc"),
        ("hold_s", 4.97, 4.8, "hold_short"),  # 5 s
        ("thumb_up", 29.5, 28.5, "thumb_down"),  # from 30
        ("elbow", 25.5, 26.5, "elbow_off"),  # to 25
        ("plane", 19.5, 18.5, "plane_off"),  # 20 to 60
        ("plane", 60.5, 61.5, "plane_off"),
        ("lean", 8.5, 9.5, "trunk_moved"),  # to 8
    ],
)
def test_blame_begins_at_the_limit_and_its_margin(measured, within, past, fault):
    # Beside the stay itself a hold has the ends of both strokes, within what is asked.
    good = GOOD["full_can"]
    _, found = judged_set("full_can", angles_of("full_can", [good] * 3))
    more = found[1].values["hold_s"] - good.hold_s if measured == "hold_s" else 0.0
    assert judged("full_can", **{measured: within - more}) == [(), (), ()]
    assert judged("full_can", **{measured: past - more}) == [(), (fault,), ()]


@pytest.mark.parametrize(("arc_deg", "faults"), [(38.8, ()), (37.2, ("short_arc",))])
def test_of_how_far_an_angle_went_a_twentieth_is_its_standard_deviation(arc_deg, faults):
    """40 deg from the start are asked (band_external_rotation.toml): 0.84 of hypot(1, 2) deg are 1.9."""
    top = GOOD["band_external_rotation"].start + arc_deg
    assert judged("band_external_rotation", top=top) == [(), faults, ()]


@pytest.mark.parametrize(
    ("turn_deg", "faults"), [(8.5, ()), (-8.5, ()), (9.5, ("trunk_moved",)), (-9.5, ("trunk_moved",))]
)
def test_a_trunk_that_turns_with_the_lift_moved_as_one_that_leans(turn_deg, faults):
    """To either side, by the same limit: docs/drills.md, `trunk_deg`, "how far the trunk may move"."""
    good = GOOD["full_can"]
    angles = angles_of("full_can", [good] * 3)
    arm_set, plain = judged_set("full_can", angles)
    time_s = np.arange(len(angles["elevation_deg"])) / 100.0
    second = plain[1].rep
    inside = (time_s >= second.start_s) & (time_s <= second.end_s)
    lifted = (angles["elevation_deg"] - good.start) / (good.top - good.start)
    _, found = judged_set("full_can", {**angles, "trunk_turn_deg": np.where(inside, turn_deg * lifted, 0.0)})
    assert [j.faults for j in found] == [(), faults, ()]
    assert arm_set.drill is not None
    assert found[1].values["trunk_turn_deg"] == pytest.approx(turn_deg, abs=0.3)


def test_each_way_of_a_rep_has_its_own_least_time():
    """1 s is asked of the lift and of the lowering alike (full_can.toml)."""
    for way in ("lift_s", "lower_s"):
        assert judged("full_can", **{way: 1.3}) == [(), (), ()]
        assert judged("full_can", **{way: 0.7}) == [(), ("too_fast",), ()]


@pytest.mark.parametrize(
    ("lost_s", "kind", "reason"),
    [(0.14, "unseen", ""), (0.17, "unseen", "gap"), (0.04, "clipped", ""), (0.07, "clipped", "clipping")],
)
def test_how_much_may_be_lost_of_a_rep_that_is_scored(lost_s, kind, reason):
    """0.15 s of a gap and 0.05 s of clipping (docs/outputs.md; JudgeParams)."""
    good = GOOD["full_can"]
    lost = {kind: slice(1800, 1800 + round(lost_s * 100.0))}
    _, found = judged_set("full_can", angles_of("full_can", [good, replace(good), good]), **lost)
    assert [j.excluded for j in found] == ["", reason, ""]


@pytest.mark.parametrize(("into_rep", "excluded"), [(-0.2, 3), (0.5, 2), (0.99, 2), (1.05, 1)])
def test_a_rep_in_which_a_sensor_slipped_is_not_scored_nor_any_after_it(into_rep, excluded):
    """The slip comes before the first rep, in the middle or at the end of the second, or just after it."""
    angles = angles_of("full_can", [GOOD["full_can"]] * 3)
    arm_set, plain = judged_set("full_can", angles)
    first, second = plain[0].rep, plain[1].rep
    length_s = second.end_s - second.start_s
    slipped_s = first.start_s - 0.2 if into_rep < 0 else second.start_s + into_rep * length_s
    count = len(angles["elevation_deg"])
    seen = np.ones(count, dtype=bool)
    found = judge_arm_set(
        arm_set, Seen(np.arange(count) / RATE_HZ, RATE_HZ, angles, seen, ~seen), JudgeParams(), slipped_s
    )
    assert [j.excluded for j in found] == [""] * (3 - excluded) + ["sensor_slip"] * excluded


def test_a_first_rep_that_sets_out_at_once_is_judged_by_where_it_set_out():
    """The set is marked 0.3 s before its first rep, which starts from 55 deg where 75 to 105 are asked."""
    good = GOOD["overhead_short_arc"]
    whole = angles_of("overhead_short_arc", [replace(good, start=55.0), good, good])
    late = {name: values[120:] for name, values in whole.items()}
    assert [j.faults for j in judged_set("overhead_short_arc", late)[1]] == [("start_missed",), (), ()]


@pytest.mark.parametrize(("past_deg", "faults"), [(-1.5, ()), (1.5, ("start_missed",))])
def test_a_drill_without_a_start_is_judged_by_where_the_sets_reps_begin(past_deg, faults):
    """A user's own drill. JudgeParams: a share of the arc beyond that may be missing, here from 5 to 90 deg."""
    good, params = GOOD["full_can"], JudgeParams()
    most_deg = (good.start + params.start_margin_share * good.top) / (1 + params.start_margin_share)
    angles = angles_of("full_can", [good, replace(good, start=most_deg + past_deg), good])
    arm_set, _ = judged_set("full_can", angles)
    assert arm_set.drill is not None
    own = replace(arm_set, drill=replace(arm_set.drill, start=()))
    count = len(angles["elevation_deg"])
    seen = np.ones(count, dtype=bool)
    found = judge_arm_set(own, Seen(np.arange(count) / RATE_HZ, RATE_HZ, angles, seen, ~seen), params)
    assert [j.faults for j in found] == [(), faults, ()]
