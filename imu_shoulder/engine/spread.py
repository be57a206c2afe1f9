"""How well the angles of a set that goes on are known: worked out when a rep is judged, from two attitudes a second."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import floor

import numpy as np

from imu_shoulder.analysis import Params
from imu_shoulder.angles.joint import SD, ArmAngles, arm_angles
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.angles.uncertainty import THINNED_HZ, angle_sd
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.model import FloatArray
from imu_shoulder.orient.attitude import Attitude, joined
from imu_shoulder.segment.model import rows_between


@dataclass
class _Arm:
    calibration: ArmCalibration
    skin: SkinShare
    # The half second of the newest row that is kept.
    half: float | None = None
    time_s: list[FloatArray] = field(default_factory=list)
    kept: list[Mapping[str, Attitude]] = field(default_factory=list)


class Spread:
    """Standard deviations of one set's angles, by arm. stance: what the drill asks of the body, as asked_stance."""

    def __init__(self, params: Params, stance: int) -> None:
        self._params, self._stance = params, stance
        self._arms: dict[str, _Arm] = {}

    def restart(self) -> None:
        """Forget all rows, to be given them anew."""
        self._arms = {}

    def push(
        self, time_s: FloatArray, arm: ArmAngles, calibration: ArmCalibration, kept: Mapping[str, Attitude]
    ) -> None:
        """New rows (n,) of an arm. Of every half second of the recording's clock the first row is kept."""
        own = self._arms.setdefault(arm.side, _Arm(calibration, arm.skin))
        own.calibration, own.skin = calibration, arm.skin
        # Times are sums of steps.
        if own.half is not None and floor(time_s[-1] * THINNED_HZ + 1e-6) <= own.half:
            return
        halves = np.floor(time_s * THINNED_HZ + 1e-6)
        last = halves[0] - 1 if own.half is None else own.half
        rows = np.flatnonzero(np.diff(halves, prepend=last) > 0)
        if len(rows):
            own.half = float(halves[rows[-1]])
            own.time_s.append(time_s[rows])
            own.kept.append({placement: attitude.at(rows) for placement, attitude in kept.items()})

    def columns(self, side: str, time_s: FloatArray, span_s: tuple[float, float]) -> dict[str, FloatArray]:
        """Name of the angle's column with SD behind it -> (N,) deg at time_s (N,), NaN outside of span_s; none where
        nothing was kept."""
        own = self._arms.get(side)
        inside = rows_between(time_s, *span_s)
        if own is None or not own.time_s or inside.start >= inside.stop:
            return {}
        # The last part that begins before the span, and all that begin in it.
        begins_s = [part[0] for part in own.time_s]
        first = max(bisect_right(begins_s, time_s[inside.start]) - 1, 0)
        last = max(bisect_right(begins_s, time_s[inside.stop - 1]), first + 1)
        thin_s = np.concatenate(own.time_s[first:last])
        kept = {p: joined([part[p] for part in own.kept[first:last]]) for p in own.kept[0]}
        params = self._params
        found = arm_angles(own.calibration, kept, own.skin, params.angles)
        stance = np.full(len(thin_s), self._stance)
        sd = angle_sd(found, own.calibration, kept, THINNED_HZ, stance, params.angles, params.uncertainty)
        here = np.clip(np.searchsorted(thin_s, time_s[inside], side="right") - 1, 0, None)
        out = {f"{name}{SD}": np.full(len(time_s), np.nan) for name in sd}
        for name, values in sd.items():
            out[f"{name}{SD}"][inside] = values[here]
        return out
