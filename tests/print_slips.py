"""Prints how well slips of a strap are found: python tests/print_slips.py [--seeds 8] [--first-seed 0]

Slips of 15, 20 and 30 deg about the limb's long axis and across it, of the wrist and the upper-arm sensor, at a random
time of a simulated session with three sets; and the same session and the scenarios clean_warm_up and faulty_warm_up
without any slip, and with a sensor that is turned as quickly but comes back. Then sessions of any drills by restless
persons of the second simulator, whose straps creep: what they do between the sets, without a slip, and slips in them.
docs/validation.md holds the tables.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
from second_simulator import Interlude, StrapSlip, perform, person
from second_simulator import session as second_session

from imu_shoulder.align import align_recording
from imu_shoulder.analysis import Params
from imu_shoulder.calibrate.pose import find_pose
from imu_shoulder.calibrate.slip import find_slips
from imu_shoulder.calibrate.slip_model import Slip as FoundSlip
from imu_shoulder.engine.whole import arm_moments
from imu_shoulder.model import Recording
from imu_shoulder.orient.attitude import orient_afterwards
from imu_shoulder.simulate import Athlete, Pause, Scenario, SensorModel, SetScript, Slip, simulate
from imu_shoulder.simulate.scenarios import CALIBRATION, clean_warm_up, faulty_warm_up

AXES = {"long": (0.0, 1.0, 0.0), "across": (0.0, 0.0, 1.0)}
PLACEMENTS = ("right_upper_arm", "right_wrist")
BETWEEN: dict[str, list[Interlude] | None] = {
    "walk": [Interlude("walk", 12.0)],
    "scratch": [Interlude("scratch", 6.0)],
    "adjust a band": [Interlude("adjust", 6.0)],
    "dress": [Interlude("dress", 8.0)],
    "anything": None,
}
# From the end of the calibration movements to some seconds before the end of the last set.
SLIPS_BETWEEN_S = (41.0, 218.0)


def session(placement: str = "right_wrist", slips: tuple[Slip, ...] = ()) -> Scenario:
    blocks = (
        *CALIBRATION,
        Pause(3, "stand"),
        SetScript("full_can", "right", reps=5, hold_s=5.4),
        Pause(6, "walk"),
        SetScript("band_external_rotation", "right", reps=5, hold_s=5.4),
        Pause(6, "fidget"),
        SetScript("band_loop_raise", "both", reps=4),
        Pause(4, "stand"),
    )
    sensors = {placement: SensorModel(slips=slips)}
    return Scenario(Athlete("R.V."), blocks, placements=PLACEMENTS, sensors=sensors)


def slips_of(recording: Recording) -> list[FoundSlip]:
    params = Params()
    aligned = align_recording(recording, params.align)
    attitudes = {p: orient_afterwards(t, aligned.rate_hz, params.orient) for p, t in aligned.tracks.items()}
    pose = find_pose(aligned.time_s, attitudes, recording.events, None, params.calibrate)
    moments = arm_moments(aligned, attitudes, recording.events, params)
    return find_slips(aligned.time_s, aligned.rate_hz, attitudes, moments, recording.events, pose, params.slip)


def slipping_table(seeds: range) -> pd.DataFrame:
    """Slips found within 5 s; alarms besides: other slips said in the same sessions."""
    rows = []
    for placement in PLACEMENTS:
        for name, axis in AXES.items():
            for angle_deg in (15, 20, 30):
                found, late_s, off_deg, besides = 0, [], [], 0
                for seed in seeds:
                    at_s = float(np.random.default_rng([seed, angle_deg, len(name)]).uniform(*SLIPS_BETWEEN_S))
                    slips = slips_of(simulate(session(placement, (Slip(at_s, angle_deg, axis),)), seed).recording)
                    right = [s for s in slips if s.placement == placement and abs(s.time_s - at_s) < 5]
                    found += bool(right)
                    besides += len(slips) - bool(right)
                    late_s += [abs(s.time_s - at_s) for s in right[:1]]
                    off_deg += [abs(s.angle_deg - angle_deg) for s in right[:1]]
                rows.append(
                    {
                        "sensor": placement,
                        "axis": name,
                        "slip deg": angle_deg,
                        "found": f"{found}/{len(seeds)}",
                        "time error max s": max(late_s, default=np.nan),
                        "angle error median deg": np.median(off_deg) if off_deg else np.nan,
                        "alarms besides": besides,
                    }
                )
    return pd.DataFrame(rows)


def turned_and_back(placement: str, seed: int) -> Scenario:
    """A turn of 15 to 35 deg about any axis that is taken back after 2 to 8 s."""
    rng = np.random.default_rng([seed, PLACEMENTS.index(placement)])
    axis = rng.normal(size=3)
    at_s, stays_s, angle_deg = rng.uniform(*SLIPS_BETWEEN_S), rng.uniform(2, 8), rng.uniform(15, 35)
    there = Slip(float(at_s), float(angle_deg), (float(axis[0]), float(axis[1]), float(axis[2])))
    return session(placement, (there, replace(there, at_s=there.at_s + float(stays_s), angle_deg=-there.angle_deg)))


def quiet_table(seeds: range) -> pd.DataFrame:
    """Slips said where there were none."""
    made: dict[str, Callable[[int], Scenario]] = {
        "the same session": lambda seed: session(),
        "clean_warm_up": lambda seed: clean_warm_up(),
        "faulty_warm_up": lambda seed: faulty_warm_up(),
        "right_wrist turned and back": lambda seed: turned_and_back("right_wrist", seed),
        "right_upper_arm turned and back": lambda seed: turned_and_back("right_upper_arm", seed),
    }
    rows = []
    for name, make in made.items():
        alarms = sum(len(slips_of(simulate(make(seed), seed).recording)) for seed in seeds)
        rows.append({"recording": name, "recordings": len(seeds), "false alarms": alarms})
    return pd.DataFrame(rows)


def restless(seed: int, between: list[Interlude] | None, slip: StrapSlip | None = None) -> tuple[Recording, float]:
    """A session of a restless person, and when the strap gave way."""
    doing = second_session(person(seed, "table"), number=1, arms=("right",), sternum=False, between=between)
    recording, truth = perform(replace(doing, slips=() if slip is None else (slip,)))
    return recording, next((span.start_s for span in truth.spans if span.name.startswith("slip_")), np.nan)


def restless_quiet_table(seeds: range) -> pd.DataFrame:
    """Slips said where there were none: restless persons, by what they do between the sets."""
    rows = []
    for name, between in BETWEEN.items():
        said = [len(slips_of(restless(seed, between)[0])) for seed in seeds]
        alarmed = sum(count > 0 for count in said)
        rows.append({"between": name, "sessions": len(said), "with a false alarm": alarmed, "false alarms": sum(said)})
    return pd.DataFrame(rows)


def restless_slipping_table(seeds: range) -> pd.DataFrame:
    """Slips of restless persons found within 5 s; alarms besides: other slips said in the same sessions."""
    rows = []
    for place, band in enumerate(PLACEMENTS):
        for way in ("turn", "tilt"):
            for angle_deg in (15, 20, 30):
                found = besides = 0
                for seed in seeds:
                    rng = np.random.default_rng([seed, angle_deg, len(way), place])
                    sign, share = rng.choice([-1, 1]), float(rng.uniform(0.05, 0.95))
                    recording, at_s = restless(seed, None, StrapSlip(band, float(angle_deg * sign), share, way))
                    slips = slips_of(recording)
                    right = any(s.placement == band and abs(s.time_s - at_s) < 5 for s in slips)
                    found, besides = found + right, besides + len(slips) - right
                row = {"sensor": band, "way": way, "slip deg": angle_deg, "found": f"{found}/{len(seeds)}"}
                rows.append({**row, "alarms besides": besides})
    return pd.DataFrame(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--first-seed", type=int, default=0)
    options = parser.parse_args()
    seeds = range(options.first_seed, options.first_seed + options.seeds)
    for table in (quiet_table, slipping_table, restless_quiet_table, restless_slipping_table):
        print(f"\n{table.__doc__}\n")
        print(table(seeds).to_markdown(index=False, floatfmt=".2f"), flush=True)


if __name__ == "__main__":
    main()
