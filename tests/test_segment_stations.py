"""Drills of several stations: which were visited, for how long and in what order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from imu_shoulder.drills import load_shipped, parse_drill
from imu_shoulder.errors import DrillError
from imu_shoulder.segment.station_reps import find_station_reps, station_of

Array = NDArray[np.float64]
RATE_HZ = 100.0
Posture = Mapping[str, float]
# Reaching forward at shoulder height, elbow drawn back to the side, forearm turned up, pressed overhead.
REACH: Posture = {"elevation": 87, "plane": 85, "rotation": 0, "elbow": 10}
ROW: Posture = {"elevation": 87, "plane": 5, "rotation": 0, "elbow": 90}
ROTATE: Posture = {"elevation": 88, "plane": 5, "rotation": 80, "elbow": 90}
PRESS: Posture = {"elevation": 152, "plane": 20, "rotation": 50, "elbow": 14}
POSTURES = {"row": ROW, "rotate": ROTATE, "press": PRESS}


def minimum_jerk(u: Array) -> Array:
    """Flash and Hogan 1985 (from memory)."""
    return 10 * u**3 - 15 * u**4 + 6 * u**5


def draw(way: Sequence[tuple[Posture, float, float]]) -> dict[str, Array]:
    """Angles along (posture, seconds to get there, seconds to stay) from REACH, which is held for 1.5 s first."""
    out = {}
    for name in REACH:
        value = REACH[name]
        pieces = [np.full(round(1.5 * RATE_HZ), float(value))]
        for posture, move_s, stay_s in way:
            u = np.arange(round(move_s * RATE_HZ)) / round(move_s * RATE_HZ)
            pieces += [value + (posture[name] - value) * minimum_jerk(u)]
            value = posture[name]
            pieces += [np.full(round(stay_s * RATE_HZ), float(value))]
        out[name] = np.concatenate(pieces)
    return out


def rep_of(*names: str, stay_s: float = 2.4, move_s: float = 1.4) -> list[tuple[Posture, float, float]]:
    """There through the named stations, back through them without staying long, and 1.2 s of rest."""
    there = [(POSTURES[name], move_s, stay_s) for name in names]
    back = [(POSTURES[name], move_s, 0.1) for name in names[-2::-1]]
    return [*there, *back, (REACH, move_s, 1.2)]


def found_in(way: Sequence[tuple[Posture, float, float]], drill_id: str):
    angles = draw(way)
    time_s = np.arange(len(angles["elbow"])) / RATE_HZ
    return find_station_reps(time_s, angles, RATE_HZ, load_shipped(drill_id))


def order(rep) -> list[str]:
    """Stations in the order of their first visit."""
    return list(dict.fromkeys(visit.name for visit in rep.visits))


def test_row_rotate_press_with_exact_times():
    found = found_in(rep_of("row", "rotate", "press") * 3, "row_rotate_press")
    assert [rep.kind for rep in found] == ["rep"] * 3
    begin_s = 1.5
    for rep in found:
        assert order(rep) == ["row", "rotate", "press"]
        assert rep.start_s == pytest.approx(begin_s, abs=0.15)
        arrives_s = begin_s
        for name in ("row", "rotate", "press"):
            visit = next(v for v in rep.visits if v.name == name)
            arrives_s += 1.4
            assert visit.start_s == pytest.approx(arrives_s, abs=0.15)
            assert visit.end_s - visit.start_s == pytest.approx(2.4, abs=0.2)
            arrives_s += 2.4
        assert rep.top_end_s == pytest.approx(arrives_s, abs=0.15)
        assert rep.top_deg == pytest.approx(152, abs=1.0)
        begin_s += 3 * 3.8 + 2 * 1.5 + 1.4 + 1.2


def test_row_rotate_ends_at_the_second_station():
    found = found_in(rep_of("row", "rotate") * 2, "row_rotate")
    assert [order(rep) for rep in found] == [["row", "rotate"]] * 2


@pytest.mark.parametrize(
    ("done", "drill_id"),
    [
        (("row", "press"), "row_rotate_press"),
        (("row",), "row_rotate_press"),
        (("row", "rotate"), "row_rotate_press"),
        (("row",), "row_rotate"),
        (("rotate",), "row_rotate"),
        (("rotate", "press"), "row_rotate_press"),
    ],
)
def test_a_skipped_station_is_missing_from_its_rep_only(done, drill_id):
    everything = ("row", "rotate", "press") if drill_id == "row_rotate_press" else ("row", "rotate")
    way = [*rep_of(*everything), *rep_of(*done), *rep_of(*everything)]
    found = found_in(way, drill_id)
    assert [order(rep) for rep in found] == [list(everything), list(done), list(everything)]
    assert all(rep.kind == "rep" for rep in found)


def test_a_row_that_most_reps_only_pass_is_known_from_the_way_back():
    """Else the turned-up forearm, whose posture meets the row's ranges too, would be the usual row."""
    passing = [(ROTATE, 2.8, 2.4), (ROW, 1.4, 0.9), (REACH, 1.4, 1.2)]
    found = found_in([*rep_of("row", "rotate"), *passing, *passing, *passing], "row_rotate")
    assert [order(rep) for rep in found] == [["row", "rotate"], *([["rotate", "row"]] * 3)]


def test_a_changed_order_is_seen():
    """The press before the turn: the stations are all there, in another order."""
    way = [*rep_of("row", "rotate", "press"), *rep_of("row", "press", "rotate"), *rep_of("row", "rotate", "press")]
    found = found_in(way, "row_rotate_press")
    assert order(found[1]) == ["row", "press", "rotate"]
    assert order(found[0]) == order(found[2]) == ["row", "rotate", "press"]


def test_setting_out_and_reaching_no_station_is_a_partial_rep():
    """The elbow bends by half and straightens again."""
    half = {name: REACH[name] + 0.5 * (ROW[name] - REACH[name]) for name in REACH}
    found = found_in(
        [*rep_of("row", "rotate"), (half, 1.0, 0.5), (REACH, 1.0, 1.2), *rep_of("row", "rotate")], "row_rotate"
    )
    assert [rep.kind for rep in found] == ["rep", "partial", "rep"]


def test_staying_in_the_start_posture_is_no_rep():
    assert found_in([(REACH, 0.5, 20.0)], "row_rotate") == ()


def test_swinging_through_a_station_is_no_stay_at_it():
    """The elbow is drawn back and the forearm turned up without a pause between: the row was not held."""
    straight_through = [(ROW, 1.0, 0.0), (ROTATE, 1.0, 2.4), (ROW, 1.0, 0.0), (REACH, 1.0, 1.2)]
    found = found_in([*rep_of("row", "rotate"), *straight_through, *rep_of("row", "rotate")], "row_rotate")
    stays = {name: [v.end_s - v.start_s for v in found[1].visits if v.name == name] for name in ("row", "rotate")}
    assert max(stays["row"], default=0.0) < 1.0
    assert max(stays["rotate"], default=0.0) == pytest.approx(2.4, abs=0.3)


def test_an_arm_that_drops_out_of_its_hold_overhead_does_one_rep():
    """Down to 110 deg, elbow straight: within the start's ranges, and yet far from where the set's reps start."""
    whole, dropped = rep_of("row", "rotate", "press"), {**PRESS, "elevation": 110}
    broken = [*whole[:3], (dropped, 0.8, 0.0), (PRESS, 0.8, 1.5), *whole[3:]]
    found = found_in([*whole, *broken, *whole], "row_rotate_press")
    assert [order(rep) for rep in found] == [["row", "rotate", "press"]] * 3


@settings(max_examples=25)
@given(
    count=st.integers(1, 5),
    stay_s=st.floats(0.8, 5.0),
    move_s=st.floats(0.9, 3.0),
)
def test_the_count_and_the_order_are_exact_for_any_tempo(count, stay_s, move_s):
    found = found_in(rep_of("row", "rotate", "press", stay_s=stay_s, move_s=move_s) * count, "row_rotate_press")
    assert [order(rep) for rep in found] == [["row", "rotate", "press"]] * count


# The elbow is nearly straight before the arm is above 120 degrees.
EARLY_TURN: Posture = {**ROTATE, "elbow": 71}
EARLY_PRESS: Posture = {**PRESS, "elevation": 137, "elbow": 4}


@pytest.mark.parametrize("move_s", [0.8, 1.4, 6.0])
def test_a_move_through_the_start_postures_ranges_is_not_back_at_the_start(move_s):
    """Before, an elbow straight before the arm was above 120 degrees made two reps of each, with three false faults."""
    there = [(ROW, move_s, 2.4), (EARLY_TURN, move_s, 2.4), (EARLY_PRESS, move_s, 2.4)]
    back = [(EARLY_TURN, move_s, 0.1), (ROW, move_s, 0.1), (REACH, move_s, 1.2)]
    found = found_in((there + back) * 3, "row_rotate_press")
    assert [order(rep) for rep in found] == [["row", "rotate", "press"]] * 3


@pytest.mark.parametrize("move_s", [0.8, 2.0])
def test_reps_without_a_rest_between_them_stay_apart(move_s):
    way = rep_of("row", "rotate", "press", move_s=move_s)
    found = found_in([*way[:-1], (REACH, move_s, 0.0)] * 3 + [(REACH, 1.0, 1.0)], "row_rotate_press")
    assert [order(rep) for rep in found] == [["row", "rotate", "press"]] * 3


RANGE = '[{ angle = "elbow", at_most = 35 }]'


@pytest.mark.parametrize(
    ("start", "names", "said"),
    [
        ("", ("row", "rotate"), "start in own.toml to be the posture that"),
        ("start = []", ("row", "rotate"), "start in own.toml to be the posture that"),
        (f"start = {RANGE}", ("row", "row"), "name of [[stations]] 2 in own.toml to be another than start, row"),
        (f"start = {RANGE}", ("start", "row"), "name of [[stations]] 1 in own.toml to be another than start"),
    ],
)
def test_a_drill_whose_stations_could_not_be_told_is_refused(start, names, said):
    """Before, every rep of it was blamed, however well it was done: no station was seen, or none in the asked order."""
    lines = ["schema = 1", 'id = "own"', 'title = "Own"', 'leading_angle = "elbow"', start]
    lines += [f'[[stations]]\nname = "{name}"\nranges = {RANGE}' for name in names]
    lines += ["[tempo]\nlift_at_least_s = 1\nlower_at_least_s = 1", '[dose]\nsets = 1\nreps = 1\nsource = "ours"']
    with pytest.raises(DrillError) as told:
        parse_drill("\n".join(lines), "own.toml")
    assert said in str(told.value)
    assert "\n" not in str(told.value)


def test_an_unsteady_arm_holds_a_station_once():
    """Elevation to and fro by 2.5 deg, at up to 20 deg/s as quick as moving on, and back where it was: one stay."""
    angles = draw(rep_of("row", "rotate") * 3)
    time_s = np.arange(len(angles["elbow"])) / RATE_HZ
    bursts = np.where(time_s % 1.7 < 0.8, 2.5 * np.sin(2 * np.pi * time_s / 0.8), 0.0)
    found = find_station_reps(
        time_s, angles | {"elevation": angles["elevation"] + bursts}, RATE_HZ, load_shipped("row_rotate")
    )
    there = [[v.name for v in rep.visits if v.start_s <= rep.top_start_s] for rep in found]
    assert there == [["row", "rotate"]] * 3


@pytest.mark.parametrize("seed", range(4))
def test_a_slow_unsteady_arm_holds_each_station_once(seed):
    """Strokes of 7 s, and wander of 1.2 deg in each angle, which is as quick as a slow arm that moves on."""
    angles = draw(rep_of("row", "rotate", stay_s=4.0, move_s=7.0) * 3)
    time_s = np.arange(len(angles["elbow"])) / RATE_HZ
    rng = np.random.default_rng(seed)
    for values in angles.values():
        of_hz, phase = np.linspace(0.1, 1.0, 12), rng.uniform(0, 2 * np.pi, 12)
        values += 1.2 * np.sqrt(2 / 12) * np.sin(2 * np.pi * np.outer(time_s, of_hz) + phase).sum(axis=1)
    found = find_station_reps(time_s, angles, RATE_HZ, load_shipped("row_rotate"))
    there = [[visit.name for visit in rep.visits if visit.start_s <= rep.top_start_s] for rep in found]
    assert there == [["row", "rotate"]] * 3


def test_an_unsteady_arm_near_overhead_holds_a_station_once():
    """Straight overhead a degree of sway reads as many degrees of plane and rotation, and goes nowhere."""
    high: Posture = {**PRESS, "elevation": 162}
    angles = draw([(ROW, 3.0, 2.5), (ROTATE, 3.0, 2.5), (high, 3.0, 12.0), (ROTATE, 3.0, 0.1), (REACH, 3.0, 1.5)])
    time_s = np.arange(len(angles["elbow"])) / RATE_HZ
    held = np.flatnonzero(np.all([np.abs(angles[name] - high[name]) < 0.01 for name in high], axis=0))
    sway = np.zeros(len(time_s))
    sway[held] = 24.0 * np.sin(np.pi * np.arange(len(held)) / len(held)) * np.sin(2 * np.pi * 0.6 * time_s[held])
    angles["plane"] += sway
    angles["rotation"] -= sway
    (rep,) = find_station_reps(time_s, angles, RATE_HZ, load_shipped("row_rotate_press"))
    assert [visit.name for visit in rep.visits if visit.name == "press"] == ["press"]
    assert rep.top_end_s - rep.top_start_s > 11.0


def test_a_station_that_was_left_is_held_twice():
    dropped = {**ROW, "elevation": 60.0}
    left = [(ROW, 1.4, 1.5), (dropped, 0.6, 0.0), (ROW, 0.6, 1.5), *rep_of("row", "rotate")[1:]]
    found = found_in([*rep_of("row", "rotate"), *left, *rep_of("row", "rotate")], "row_rotate")
    assert [v.name for v in found[1].visits if v.start_s <= found[1].top_start_s] == ["row", "row", "rotate"]


@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize(("left_s", "under_way"), [(0.6, True), (5.0, False)])
def test_at_a_sets_end_a_rep_counts_that_is_under_way_at_its_mark(left_s, under_way, marked):
    """Two whole reps, and one of which the end is cut: on the way back to the start, or in its last stay. The end of a
    stretch that was not seen is no mark."""
    way = rep_of("row", "rotate")
    last = [(ROW, 1.4, 2.4), (ROTATE, 1.4, 5.0), (REACH, 1.4, 0.0)]
    angles = draw([*way, *way, *last])
    # Half a second into the way back it goes at its fastest.
    count = len(angles["elbow"]) - round((0.7 if under_way else left_s) * RATE_HZ)
    cut = {name: values[:count] for name, values in angles.items()}
    found = find_station_reps(np.arange(count) / RATE_HZ, cut, RATE_HZ, load_shipped("row_rotate"), (True, marked))
    assert len(found) == 2 + (under_way and marked)
    assert [rep.cut for rep in found] == [False] * 2 + [True] * (len(found) - 2)


@pytest.mark.parametrize("marked", [True, False])
@pytest.mark.parametrize("under_way", [True, False])
def test_at_a_sets_beginning_a_rep_counts_that_is_under_way_at_its_mark(under_way, marked):
    """The same in the first rep: on the way to its first station, or staying there."""
    way = rep_of("row", "rotate")
    angles = draw([(ROW, 1.4, 5.0), *way[1:], *way, *way])
    first = round((2.2 if under_way else 4.0) * RATE_HZ)
    cut = {name: values[first:] for name, values in angles.items()}
    time_s = np.arange(len(cut["elbow"])) / RATE_HZ
    found = find_station_reps(time_s, cut, RATE_HZ, load_shipped("row_rotate"), (marked, True))
    assert len(found) == 2 + (under_way and marked)
    assert [rep.cut for rep in found] == [True] * (len(found) - 2) + [False] * 2


def test_a_set_that_was_marked_within_reps_at_both_ends_has_both():
    """A second into the way to the first station, and half way back from the last one."""
    way = rep_of("row", "rotate")
    angles = draw([*way, *way, (ROW, 1.4, 2.4), (ROTATE, 1.4, 2.4), (REACH, 1.4, 0.0)])
    rows = slice(round(2.3 * RATE_HZ), -round(0.7 * RATE_HZ))
    cut = {name: values[rows] for name, values in angles.items()}
    found = find_station_reps(np.arange(len(cut["elbow"])) / RATE_HZ, cut, RATE_HZ, load_shipped("row_rotate"))
    assert [rep.cut for rep in found] == [True, False, True]
    assert [order(rep) for rep in found] == [["row", "rotate"]] * 3


def test_a_set_that_begins_within_the_first_move_counts_from_where_that_move_was_first_seen():
    """A second before it came to the first row; then most of the way back and there again, so a rep begins anew. How
    the arm is at the set's other end says nothing of its start."""
    back = {name: REACH[name] + 0.35 * (ROW[name] - REACH[name]) for name in REACH}
    first = [(ROW, 1.4, 2.4), (back, 1.0, 0.6), *rep_of("row", "rotate")]
    for last in ([], [(ROW, 1.4, 2.4), (ROTATE, 1.4, 3.0)]):
        angles = draw([*first, *rep_of("row", "rotate"), *last])
        cut = {name: values[round(2.0 * RATE_HZ) :] for name, values in angles.items()}
        found = find_station_reps(np.arange(len(cut["elbow"])) / RATE_HZ, cut, RATE_HZ, load_shipped("row_rotate"))
        assert [order(rep) for rep in found] == [["row"], ["row", "rotate"], ["row", "rotate"]]
        assert [rep.cut for rep in found] == [True, False, False]


@pytest.mark.parametrize(
    ("elbow_deg", "name"), [(45.0, None), (52.0, "row"), (90.0, "row"), (130.0, "row"), (155.0, None)]
)
def test_a_station_was_aimed_at_where_most_of_the_way_to_it_was_gone_or_more_than_all(elbow_deg, name):
    """From an elbow bent by 30 deg, of the 70 to 110 that are asked, with the arm beside the body: half of the way at
    least, and no more than 40 deg too far."""
    start = {**REACH, "elbow": 30.0}
    drill = load_shipped("row_rotate")
    assert station_of(drill, {**ROW, "elbow": elbow_deg}, {"start": start}, "start") == name


def test_where_an_angle_of_the_start_is_not_known_all_along_no_rep_is_found():
    """Such as the plane of an arm that hangs."""
    angles = draw(rep_of("row", "rotate") * 2)
    angles["plane"] = np.full_like(angles["plane"], np.nan)
    assert (
        find_station_reps(np.arange(len(angles["elbow"])) / RATE_HZ, angles, RATE_HZ, load_shipped("row_rotate")) == ()
    )


def test_of_a_rep_that_stayed_nowhere_the_top_is_where_the_leading_angle_was_furthest():
    """To the last station and straight back, after two reps that stayed; the forearm is furthest up at 1.4 s."""
    whole = [(ROW, 1.4, 2.4), (ROTATE, 1.4, 2.4), (REACH, 1.4, 1.2)]
    angles = draw([*whole, *whole, (ROTATE, 1.4, 0.0), (REACH, 1.4, 1.2)])
    time_s = np.arange(len(angles["elbow"])) / RATE_HZ
    *_, found = find_station_reps(time_s, angles, RATE_HZ, load_shipped("row_rotate"))
    assert found.visits == ()
    assert found.top_start_s == found.top_end_s == pytest.approx(1.5 + 2 * 10.2 + 1.4, abs=0.05)


@pytest.mark.parametrize("lost", ["after", "before"])
def test_a_rep_that_went_on_in_what_was_not_seen_has_that_in_it(lost):
    """It was last seen at its first station, or first at its last one: what it left out is not known."""
    way = rep_of("row", "rotate")
    angles = draw([*way, *way, *way, *way])
    time_s = np.arange(len(angles["elbow"])) / RATE_HZ
    each_s = time_s[-1] / 4
    # From within the second rep's first station to the start of the fourth, or from the end of the first to within the
    # third rep's last station.
    from_s, until_s = (each_s + 4.0, 3 * each_s + 0.5) if lost == "after" else (each_s, 2 * each_s + 6.5)
    unseen = (time_s > from_s) & (time_s < until_s)
    shown = {name: np.where(unseen, np.nan, values) for name, values in angles.items()}
    found = find_station_reps(time_s, shown, RATE_HZ, load_shipped("row_rotate"))
    for rep in found:
        seen = not ((time_s > rep.start_s) & (time_s < rep.end_s) & unseen).any()
        assert order(rep) == ["row", "rotate"] or not seen
    assert any(not (rep.end_s < from_s or rep.start_s > until_s) for rep in found)
