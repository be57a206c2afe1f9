"""What angle error to expect from a sensor in these drills: the simulator run with the measured figures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from imu_shoulder.bench.six_face import SixFaceCheck
from imu_shoulder.bench.still import StillCheck
from imu_shoulder.bench.turns import TurnCheck
from imu_shoulder.drills import load_shipped
from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.simulate import PERFECT_SENSOR, SensorModel, simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

DRILLS = ("full_can", "band_external_rotation", "overhead_short_arc")
REPS = 5
FIGURES = (
    *("gyr_noise_deg_s_rt_hz", "gyr_walk_deg_s_rt_s", "gyr_bias_deg_s", "gyr_scale"),
    *("acc_noise_ug_rt_hz", "acc_bias_mg", "acc_scale", "misalignment_deg"),
)
MG = STANDARD_GRAVITY_M_S2 * 1e-3


@dataclass(frozen=True, slots=True)
class ExpectedError:
    """Error of a drill's leading angle, degrees, over all simulated recordings.

    rms_deg, p95_deg: of every sample of the set; top_rms_deg: of the tops, from which arcs are taken. All against the
    same movement seen by a flawless sensor, so that pose error and soft tissue are not in it.
    """

    drill: str
    angle: str
    rms_deg: float
    p95_deg: float
    top_rms_deg: float


def sensor_model(
    still: Sequence[StillCheck], six_face: Sequence[SixFaceCheck], turns: Sequence[TurnCheck], *, corrected: bool
) -> tuple[SensorModel, dict[str, str]]:
    """A model with the measured figures, and for each field whether it was measured or assumed.

    corrected: as the sensor is after the correction file, whose residuals are left. Sizes are root mean squares over
    axes and sensors. What no check measured keeps the simulator's default.
    """
    figures: dict[str, Any] = {}
    if still:
        gyr = [axis for check in still for axis in check.gyr.values()]
        acc = [axis for check in still for axis in check.acc.values()]
        figures["gyr_noise_deg_s_rt_hz"] = _rms([axis.figures.density_u_rt_hz for axis in gyr])
        figures["acc_noise_ug_rt_hz"] = _rms([axis.figures.density_u_rt_hz for axis in acc])
        figures["gyr_bias_deg_s"] = _rms([axis.mean for axis in gyr])
        walks = [axis.figures.rate_walk_u_rt_s for axis in gyr if axis.figures.rate_walk_u_rt_s is not None]
        if walks:
            figures["gyr_walk_deg_s_rt_s"] = _rms(walks)
    if six_face:
        if corrected:
            figures["acc_bias_mg"] = _rms([check.residual_m_s2 for check in six_face]) / MG
            figures["acc_scale"] = _rms([check.residual_m_s2 for check in six_face]) / STANDARD_GRAVITY_M_S2
        else:
            figures["acc_bias_mg"] = _rms(np.concatenate([check.acc_bias_m_s2 for check in six_face])) / MG
            figures["acc_scale"] = _rms(np.concatenate([check.acc_scale - 1 for check in six_face]))
    axes = [axis for check in turns for axis in check.axes.values()]
    if axes and corrected:
        figures["gyr_scale"] = _rms([axis.standard_error or 0.0 for axis in axes])
    elif axes:
        figures["gyr_scale"] = _rms([axis.scale - 1 for axis in axes])
    return replace(SensorModel(), **figures), {f: "measured" if f in figures else "assumed" for f in FIGURES}


def expected_errors(model: SensorModel, drills: Sequence[str] = DRILLS, seeds: int = 2) -> list[ExpectedError]:
    """Simulate each drill `seeds` times with this sensor and with a flawless one, and analyse both."""
    return [_expected(drill, model, seeds) for drill in drills]


def _expected(drill: str, model: SensorModel, seeds: int) -> ExpectedError:
    name = f"{load_shipped(drill).leading_angle}_deg"
    errors, tops = [], []
    for seed in range(1, seeds + 1):
        seen = simulate(drill_scenario(drill, reps=REPS, sensor=model), seed)
        time_s = _set_time(seen.recording)
        difference = _angle(seen.recording, name, time_s) - _flawless(drill, name, seed)
        errors.append(difference)
        for rep in seen.truth.reps:
            at_top = (time_s >= rep.top_start_s) & (time_s <= rep.top_end_s)
            tops.append(float(np.nanmedian(difference[at_top])) if at_top.any() else np.nan)
    every = np.concatenate(errors)
    return ExpectedError(
        drill,
        name.removesuffix("_deg"),
        float(np.sqrt(np.nanmean(every**2))),
        float(np.nanpercentile(np.abs(every), 95)),
        float(np.sqrt(np.nanmean(np.square(tops)))),
    )


@lru_cache(maxsize=64)
def _flawless(drill: str, name: str, seed: int) -> np.ndarray:
    """The angle (N,) over the set, of the same movement seen by a flawless sensor."""
    recording = simulate(drill_scenario(drill, reps=REPS, sensor=PERFECT_SENSOR), seed).recording
    return _angle(recording, name, _set_time(recording))


def _set_time(recording: Recording) -> np.ndarray:
    start, end = next((e.onset_s, e.end_s) for e in recording.events if e.trial_type == "set")
    return np.arange(start, end, 0.02)


def _angle(recording: Recording, name: str, time_s: np.ndarray) -> np.ndarray:
    analysis = analyse(recording)
    values: Mapping[str, np.ndarray] = analysis.arms["right"].angles
    return np.asarray(np.interp(time_s, analysis.aligned.time_s, values[name]))


def _rms(values: Sequence[float] | np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))
