"""Prints how often a stated interval holds the truth: python tests/print_coverage.py [--persons 60] [--first 0]

Every recording is another person, drawn from the population below, in a short set of one drill: an error that stays
the same over a recording, such as that of the pose, averages out over persons only.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from imu_shoulder.drills import shipped_ids
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import Athlete, ElbowBends, simulate
from imu_shoulder.simulate.scenarios import drill_scenario

ANGLES = ("elevation_deg", "plane_deg", "rotation_deg", "elbow_deg", "forearm_deg", "thumb_up_deg")
REPS = 4
LEAST_KNOWN = 0.1
# Persons are numbered from here on, apart from every other figure's seeds.
FIRST_SEED = 100_000


def any_person(number: int) -> tuple[Athlete, ElbowBends]:
    """One person of the population, and how that person does the elbow bends.

    Elbow carrying angle: 11.9 +- 4.1 deg, both sexes together (men 9.8 +- 2.8, women 14.0 +- 4.0, n = 400, Int J
    Morphol 2018 36:135-139). Elbows stop at 0.6 +- 3.1 deg (Boone and Azen 1979, from memory); every other person
    straightens them that far between the bends, the others as they hang. Soft tissue hides 10 to 50 % of the humeral
    rotation (Warner and Heller 2025, doi 10.1016/j.jbiomech.2025.112893). Shoulder blade: `any_blade`. How the skin
    follows elevation, and how people hang, sway, hold the hand and raise "straight forward" is our own estimate: the
    upper arm some degrees out and turned by as many as ten, the elbow never quite straight, a turn of the forearm that
    few notice.
    """
    rng = np.random.default_rng(number)
    out_deg, forward_deg = rng.normal(2.5, 2.0), rng.normal(0.5, 2.0)
    athlete = Athlete(
        carrying_deg=float(rng.normal(11.9, 4.1)),
        pose_elevation_deg=float(np.hypot(out_deg, forward_deg)),
        pose_plane_deg=float(np.degrees(np.arctan2(forward_deg, out_deg))),
        pose_rotation_deg=float(rng.normal(0.0, 10.0)),
        pose_elbow_deg=float(max(0.0, rng.normal(5.0, 2.5))),
        pose_forearm_deg=float(rng.normal(2.0, 5.0)),
        raise_plane_deg=float(rng.normal(88.0, 3.0)),
        hand_deg=float(rng.normal(0.0, 8.0)),
        sway_deg=float(rng.uniform(0.2, 0.5)),
        soft_tissue_share=float(rng.uniform(0.1, 0.5)),
        skin_with_elevation_deg=float(rng.normal(0.0, 5.0)),
        wrist_share=float(rng.uniform(0.0, 0.1)),
        bulge_deg=float(rng.uniform(0.0, 2.0)),
    )
    stop_deg = float(rng.normal(0.6, 3.1))
    fully = rng.random() < 0.5 and stop_deg < athlete.pose_elbow_deg
    return replace(athlete, **any_blade(rng)), ElbowBends(stop_deg=stop_deg if fully else None)


def any_blade(rng: np.random.Generator) -> dict[str, float]:
    """How one person's shoulder blade goes with the arm, after the studies that `Athlete` names.

    From 30 to 120 deg +- 5.5 % between people; under 30 deg anything that a study found, since they differ.
    """
    share = np.clip(rng.normal(Athlete().blade_share, 0.055), 0.15, 0.48)
    return {"blade_share": float(share), "blade_share_low": float(rng.uniform(0.08, 0.5))}


@dataclass(frozen=True, slots=True)
class Seen:
    """One angle of one recording: share of samples inside the interval, and what error and sd were, in degrees.

    offset: the error's mean; shape: its standard deviation about that; z: root mean square of error over sd.
    """

    drill: str
    angle: str
    inside: float
    offset: float
    shape: float
    sd: float
    z: float


def seen_in(drill: str, number: int) -> Iterator[Seen]:
    """Every angle of the right arm of person `number` in one short set."""
    athlete, bends = any_person(number)
    scenario = drill_scenario(drill, athlete=athlete, reps=REPS)
    blocks = tuple(bends if isinstance(block, ElbowBends) else block for block in scenario.blocks)
    run = simulate(replace(scenario, blocks=blocks), number)
    analysis = analyse(run.recording)
    arm = analysis.arms["right"]
    rows = slice(*next(s.arm_set for s in analysis.sets if s.arm_set.side == "right").rows)
    time_s = analysis.aligned.time_s[rows]
    for angle in ANGLES:
        if angle not in arm.angles:
            continue
        truth = np.interp(time_s, run.truth.time_s, run.truth.angles["right"][angle])
        error = (arm.angles[angle][rows] - truth + 180) % 360 - 180
        known = np.isfinite(error)
        # Near hanging the plane is left empty: a few samples at its edge say nothing.
        if known.mean() < LEAST_KNOWN:
            continue
        error, sd = error[known], arm.sd[angle][rows][known]
        inside = float(np.mean(np.abs(error) < 1.96 * sd))
        stated, z = (float(np.sqrt(np.mean(values**2))) for values in (sd, error / sd))
        yield Seen(drill, angle, inside, float(error.mean()), float(error.std()), stated, z)


def recordings(persons: int, first: int) -> Iterator[Seen]:
    for d, drill in enumerate(shipped_ids()):
        for k in range(persons):
            yield from seen_in(drill, FIRST_SEED + 10_000 * d + first + k)


def summary(seen: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Per group: the mean share inside with its 95 % interval, and root mean squares."""
    of_all = seen.assign(error=seen["offset"] ** 2 + seen["shape"] ** 2, offset=seen["offset"] ** 2, z=seen["z"] ** 2)
    grouped = of_all.groupby(by, sort=False)
    table = pd.DataFrame(
        {
            "recordings": grouped.size(),
            "coverage": grouped["inside"].mean(),
            "give or take": 1.96 * grouped["inside"].std() / np.sqrt(grouped.size()),
            "error deg": np.sqrt(grouped["error"].mean()),
            "of it constant": np.sqrt(grouped["offset"].mean()),
            "stated sd deg": grouped["sd"].median(),
            "error over sd": np.sqrt(grouped["z"].mean()),
        }
    )
    return table.reset_index()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--persons", type=int, default=60, help="per drill")
    parser.add_argument("--first", type=int, default=0, help="number of the first person")
    parser.add_argument("--csv")
    options = parser.parse_args()
    seen = pd.DataFrame(list(recordings(options.persons, options.first)))
    if options.csv:
        seen.to_csv(options.csv)
    for by in (["angle"], ["angle", "drill"]):
        print(summary(seen, by).to_markdown(index=False, floatfmt=".2f"), end="\n\n")


if __name__ == "__main__":
    main()
