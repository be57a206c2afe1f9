"""Strokes of a path drawn by hand: which belong to the set, how much of each was seen, and which end is the start."""

from __future__ import annotations

import numpy as np
import pytest

from imu_shoulder.segment.curve import LEAST_HZ, QUICK_DEG_S, SMOOTH_HZ, STEP, stroke_cutoff_hz
from imu_shoulder.segment.free_strokes import find_alternation, find_strokes, rep_pieces, start_sign, unfold

ROWS = 40


def to_and_fro(*ends):
    """Straight on from each end to the next, ROWS each."""
    return np.interp(np.arange(ROWS * (len(ends) - 1) + 1), ROWS * np.arange(len(ends)), ends)


def path_of(x, beside=0.0):
    return np.column_stack([x, np.broadcast_to(beside, x.shape), np.zeros(len(x))])


def strokes_of(*ends, still=(True, True)):
    found = find_strokes(path_of(to_and_fro(*ends)), *still)
    assert found is not None
    return found


@pytest.mark.parametrize("strokes", [4, 6])
def test_a_path_that_begins_at_a_turn_begins_with_that_turn(strokes):
    """To and fro without a pause; on the first stroke the arm is a long way beside the path of the others."""
    x = to_and_fro(*(np.arange(strokes + 1) % 2))
    found = find_strokes(path_of(x, np.where(np.arange(len(x)) < ROWS, 3.0, 0.0)), still_start=False, still_end=True)
    assert found is not None
    assert found.first == ROWS
    assert found.turns.tolist() == list(range(ROWS, len(x), ROWS))


@pytest.mark.parametrize("share", [0.5, 0.8])
def test_a_stroke_that_is_cut_at_an_end_is_held_against_its_neighbours(share):
    """The first or the last stroke begins or ends part way; all others go the whole way."""
    whole = (0.0, 1.0) * 4
    for ends, place in (((1.0 - share, *whole[1:]), 1), ((*whole, 1.0 - share), -2)):
        shares = strokes_of(*ends).shares
        assert shares[place] == pytest.approx(share, abs=0.02)
        assert np.delete(shares[1:-1], [0, -1]) == pytest.approx(1.0)
        assert (shares <= 1.0).all()


def test_two_strokes_and_no_fewer_are_a_set():
    assert strokes_of(0.0, 1.0, 0.0).turns.tolist() == [0, ROWS, 2 * ROWS]
    assert strokes_of(0.0, 1.0).turns.tolist() == [0, ROWS]
    assert find_strokes(path_of(to_and_fro(0.0, 0.02)), still_start=True, still_end=True) is None


@pytest.mark.parametrize(("apart", "told"), [(0.1, False), (0.3, True)])
def test_every_second_top_in_another_place_is_told_where_the_places_are_apart(apart, told):
    """By a fifth of a stroke; nearer than that they are one place."""
    ends = [float(k % 2) for k in range(19)]
    x = to_and_fro(*ends)
    beside = to_and_fro(*[apart / 2 * (1 if k % 4 == 1 else -1) * (k % 2) for k in range(19)])
    strokes = find_strokes(path_of(x), still_start=True, still_end=True)
    assert strokes is not None
    found = find_alternation(path_of(x, beside), strokes)
    assert (found is not None) is told
    if found is not None:
        assert found.apart == pytest.approx(apart, rel=0.01)
        assert strokes.turns[found.first] % (2 * ROWS) == ROWS
        assert np.abs(found.axis) == pytest.approx([0.0, 1.0, 0.0], abs=1e-6)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_set_that_is_still_at_both_ends_in_one_posture_starts_there(sign):
    x = sign * to_and_fro(*(0.0, 1.0) * 4, 0.0)
    strokes = find_strokes(path_of(x), still_start=True, still_end=True)
    assert strokes is not None
    assert start_sign(x, strokes) == sign
    assert [top for top, _, _ in rep_pieces(x, strokes, sign) if top not in (strokes.first, strokes.last)] == [
        ROWS * k for k in (1, 3, 5, 7)
    ]


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("still", [(True, False), (False, True), (False, False)])
def test_a_recording_that_is_cut_starts_where_the_fewest_ways_are_left_over(still, sign):
    """Whole reps from the low end, whether or not a stillness at an end was recorded."""
    x = sign * to_and_fro(*(0.0, 1.0) * 4, 0.0)
    strokes = find_strokes(path_of(x), *still)
    assert strokes is not None
    assert start_sign(x, strokes) == sign


def test_a_set_that_was_recorded_up_to_a_hold_starts_where_it_was_seen_first():
    """Still at both ends, the one low and the other high: as much speaks for either, but it began low."""
    x = to_and_fro(*(0.0, 1.0) * 4)
    strokes = find_strokes(path_of(x), still_start=True, still_end=True)
    assert strokes is not None
    assert strokes.paused
    assert start_sign(x, strokes) == 1
    assert start_sign(-x, strokes) == -1


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("ends", [(0, 1, 0, 1, 0), (1, 0, 1, 0, 1), (0, 1, 0, 1, 0, 1), (1, 0, 1, 0, 1, 0)])
def test_every_stroke_is_in_one_rep_and_each_top_has_its_own(ends, sign):
    """Away and back; a stroke at an end without the other one is of a rep that was cut."""
    strokes = strokes_of(*map(float, ends))
    pieces = rep_pieces(to_and_fro(*map(float, ends)), strokes, sign)
    assert sum(away + back for _, away, back in pieces) == pytest.approx(len(ends) - 1)
    tops = [ROWS * k for k, end in enumerate(ends) if sign * (end - 0.5) > 0]
    assert [top for top, away, back in pieces if away + back > 0] == tops


@pytest.mark.parametrize(("sign", "last"), [(1, (0.3, 0.0)), (-1, (1.0, 0.3))])
def test_what_begins_before_the_recording_ends_is_left_over_or_a_way_back(sign, last):
    """0.3 of a stroke behind two whole reps from the low end: away from it, or back to where a rep from the high end
    begins."""
    ends = (0.0, 1.0, 0.0, 1.0, 0.0, 0.3)
    pieces = rep_pieces(to_and_fro(*ends), strokes_of(*ends, still=(True, False)), sign)
    assert pieces[-1][1:] == pytest.approx(last)
    assert sum(away + back for _, away, back in pieces) == pytest.approx(4.3)


def test_two_strokes_that_are_one_rep_are_laid_end_to_end():
    """Up through both, and down through the next two: at the far end is the place where every second turn is."""
    x = to_and_fro(*(0.0, 1.0) * 4, 0.0)
    turns = ROWS * np.arange(9)
    found = unfold(x, turns, 0)
    assert found[turns] == pytest.approx([0, 1, 2, 1, 0, 1, 2, 1, 0])
    assert found[turns[:4] + ROWS // 2] == pytest.approx([0.5, 1.5, 1.5, 0.5])


@pytest.mark.parametrize(("speed", "pauses"), [(0.1, True), (0.5, False)])
def test_getting_into_position_ends_at_a_pause_or_else_at_the_next_turn(speed, pauses):
    """A pause is slower than a fifth of the brisk strokes. From beside the path to below it, there for 40 rows, and
    up: what is left of that way is no more than one stroke."""
    strokes = to_and_fro(0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0)
    below = np.linspace(-1.0 - speed, -1.0, ROWS, endpoint=False)
    x = np.concatenate(
        [np.linspace(-2.0, -1.0 - speed, ROWS), below, np.linspace(-1.0, 0.0, ROWS, endpoint=False), strokes]
    )
    beside = np.concatenate([np.linspace(3.0, 0.0, ROWS), np.zeros(len(x) - ROWS)])
    # The same the other way round for getting out of it.
    mirrored = find_strokes(path_of(x, beside)[::-1], still_start=True, still_end=False)
    assert mirrored is not None
    assert (mirrored.shares <= 1.0).all()
    found = find_strokes(path_of(x, beside), still_start=False, still_end=True)
    assert found is not None
    assert mirrored.last == len(x) - 1 - found.first
    if pauses:
        assert ROWS // 2 < found.first <= ROWS
        assert found.turns[0] == found.first or found.shares[0] == 1.0
    else:
        assert found.turns[0] == found.first
    assert found.paused is pauses
    assert (found.shares <= 1.0).all()


@pytest.mark.parametrize("peak_deg_s", [30.0, 60.0, 90.0])
def test_slow_strokes_are_looked_at_more_smoothly_in_proportion(peak_deg_s):
    in_proportion_hz = SMOOTH_HZ * peak_deg_s / QUICK_DEG_S
    assert in_proportion_hz <= stroke_cutoff_hz(peak_deg_s) < STEP * in_proportion_hz
    assert LEAST_HZ <= stroke_cutoff_hz(1.0) < STEP * LEAST_HZ
    assert stroke_cutoff_hz(1000.0) == SMOOTH_HZ
