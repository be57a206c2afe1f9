"""The parameters of what is looked for where nobody marked; `propose` looks, and a stage has no other use for them."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True, slots=True)
class RepeatParams:
    """What comes back. low_pass_hz: exercise turns a limb no faster to and fro, tremor does. stay_rad: postures nearer
    than this are one stay. least_arc_rad: the least way that is looked at. back_share: a posture is back where this
    share of the way, or less, is left. longest_rep_s: no rep lasts longer. alike_share, alike_rad: excursions go to
    the same posture where they differ by no more than this share of their way and so many radians. uneven: reps last
    as long as each other within this factor; odd_short, odd_long: one among them may differ by this. neighbours: those
    before it, by which a rep is looked at. most_between: so many stays may lie between two reps. half_share: half a rep
    lasts no longer than this share of one. most_way: the way of a rep against the one before. set_rest_s,
    usual_pauses: a set ends at a rest of so many seconds that is also so many times its usual pause. stride_s,
    swing_rad: what is shorter, and swings no further, are strides.

    Sources. low_pass_hz, stay_rad, least_arc_rad, back_share, longest_rep_s, alike_share, alike_rad, uneven, odd_short,
    odd_long, neighbours, most_between, half_share, most_way, set_rest_s, usual_pauses, stride_s, swing_rad: ours.
    """

    low_pass_hz: float = 2.5
    stay_rad: float = np.radians(8.0)
    least_arc_rad: float = np.radians(15.0)
    back_share: float = 0.35
    longest_rep_s: float = 160.0
    alike_share: float = 0.3
    alike_rad: float = np.radians(8.0)
    uneven: float = 1.6
    odd_short: float = 2.3
    odd_long: float = 1.9
    neighbours: int = 5
    most_between: int = 14
    half_share: float = 0.8
    most_way: float = 2.0
    set_rest_s: float = 8.0
    usual_pauses: float = 3.0
    stride_s: float = 1.45
    swing_rad: float = np.radians(70.0)


@dataclass(frozen=True, slots=True)
class EvenParams:
    """How even exercise is, in log odds. sure: of a movement of a drill that nothing is off. fewest_reps: fewer are no
    set. enough_reps, few_weight: each rep less than these counts against it; slow_s, quick_weight: each second that a
    rep is quicker. lasts_weight, periods_weight, unlike_weight, loop_weight: each share of the scatter of durations, of
    periods and of tops, and of a way back that is another. strayed_weight: each stay that is no part of a rep, of one
    for each rep. stations_weight: several stations in their order are no chance. filled_share, filled_reps,
    filled_chance: a recording of which so much is one movement that comes so often is exercise, so likely. other: as
    many movements that are exercise, and that are none, every recording is taken to have beside its own.

    Sources. sure, fewest_reps, enough_reps, few_weight, slow_s, quick_weight, lasts_weight, periods_weight,
    unlike_weight, loop_weight, strayed_weight, stations_weight, filled_share, filled_reps, filled_chance, other: ours,
    set on simulated sessions and days of persons that no table reports, and on open recordings.
    """

    sure: float = 9.2
    fewest_reps: int = 3
    enough_reps: int = 8
    few_weight: float = 0.8
    slow_s: float = 2.4
    quick_weight: float = 2.0
    lasts_weight: float = 11.0
    periods_weight: float = 3.5
    unlike_weight: float = 10.0
    loop_weight: float = 15.0
    strayed_weight: float = 1.5
    stations_weight: float = 4.0
    filled_share: float = 0.55
    filled_reps: int = 4
    filled_chance: float = 0.95
    other: float = 1.0


@dataclass(frozen=True, slots=True)
class FitParams:
    """How well a drill fits. What is so far outside of a range is off by one: usual_off_deg, of angles that also faults
    and skin move thumb_up_off_deg, plane_off_deg, rotation_off_deg, forearm_off_deg. most_off: no single thing is off
    by more. count_weight: the share of the reps that a drill does not see, or sees too many of. missed_weight: the
    share of them that leave out one of several stations. full_share, part_weight: a drill whose reps take in less than
    this share of all that the arm moves sees a part of another movement. path_hz: where a segment points is looked at
    this often for how far it goes. beyond_deg: the arm passes so much beyond the drill's postures before it is off.
    lying_low_deg, lying_high_deg: where the upper arm of a body that lies is against the vertical; held_low_deg,
    held_high_deg: of an arm that holds while the other lifts. other_arm, other_moves, other_unseen: what speaks against
    a drill whose other arm does otherwise than asked. unseen_range: a range of an angle that was not seen. unseen_off:
    an arm of which the drill shows no whole rep. least_hold_s, most_pause_s, hold_off: held where no hold is asked, or
    none where one is. none_off: none of them is as likely as a drill of which this is off. instead_reps, instead_off,
    instead_apart, min_rows: another drill is done than the asked one where so many reps of it, in so many rows, are off
    by no more, and the asked one by so much more.

    Sources. usual_off_deg, thumb_up_off_deg, plane_off_deg, rotation_off_deg, forearm_off_deg, most_off, count_weight,
    missed_weight, full_share, part_weight, path_hz, beyond_deg, lying_low_deg, lying_high_deg, held_low_deg,
    held_high_deg, other_arm, other_moves, other_unseen, unseen_range, unseen_off, least_hold_s, most_pause_s, hold_off,
    none_off, instead_reps, instead_off, instead_apart, min_rows: ours.
    """

    usual_off_deg: float = 12.0
    thumb_up_off_deg: float = 25.0
    plane_off_deg: float = 20.0
    rotation_off_deg: float = 14.0
    forearm_off_deg: float = 25.0
    most_off: float = 3.5
    count_weight: float = 4.0
    missed_weight: float = 1.5
    full_share: float = 0.75
    part_weight: float = 8.0
    path_hz: float = 4.0
    beyond_deg: float = 17.0
    lying_low_deg: float = 50.0
    lying_high_deg: float = 130.0
    held_low_deg: float = 45.0
    held_high_deg: float = 130.0
    other_arm: float = 3.5
    other_moves: float = 1.5
    other_unseen: float = 0.5
    unseen_range: float = 0.6
    unseen_off: float = 6.0
    least_hold_s: float = 1.0
    most_pause_s: float = 2.5
    hold_off: float = 0.6
    none_off: float = 3.3
    instead_reps: int = 2
    instead_off: float = 2.5
    instead_apart: float = 1.5
    min_rows: int = 50

    def off_deg(self, angle: str) -> float:
        """How far outside of a range of this angle is off by one."""
        own = {
            "thumb_up": self.thumb_up_off_deg,
            "plane": self.plane_off_deg,
            "rotation": self.rotation_off_deg,
            "forearm": self.forearm_off_deg,
        }
        return own.get(angle, self.usual_off_deg)


@dataclass(frozen=True, slots=True)
class StartParams:
    """The neutral pose and the movements after it. of_movements, of_bends: what two kinds of them, and one, weigh for a
    pose; of_standing, alone_s: a stillness of so many seconds before marked sets, where nothing else speaks. hangs_deg:
    a limb hangs as it did where it is within this. bend_deg, quiet_deg: elbows bend by so much over an upper arm that
    stays within the second; raise_low_deg, raise_high_deg: straight arms rise between these. soon_s: movements come so
    soon after the pose. most_movements: those of a longer row are an exercise; fewest_in_exercise: of this many.
    between_s, longest_movement_s: the rest between two, and what one lasts, at the most. longest_high_s: arms that are
    held up for bends are down again after this. stays_s: where nobody is still, arms stay for so long within what is
    one posture. settles_s, overlap_s: the first may begin so much before the stillness ends, any other before the one
    before it does. margin_s: around the first and the last of them. together: both segments rise together where the
    lesser way is this share of the larger one; skin hides more of a turn. rests_share: of what is no exercise, the arm
    rests at the pose for this share at least, where only a raise speaks for it.

    Sources. of_movements, of_bends, of_standing, alone_s, hangs_deg, bend_deg, quiet_deg, raise_low_deg,
    raise_high_deg, soon_s, most_movements, fewest_in_exercise, between_s, longest_movement_s, longest_high_s, stays_s,
    settles_s, overlap_s, margin_s, together, rests_share: ours.
    """

    of_movements: float = 6.0
    of_bends: float = 1.5
    of_standing: float = 0.2
    alone_s: float = 3.0
    hangs_deg: float = 16.0
    bend_deg: float = 55.0
    quiet_deg: float = 35.0
    raise_low_deg: float = 50.0
    raise_high_deg: float = 130.0
    soon_s: float = 20.0
    most_movements: int = 7
    fewest_in_exercise: int = 3
    between_s: float = 5.0
    longest_movement_s: float = 10.0
    longest_high_s: float = 60.0
    stays_s: float = 2.0
    settles_s: float = 2.0
    overlap_s: float = 0.1
    margin_s: float = 0.4
    together: float = 0.85
    rests_share: float = 0.25


@dataclass(frozen=True, slots=True)
class ProposeParams:
    """What is proposed. least_probability: what is less likely exercise is not counted; least_named: down to this it is
    named. short_s, rest_s, fewest_stays: a recording of no more than this, in which no arm of so many stays rests
    longer, was cut to one set. next_weight, asked_weight, unasked_weight: of a drill that the plan asks next, that it
    asks at all, and that it does not ask. both_share: chains of the two arms are one set where they share so much of
    that of the arm that does less. sway_share: an arm whose way is this share of the other one's, or less, is swayed by
    it. margin_s: a set is marked so much before its first movement and after its last one. cut_s: a recording that
    begins or ends so soon before or after a set was cut to it. beside_s, hanging_deg, turned_deg: the arm hangs for a
    moment this near to a set, and a body that turned did so by more than an arm hangs turned. told_share: less likely
    drills are not named. alike_share: a drill that is at least so likely as this share of the likeliest is not told
    from it. raised_deg, near_deg: where an arm is raised its plane tells the direction, which is met to within this.

    Sources. least_probability, least_named, short_s, rest_s, fewest_stays, next_weight, asked_weight, unasked_weight,
    both_share, sway_share, margin_s, cut_s, beside_s, hanging_deg, turned_deg, told_share, alike_share, raised_deg,
    near_deg: ours.
    """

    repeats: RepeatParams = field(default_factory=RepeatParams)
    even: EvenParams = field(default_factory=EvenParams)
    fit: FitParams = field(default_factory=FitParams)
    start: StartParams = field(default_factory=StartParams)
    least_probability: float = 0.5
    least_named: float = 0.15
    short_s: float = 300.0
    rest_s: float = 6.0
    fewest_stays: int = 6
    next_weight: float = 6.0
    asked_weight: float = 3.0
    unasked_weight: float = 0.3
    both_share: float = 0.5
    sway_share: float = 0.4
    margin_s: float = 0.8
    cut_s: float = 6.0
    beside_s: float = 8.0
    hanging_deg: float = 25.0
    turned_deg: float = 40.0
    told_share: float = 0.05
    alike_share: float = 0.4
    raised_deg: float = 60.0
    near_deg: float = 25.0
