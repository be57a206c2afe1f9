"""What the sensors of each arm show without any calibration: their motion, its stays, and the chains among these."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import SIDES, UPPER_ARM, WRIST, Aligned, FloatArray, Side, on_arm
from imu_shoulder.propose.repeats import Chain, Stays, find_chains, find_stays
from imu_shoulder.segment._free_motion import Motion, motion_of

# Strides are shorter than a rep and swing an arm no further.
STRIDE_S, SWING_RAD = 1.45, np.radians(70.0)


@dataclass(frozen=True, slots=True)
class Arm:
    """motions: by placement, the wrist's first. chains: in time order."""

    side: Side
    motions: dict[str, Motion]
    stays: Stays
    chains: tuple[Chain, ...]

    @property
    def exercise(self) -> tuple[Chain, ...]:
        return tuple(chain for chain in self.chains if not strides(chain))


def strides(chain: Chain) -> bool:
    """Whether it is the swing of an arm in walking, or quicker: scratching, shaking."""
    return float(np.median(chain.durations_s)) < STRIDE_S and chain.way_rad < SWING_RAD


def find_arms(aligned: Aligned) -> tuple[Arm, ...]:
    """Each arm that wears a sensor on wrist or upper arm and saw something."""
    out = []
    for side in SIDES:
        motions = {}
        for placement in (on_arm(side, WRIST), on_arm(side, UPPER_ARM)):
            if placement in aligned.tracks:
                track = aligned.tracks[placement]
                seen = motion_of(aligned.time_s, track.acc_m_s2, track.gyr_rad_s, aligned.rate_hz)
                motions |= {} if seen is None else {placement: seen}
        if motions:
            stays = find_stays(list(motions.values()))
            out.append(Arm(side, motions, stays, tuple(find_chains(stays))))
    return tuple(out)


def up_in(motion: Motion, start_s: float, end_s: float) -> FloatArray:
    """Where up is in the sensor's frame (3,), length 1, in the mean over a stretch; NaN where nothing was seen."""
    first, last = np.searchsorted(motion.time_s, [start_s, end_s])
    inside = motion.earth_from_sensor[first : max(int(last), int(first) + 1)]
    if not len(inside):
        return np.full(3, np.nan)
    mean = inside.inv().apply([0.0, 0.0, 1.0]).mean(axis=0)
    return np.asarray(mean / max(float(np.linalg.norm(mean)), 1e-9))


def tilt_deg(one: FloatArray, other: FloatArray) -> float:
    """Between two directions (3,) of length 1."""
    return float(np.degrees(np.arccos(np.clip(one @ other, -1.0, 1.0))))
