"""Named scenarios for demos and tests, and one drill by itself for accuracy work. The athletes are invented."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from imu_shoulder.drills import shipped_ids
from imu_shoulder.errors import ParameterError
from imu_shoulder.model import Side
from imu_shoulder.simulate.athlete import Athlete
from imu_shoulder.simulate.damage import Damage
from imu_shoulder.simulate.script import (
    Block,
    Chore,
    ElbowBends,
    ForwardRaises,
    PartWay,
    Pause,
    Pose,
    RangeTestScript,
    Scenario,
    SetScript,
)
from imu_shoulder.simulate.sensor import SensorModel, Slip

ARMS = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm")
CALIBRATION: tuple[Block, ...] = (Pose(), ElbowBends(), ForwardRaises())


def clean_warm_up() -> Scenario:
    """M.K. does four sets well: side-lying rotation, full can, band loop with both arms, short arcs overhead."""
    return Scenario(
        athlete=Athlete("M.K."),
        name="clean_warm_up",
        placements=(*ARMS, "sternum"),
        blocks=(
            *CALIBRATION,
            SetScript("sidelying_external_rotation", "right", reps=8, lift_s=1.7, lower_s=1.9),
            Pause(6, "walk"),
            SetScript("full_can", "right", reps=5, load_kg=1.5, pain=0),
            Pause(6, "fidget"),
            SetScript("band_loop_raise", "both", reps=5),
            Pause(6, "walk"),
            SetScript("overhead_short_arc", "left", reps=6, lift_s=1.5, lower_s=1.6),
            Pause(4, "stand"),
            Pose(),
        ),
    )


def faulty_warm_up() -> Scenario:
    """T.S. shows most faults, fades over a set, lets holds sink and tops out lower on the left."""
    return Scenario(
        athlete=Athlete("T.S.", humerus_m=0.29, forearm_m=0.25, pose_elevation_deg=5.0, pose_elbow_deg=9.0),
        name="faulty_warm_up",
        start="2025-03-06T17:10:00+01:00",
        placements=(*ARMS, "sternum", "right_acromion"),
        blocks=(
            *CALIBRATION,
            SetScript(
                "full_can",
                "right",
                reps=8,
                lift_s=1.6,
                lower_s=1.8,
                faults={
                    2: ("short_arc",),
                    3: ("thumb_down",),
                    4: ("hold_short",),
                    5: ("false_start", "shrug"),
                    6: ("trunk_moved",),
                    7: ("partial",),
                    8: ("too_fast",),
                },
                pain=1,
            ),
            Pause(6, "walk"),
            SetScript(
                "band_external_rotation",
                "right",
                reps=5,
                lift_s=1.5,
                lower_s=1.5,
                fade=0.2,
                faults={3: ("elbow_off",)},
                tremor_deg=0.3,
            ),
            Pause(5, "fidget"),
            SetScript(
                "band_loop_raise",
                "both",
                reps=4,
                lift_s=1.6,
                uneven_deg=9,
                faults_by_side={"left": {3: ("plane_off",)}},
            ),
            Pause(6, "walk"),
            SetScript("full_can_hold_and_lift", "left", reps=5, hold_drift_deg_s=-0.4, faults={4: ("start_missed",)}),
            Pause(4, "stand"),
            SetScript("row_rotate", "right", reps=3, lift_s=1.4, lower_s=1.4, faults={2: ("station_skipped",)}),
            Pause(3, "stand"),
        ),
    )


def damaged_warm_up() -> Scenario:
    """M.K. moves well, but the sensors do not hold: losses, an outage, a clock set back, a strap that slips."""
    return Scenario(
        athlete=Athlete("M.K."),
        name="damaged_warm_up",
        start="2025-03-08T08:45:00+01:00",
        placements=(*ARMS, "sternum"),
        blocks=(
            *CALIBRATION,
            SetScript("full_can", "right", reps=6),
            Pause(6, "walk"),
            SetScript("band_external_rotation", "left", reps=5),
            Pause(6, "fidget"),
            SetScript("band_loop_raise", "both", reps=6),
            Pause(4, "stand"),
        ),
        sensors={
            "right_upper_arm": SensorModel(slips=(Slip(212.0, 25.0),)),
            "left_wrist": SensorModel(clock_ppm=80.0, stamp_jitter_s=0.003),
            "sternum": SensorModel(true_rate_factor=0.97),
        },
        damage={
            "right_wrist": Damage(drop_share=0.01, bursts=4, outages=((52.0, 1.4),)),
            "right_upper_arm": Damage(bursts=3),
            "left_wrist": Damage(drop_share=0.02, duplicate_share=0.004),
            "left_upper_arm": Damage(step_back=(118.0, 0.05), stuck=(("gyr_x", 130.0, 131.5),)),
        },
    )


# Takes the neutral pose with care.
_CAREFUL = Athlete("L.V.", humerus_m=0.3, pose_elevation_deg=1.5, pose_elbow_deg=3.0, pose_forearm_deg=2.0)


def range_tests() -> Scenario:
    """L.V.'s baseline before any drill: every range test with both arms; the left turns out less than the right."""
    turns_out_deg: Mapping[Side, tuple[float, ...]] = {"right": (76.0, 81.0, 79.0), "left": (57.0, 62.0, 60.0)}
    return Scenario(
        athlete=_CAREFUL,
        name="range_tests",
        start="2025-03-10T18:00:00+01:00",
        placements=(*ARMS, "sternum"),
        blocks=(
            *CALIBRATION,
            RangeTestScript("flexion", "both", {"right": (161.0, 164.0, 163.0), "left": (158.0, 162.0, 161.0)}),
            Pause(4, "stand"),
            RangeTestScript("abduction", "both", {"right": (148.0, 152.0, 150.0), "left": (146.0, 149.0, 150.0)}),
            Pause(4, "stand"),
            RangeTestScript("external_rotation_at_side", "both", turns_out_deg),
            Pause(4, "stand"),
            RangeTestScript("external_rotation_at_90", "both", {"right": (94, 98, 97), "left": (82, 86, 85)}),
            Pause(4, "stand"),
            RangeTestScript("internal_rotation_at_90", "both", {"right": (52, 56, 55), "left": (51, 54, 55)}),
            Pause(4, "stand"),
        ),
    )


def planned_warm_up() -> Scenario:
    """L.V. follows a plan: pauses part-way, more reps with the left arm, a station left out, then pain; the rest is not
    done."""
    return Scenario(
        athlete=_CAREFUL,
        name="planned_warm_up",
        start="2025-03-12T17:30:00+01:00",
        placements=(*ARMS, "sternum"),
        blocks=(
            *CALIBRATION,
            SetScript("band_external_rotation", "left", reps=5, hold_s=3.4, lift_s=1.5, lower_s=1.6, pain=0),
            Pause(6, "walk"),
            SetScript(
                "full_can",
                "right",
                reps=4,
                hold_s=3.4,
                pauses=(PartWay("up", 0.5, 2.4), PartWay("down", 0.5, 2.4)),
                load_kg=1.5,
                pain=1,
            ),
            Pause(6, "fidget"),
            SetScript("overhead_short_arc", "both", reps={"right": 4, "left": 6}, lift_s=1.5, lower_s=1.6, pain=1),
            Pause(6, "walk"),
            SetScript(
                "row_rotate_press",
                "right",
                reps=3,
                lift_s=1.4,
                lower_s=1.4,
                faults={2: ("station_skipped",)},
                pain=4,
                note="sharp at the front of the shoulder in the last press",
            ),
            Pause(3, "stand"),
        ),
    )


# What each part of a day lasts, from and to, in s.
DAY: Mapping[str, tuple[float, float]] = {
    "walk": (10, 90),
    "stand": (5, 40),
    "fidget": (4, 15),
    "sit": (20, 150),
    "type": (30, 240),
    "drink": (15, 120),
    "eat": (30, 180),
    "dress": (10, 60),
    "reach": (15, 120),
}


def daily(minutes: float = 30.0, number: int = 0, athlete: Athlete | None = None) -> Scenario:
    """M.K. at home: walks, sits, types, drinks, eats, dresses, puts things into shelves; no pose and no exercise.

    number: the order and length of what is done are drawn anew for each.
    """
    rng = np.random.default_rng([number, 16])
    blocks: list[Block] = []
    left_s = 60 * minutes
    while left_s > 0:
        for name in rng.permutation(list(DAY)).tolist():
            lasts_s = float(min(rng.uniform(*DAY[name]), max(left_s, 5.0)))
            left_s -= lasts_s
            blocks.append(Pause(lasts_s, name) if name in ("walk", "stand", "fidget") else Chore(name, lasts_s))
            if left_s <= 0:
                break
    return Scenario(
        athlete=athlete or Athlete("M.K."),
        name="daily",
        start="2025-03-14T12:10:00+01:00",
        placements=ARMS,
        rate_hz=50.0,
        blocks=tuple(blocks),
    )


SCENARIOS: Mapping[str, Callable[[], Scenario]] = {
    "clean_warm_up": clean_warm_up,
    "faulty_warm_up": faulty_warm_up,
    "damaged_warm_up": damaged_warm_up,
    "range_tests": range_tests,
    "planned_warm_up": planned_warm_up,
    "daily": daily,
}


def drill_scenario(
    drill_id: str,
    side: str = "right",
    *,
    athlete: Athlete | None = None,
    placements: tuple[str, ...] = (*ARMS, "sternum"),
    rate_hz: float = 100.0,
    sensor: SensorModel | None = None,
    **knobs: Any,
) -> Scenario:
    """Pose, elbow bends, forward raises, one set. knobs: the rest of SetScript's fields."""
    return Scenario(
        athlete=athlete or Athlete(),
        blocks=(*CALIBRATION, Pause(3, "stand"), SetScript(drill_id, side, **knobs), Pause(2, "stand")),
        placements=placements,
        rate_hz=rate_hz,
        name=drill_id,
        sensor=sensor or SensorModel(),
    )


def find(name: str, side: str = "right") -> Scenario:
    """A named scenario, or one drill by its id. Raises ParameterError for an unknown name or side."""
    if name in shipped_ids():
        return drill_scenario(name, side)
    if name not in SCENARIOS:
        raise ParameterError(
            f"a scenario out of {', '.join([*SCENARIOS, *shipped_ids()])}",
            f"the name was {name!r}",
            "use one of these",
        )
    return SCENARIOS[name]()
