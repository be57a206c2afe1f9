"""Prints how well an arm's sensors share their heading at each speed: python tests/print_joint.py [--persons 24]

The neutral pose and one set of lifts with the straight arm, and no other movement: the elbow hangs on what the lifts
alone show of the heading between the two sensors. Sensors of three grades in turn.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import rigid_arm
from numpy.typing import NDArray
from print_coverage import any_person
from print_numbers import with_pose_alone
from second_simulator import SetPlan, calmed, perform, person, session

from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import SensorModel, simulate
from imu_shoulder.simulate.scenarios import drill_scenario

Array = NDArray[np.float64]
SPEEDS_DEG_S = (3.0, 6.0, 9.0, 15.0, 30.0)
GRADES = ("calibrated", "usual", "cheap")
# The same grades for the first simulator; orders of magnitude, from memory.
SENSORS = {
    "calibrated": SensorModel(gyr_bias_deg_s=0.05, gyr_noise_deg_s_rt_hz=0.004, acc_bias_mg=2.0),
    "usual": SensorModel(),
    "cheap": SensorModel(
        gyr_bias_deg_s=1.5,
        gyr_walk_deg_s_rt_s=0.004,
        gyr_noise_deg_s_rt_hz=0.015,
        gyr_scale=0.01,
        acc_bias_mg=25.0,
        acc_noise_ug_rt_hz=300.0,
        misalignment_deg=0.8,
    ),
}
# How far a lift of full can goes, about: a speed becomes a time.
ARC_DEG = 85.0
# Elevation about gravity: how a trunk leans unseen is no matter of speed.
ANGLES = {"elbow": "elbow_deg", "elevation": "elevation_gravity_deg"}


@dataclass(frozen=True)
class Lifted:
    """One recording with its truth: time_s (N,), and by column (N,) in degrees."""

    recording: Recording
    time_s: Array
    truth: Mapping[str, Array]


def first_simulator(speed_deg_s: float, number: int) -> Lifted:
    """A person of the coverage table's population."""
    lift_s = ARC_DEG / speed_deg_s
    scenario = drill_scenario(
        "full_can",
        athlete=any_person(number)[0],
        placements=("right_wrist", "right_upper_arm"),
        sensor=SENSORS[GRADES[number % 3]],
        reps=2,
        lift_s=lift_s,
        lower_s=lift_s,
    )
    run = simulate(scenario, number)
    return Lifted(with_pose_alone(run.recording), run.truth.time_s, run.truth.angles["right"])


def second_simulator(speed_deg_s: float, number: int) -> Lifted:
    """A calm person of the wide population."""
    plan = SetPlan("full_can", "right", 2, tempo_s=ARC_DEG / speed_deg_s)
    what = session(calmed(person(number, "table")), [plan], arms=("right",), sternum=False, grade=GRADES[number % 3])
    recording, truth = perform(what)
    return Lifted(with_pose_alone(recording), truth.time_s, truth.angles["right"])


def rigid(speed_deg_s: float, number: int) -> Lifted:
    """A rigid arm that hangs in the pose as people do."""
    rng = np.random.default_rng([number, 5])
    hung = rigid_arm.Hung(rng.normal(2.5, 2.0), rng.normal(0.5, 2.0), max(0.0, rng.normal(5.0, 2.5)))
    return Lifted(*rigid_arm.record(rigid_arm.lift_and_lower(speed_deg_s), GRADES[number % 3], number, hung=hung))


def rigid_exact(speed_deg_s: float, number: int) -> Lifted:
    """A rigid arm that hangs as it should, and after the lifts sweeps at 40 deg/s with its elbow bending along."""
    strokes = (*rigid_arm.lift_and_lower(speed_deg_s), *rigid_arm.sweep(40.0))
    return Lifted(*rigid_arm.record(strokes, GRADES[number % 3], number))


WHO = {
    "first simulator": first_simulator,
    "second simulator": second_simulator,
    "rigid, hung as people": rigid,
    "rigid, exact, with a sweep": rigid_exact,
}


def seen_in(lifted: Lifted) -> Iterator[tuple[str, float, float, float]]:
    """Of each angle: its name, RMSE, median standard deviation, share within 1.96 of them, over the set."""
    analysis = analyse(lifted.recording)
    arm, time_s = analysis.arms["right"], analysis.aligned.time_s
    event = next(e for e in lifted.recording.events if e.trial_type == "set")
    rows = (time_s >= event.onset_s) & (time_s <= event.end_s)
    for name, column in ANGLES.items():
        if column not in arm.angles:
            continue
        truth = lifted.truth.get(column, lifted.truth["elevation_deg"])
        off = (arm.angles[column] - np.interp(time_s, lifted.time_s, truth) + 180) % 360 - 180
        known = rows & np.isfinite(off)
        off, sd = off[known], arm.sd[column][known]
        yield name, float(np.sqrt(np.mean(off**2))), float(np.median(sd)), float(np.mean(np.abs(off) < 1.96 * sd))


def table(who: str, persons: int, first: int, speeds_deg_s: tuple[float, ...] = SPEEDS_DEG_S) -> pd.DataFrame:
    rows = []
    for speed in speeds_deg_s:
        found: dict[str, list[tuple[float, float, float]]] = {name: [] for name in ANGLES}
        for number in range(first, first + persons):
            for name, *figures in seen_in(WHO[who](speed, number)):
                found[name].append((figures[0], figures[1], figures[2]))
        row: dict[str, object] = {"who": who, "deg/s": speed, "elbow known": f"{len(found['elbow'])}/{persons}"}
        for name, figures_of in found.items():
            rmse, sd, inside = np.array(figures_of or [(np.nan,) * 3]).T
            row[f"{name} RMSE deg"] = np.sqrt(np.mean(rmse**2))
            row[f"{name} sd deg"] = np.median(sd)
            row[f"{name} sd over RMSE"] = np.median(sd) / np.sqrt(np.mean(rmse**2))
            row[f"{name} coverage"] = np.mean(inside)
        rows.append(row)
    return pd.DataFrame(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--persons", type=int, default=24, help="per kind of arm and speed")
    parser.add_argument("--first", type=int, default=0, help="number of the first person")
    parser.add_argument("--who", choices=WHO, action="append", help="default: all")
    options = parser.parse_args()
    every = [table(who, options.persons, options.first) for who in options.who or WHO]
    print(pd.concat(every).to_markdown(index=False, floatfmt=".2f"))


if __name__ == "__main__":
    main()
