"""Accelerometer offset and scale from a sensor laid on each of its six faces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from imu_shoulder.align.stillness import StillParams, still_windows
from imu_shoulder.errors import RecordingError
from imu_shoulder.model import FloatArray, Track
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

FACES = tuple(f"{sign}{axis}" for axis in "xyz" for sign in "+-")
# A rest counts as a face where gravity is this near to an axis; a face laid slightly askew still tells the scale.
FACE_WITHIN_DEG = 20.0


@dataclass(frozen=True, slots=True)
class SixFaceCheck:
    """reading = scale times truth + bias, per axis (3,). residual_m_s2: RMS of |corrected| - gravity over the rests.

    before_m_s2: the same without correction. rests: how many were used.
    """

    placement: str
    acc_bias_m_s2: FloatArray
    acc_scale: FloatArray
    residual_m_s2: float
    before_m_s2: float
    rests: int


def check_six_faces(track: Track, time_s: FloatArray, gravity_m_s2: float = STANDARD_GRAVITY_M_S2) -> SixFaceCheck:
    """Offset and scale such that every rest reads the same gravity, whatever its exact tilt.

    Least squares of |(mean - bias)/scale| = gravity over all rests of 2 s or more, as in Frosio et al. 2009 (IEEE
    Trans Instrum Meas 58:2034; from memory), without cross-axis terms. Raises RecordingError naming missing faces.
    """
    rests = still_windows(time_s, track.acc_m_s2, track.gyr_rad_s, StillParams(max_tilt_deg=2.0))
    means = np.array([_middle(track.acc_m_s2, time_s, *rest) for rest in rests]).reshape(-1, 3)
    faces = [_face(mean) for mean in means]
    missing = [face for face in FACES if face not in faces]
    if missing:
        raise RecordingError(
            "a rest of 2 s or more on each of the six faces",
            f"{track.placement} never rested on {', '.join(missing)}",
            "lay it on each face in turn, on a level table, about 10 s each",
        )
    means = means[[face is not None for face in faces]]
    start = np.concatenate([np.zeros(3), np.ones(3)])

    # A face that was visited twice still counts once.
    once = 1 / np.sqrt([faces.count(face) for face in faces if face is not None])

    def misfit(unknown: FloatArray) -> FloatArray:
        return np.asarray(np.linalg.norm((means - unknown[:3]) / unknown[3:], axis=1) - gravity_m_s2)

    def weighted(unknown: FloatArray) -> FloatArray:
        return np.asarray(misfit(unknown) * once)

    found = optimize.least_squares(weighted, start, x_scale=[0.1, 0.1, 0.1, 0.01, 0.01, 0.01])
    return SixFaceCheck(
        track.placement,
        found.x[:3],
        found.x[3:],
        float(np.sqrt(np.mean(misfit(found.x) ** 2))),
        float(np.sqrt(np.mean(misfit(start) ** 2))),
        len(means),
    )


def _middle(values: FloatArray, time_s: FloatArray, start_s: float, end_s: float) -> FloatArray:
    """Mean over a rest without its first and last tenth."""
    edge = 0.1 * (end_s - start_s)
    rows = (time_s >= start_s + edge) & (time_s <= end_s - edge)
    return np.asarray(np.nanmean(values[rows], axis=0))


def _face(mean: FloatArray) -> str | None:
    axis = int(np.argmax(np.abs(mean)))
    if np.abs(mean[axis]) < np.cos(np.radians(FACE_WITHIN_DEG)) * np.linalg.norm(mean):
        return None
    return f"{'+' if mean[axis] > 0 else '-'}{'xyz'[axis]}"
