"""Who is simulated: bodies, habits and skin, drawn by seed from one of two populations.

`tuning` is narrower, for setting constants; `table` is wider, for figures that are published. Where no source stands
beside a range it is our own estimate of what people do.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from imu_shoulder.model import SIDES, Side
from second_simulator.strokes import Habit

Population = Literal["tuning", "table"]

# Shoulder blade's upward rotation as a share of elevation from 30 to 120 deg: median of eleven in-vivo studies
# (quarter to quarter 25 to 34), SD between people 5 to 6; under 30 deg 8 to 50 by study. Read from the Spartacus
# collection, article doi 10.1016/j.jbiomech.2025.112642, data doi 10.5281/zenodo.11455521.
BLADE_SHARE, BLADE_SHARE_SD = 0.315, 0.055
BLADE_SHARE_BELOW_30 = (0.08, 0.50)


@dataclass(frozen=True, slots=True)
class Posture:
    """One arm's joint angles in degrees, as docs/coordinates.md defines them."""

    elevation: float
    plane: float
    rotation: float
    elbow: float
    forearm: float


@dataclass(frozen=True, slots=True)
class Skin:
    """What lies between bone and sensor on one arm.

    hidden: share of the upper arm's turn about itself that its sensor does not follow; uneven: how much larger that
    share is at 60 deg of turn, relative. with_elevation_deg, with_hand_deg: turn of the skin at 90 deg of elevation,
    and at 80 deg of pronation. spring_hz, damping: of the skin about the bone. hidden_wrist: the same as hidden, of
    pronation. biceps_deg, deltoid_deg: tilt of the upper-arm sensor with the elbow fully bent, the arm at 120.
    wobble_hz, wobble_damping, wobble_deg_mm: the soft mass under the sensor, and its tilt per displacement.
    creep_deg, creep_s: how far the strap turns about the limb over a session, and how soon.
    """

    hidden: float
    uneven: float
    with_elevation_deg: float
    with_hand_deg: float
    spring_hz: float
    damping: float
    hidden_wrist: float
    biceps_deg: float
    deltoid_deg: float
    wobble_hz: float
    wobble_damping: float
    wobble_deg_mm: float
    creep_deg: tuple[float, float]
    creep_s: float


@dataclass(frozen=True, slots=True)
class Arm:
    """One arm: how it hangs when asked for the neutral pose and when nobody looks, its elbow, its blade, its skin.

    carrying_deg: Int J Morphol 2018 36:135-139, men 9.8 +- 2.8, women 14.0 +- 4.0. stop_deg: the straight elbow's end,
    0.6 +- 3.1 (Boone and Azen 1979, from memory). blade_share, blade_share_low: upward rotation per elevation, from 30
    to 120 and under 30.
    """

    pose: Posture
    relaxed: Posture
    carrying_deg: float
    stop_deg: float
    blade_share: float
    blade_share_low: float
    skin: Skin


@dataclass(frozen=True, slots=True)
class Person:
    """One person. Angles in degrees.

    sway_deg, wander_deg: RMS from 0.15 to 3 Hz of the trunk's tilt and turn in standing, of a raised arm against the
    trunk. wander_slope: of its spectrum. return_deg: how differently the arm comes back to hanging. tempo_s: of a
    stroke through a drill's arc. hold_s: what is held where a hold is asked; 0 turns round. pause_s: between reps.
    breaks: chance of an unasked pause in a stroke. tired: 0 to 1, how much the end of a set differs. top_deg: where
    in a drill's band the arm is held, from its middle or its limit. can_plane_deg, raise_plane_deg: planes of full
    can and of forward raises. hand_deg: turn of the forearm on top against the pose. straightens: whether the elbow
    is straightened to its stop in the bends. gait_hz: strides, two steps each. turns_deg: the body's change of facing
    after a walk, SD. girth_m: of the upper arm. hang_free: how much of the trunk's sway a hanging arm does not follow.
    bias_deg_s: range of the gyroscopes' turn-on bias, its size.
    """

    seed: int
    population: Population
    height_m: float
    girth_m: float
    arms: Mapping[Side, Arm]
    habit: Habit
    sway_deg: float
    wander_deg: float
    wander_slope: float
    tremor_deg: float
    tremor_hz: float
    breathing_deg: float
    breathing_hz: float
    return_deg: float
    hang_free: float
    tempo_s: float
    hold_s: float
    pause_s: float
    breaks: float
    tired: float
    top_deg: float
    can_plane_deg: float
    raise_plane_deg: float
    hand_deg: float
    straightens: bool
    gait_hz: float
    gait_swing_deg: float
    walk_m_s: float
    turns_deg: float
    bias_deg_s: tuple[float, float]

    def random(self, *purpose: int) -> np.random.Generator:
        """The person's own random numbers for one purpose: the same on every call."""
        return np.random.default_rng([self.seed, *purpose])


def person(seed: int, population: Population) -> Person:
    """The person with this number. The same seed gives another person in the other population."""
    wide = _WIDE[population]
    rng = np.random.default_rng([seed, 1 + list(_WIDE).index(population)])
    within = rng.uniform
    arms = {side: _arm(rng, wide) for side in SIDES}
    # The two arms of a person are alike in part.
    alike = replace(arms["left"], carrying_deg=arms["right"].carrying_deg + rng.normal(0, 1.0))
    habit = Habit(
        peak=within(0.36, 0.56),
        uneven=within(0.05, 0.35 if wide else 0.2),
        corrections=within(0.2, 1.5),
        spread=within(0.03, 0.18 if wide else 0.1),
        bow=within(0.0, 0.05),
    )
    return Person(
        seed=seed,
        population=population,
        height_m=float(np.clip(rng.normal(1.72, 0.1), 1.48, 2.0)),
        girth_m=within(0.26, 0.36),
        arms={"right": arms["right"], "left": alike},
        habit=habit,
        sway_deg=within(0.2, 1.5 if wide else 0.6),
        wander_deg=within(0.2, 1.5 if wide else 0.6),
        wander_slope=within(1.4, 2.6),
        tremor_deg=within(0.002, 0.012),
        tremor_hz=within(8.0, 11.0),
        breathing_deg=within(0.1, 0.6),
        breathing_hz=within(0.18, 0.33),
        return_deg=within(1.0, 5.0 if wide else 3.0),
        hang_free=within(0.0, 0.8),
        tempo_s=float(np.exp(within(np.log(0.8), np.log(8.0)))) if wide else within(1.3, 3.5),
        hold_s=float(np.exp(within(np.log(2.0), np.log(20.0)))) if wide else within(5.4, 7.0),
        pause_s=within(0.2, 3.0) if wide else within(0.7, 2.0),
        breaks=within(0.0, 0.05 if wide else 0.01),
        tired=within(0.0, 1.0 if wide else 0.5),
        top_deg=within(-5.0, 6.0) if wide else within(-3.0, 4.0),
        can_plane_deg=float(np.clip(rng.normal(38, 9 if wide else 5), 27, 85)),
        raise_plane_deg=rng.normal(88.0, 3.0),
        hand_deg=rng.normal(-6.0, 8.0 if wide else 5.0),
        straightens=bool(rng.random() < 0.5),
        gait_hz=within(0.75, 1.02),
        gait_swing_deg=within(6.0, 22.0),
        walk_m_s=within(0.7, 1.4),
        turns_deg=90.0 if wide else 25.0,
        bias_deg_s=(0.1, 1.5) if wide else (0.1, 0.6),
    )


_WIDE: dict[Population, bool] = {"tuning": False, "table": True}


def _arm(rng: np.random.Generator, wide: bool) -> Arm:
    within = rng.uniform
    out_deg, forward_deg = rng.normal(2.5, 2.0), rng.normal(0.5, 2.0)
    pose = Posture(
        elevation=float(np.hypot(out_deg, forward_deg)),
        plane=float(np.degrees(np.arctan2(forward_deg, out_deg))),
        rotation=rng.normal(0.0, 10.0 if wide else 4.0),
        elbow=max(0.0, rng.normal(5.0, 2.5)),
        forearm=rng.normal(2.0, 6.0 if wide else 4.0),
    )
    relaxed = Posture(within(3, 13), within(-20, 60), within(-25, 5), within(8, 24), within(5, 45))
    # Hidden turn: Warner and Heller 2025, doi 10.1016/j.jbiomech.2025.112893, up to half of it.
    skin = Skin(
        hidden=within(0.1, 0.5) if wide else within(0.2, 0.4),
        uneven=within(-0.2, 0.2),
        with_elevation_deg=rng.normal(0, 5.0 if wide else 2.5),
        with_hand_deg=rng.normal(0, 3.0 if wide else 1.5),
        spring_hz=within(1.5, 5.0),
        damping=within(0.35, 0.9),
        hidden_wrist=within(0.02, 0.15),
        biceps_deg=within(0.0, 4.0 if wide else 2.0),
        deltoid_deg=rng.normal(0.0, 2.0 if wide else 1.0),
        wobble_hz=within(6.0, 12.0),
        wobble_damping=within(0.15, 0.45),
        wobble_deg_mm=within(0.0, 0.35),
        creep_deg=(rng.normal(0, 2.0 if wide else 1.0), rng.normal(0, 1.5 if wide else 0.7)),
        creep_s=within(60, 900),
    )
    return Arm(
        pose=pose,
        relaxed=relaxed,
        carrying_deg=float(np.clip(rng.normal(*((9.8, 2.8), (14.0, 4.0))[int(rng.integers(2))]), 2.0, 24.0)),
        stop_deg=rng.normal(0.6, 3.1),
        blade_share=float(np.clip(rng.normal(BLADE_SHARE, BLADE_SHARE_SD), 0.15, 0.48)),
        blade_share_low=within(*BLADE_SHARE_BELOW_30),
        skin=skin,
    )


def calmed(who: Person) -> Person:
    """The same body without restlessness: quiet, even and rested, with a usual tempo and hold and usual skin."""
    arms = {
        side: replace(
            arm,
            skin=replace(
                arm.skin, hidden=0.3, with_elevation_deg=0.0, with_hand_deg=0.0, uneven=0.0, creep_deg=(0.0, 0.0)
            ),
        )
        for side, arm in who.arms.items()
    }
    return replace(
        who,
        arms=arms,
        habit=replace(who.habit, uneven=0.1, spread=0.05),
        sway_deg=0.3,
        wander_deg=0.3,
        tremor_deg=0.004,
        tempo_s=2.0,
        hold_s=6.0,
        pause_s=1.5,
        breaks=0.0,
        tired=0.1,
        bias_deg_s=(0.1, 0.4),
    )
