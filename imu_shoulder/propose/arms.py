"""What the sensors of each arm show without any calibration: their motion, its stays, and the chains among these."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import SIDES, UPPER_ARM, WRIST, Aligned, FloatArray, Side, on_arm
from imu_shoulder.propose.repeats import Chain, Excursion, Stays, find_chains, find_excursions, find_stays
from imu_shoulder.segment.free_motion import Motion, motion_of
from imu_shoulder.segment.proposing import RepeatParams


@dataclass(frozen=True, slots=True)
class Arm:
    """motions: by placement, the wrist's first. excursions, chains: in time order. walked: those chains that are the
    swing of an arm in walking, or quicker: scratching, shaking. summed_up: for `mean_up`."""

    side: Side
    motions: dict[str, Motion]
    stays: Stays
    excursions: tuple[Excursion, ...]
    chains: tuple[Chain, ...]
    walked: tuple[Chain, ...]
    summed_up: tuple[FloatArray, ...]

    @property
    def exercise(self) -> tuple[Chain, ...]:
        return tuple(chain for chain in self.chains if chain not in self.walked)


def find_arms(aligned: Aligned, params: RepeatParams) -> tuple[Arm, ...]:
    """Each arm that wears a sensor on wrist or upper arm and saw something."""
    out = []
    for side in SIDES:
        motions: dict[str, Motion] = {}
        for placement in (on_arm(side, WRIST), on_arm(side, UPPER_ARM)):
            if placement in aligned.tracks:
                track = aligned.tracks[placement]
                seen = motion_of(aligned.time_s, track.acc_m_s2, track.gyr_rad_s, aligned.rate_hz)
                if seen is not None:
                    motions[placement] = seen
        if motions:
            stays = find_stays(list(motions.values()), params)
            excursions = find_excursions(stays, params)
            known = tuple(own for own in excursions if own is not None)
            chains = tuple(find_chains(stays, excursions, params))
            walked = tuple(own for own in chains if _strides(own, params))
            out.append(Arm(side, motions, stays, known, chains, walked, tuple(map(_summed_up, motions.values()))))
    return tuple(out)


def _strides(chain: Chain, params: RepeatParams) -> bool:
    return float(np.median(chain.durations_s)) < params.stride_s and chain.way_rad < params.swing_rad


def _summed_up(motion: Motion) -> FloatArray:
    """Running sums (M + 1, 3) of where up is in the sensor's frame."""
    up = motion.earth_from_sensor.inv().apply([0.0, 0.0, 1.0])
    return np.vstack([np.zeros(3), np.cumsum(up, axis=0)])


def mean_up(arm: Arm, start_s: FloatArray | float, end_s: FloatArray | float) -> FloatArray:
    """Where up is in each sensor's frame (S, ..., 3), length 1, in the mean over stretches (...)."""
    out = []
    for motion, summed in zip(arm.motions.values(), arm.summed_up, strict=True):
        first = np.minimum(np.searchsorted(motion.time_s, start_s), len(motion.time_s) - 1)
        last = np.maximum(np.searchsorted(motion.time_s, end_s, side="right"), first + 1)
        mean = summed[last] - summed[first]
        out.append(mean / np.maximum(np.linalg.norm(mean, axis=-1, keepdims=True), 1e-9))
    return np.array(out)


def tilt_deg(one: FloatArray, other: FloatArray) -> FloatArray:
    """Between directions (..., 3) of length 1."""
    return np.asarray(np.degrees(np.arccos(np.clip((one * other).sum(axis=-1), -1.0, 1.0))))
