"""How well the angles of a set that goes on are known: worked out when a rep is judged, from two attitudes a second."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from imu_shoulder.analysis import Params
from imu_shoulder.angles.joint import SD, ArmAngles, arm_angles
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.angles.uncertainty import THINNED_HZ, angle_sd
from imu_shoulder.calibrate.model import ArmCalibration
from imu_shoulder.model import FloatArray
from imu_shoulder.orient.attitude import Attitude, joined


@dataclass
class _Arm:
    calibration: ArmCalibration
    skin: SkinShare
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
        halves = np.floor(time_s * THINNED_HZ + 1e-6)
        last = halves[0] - 1 if not own.time_s else np.floor(own.time_s[-1][-1] * THINNED_HZ + 1e-6)
        rows = np.flatnonzero(np.diff(halves, prepend=last) > 0)
        if len(rows):
            own.time_s.append(time_s[rows])
            own.kept.append({placement: attitude.at(rows) for placement, attitude in kept.items()})

    def columns(self, side: str, time_s: FloatArray) -> dict[str, FloatArray]:
        """Name of the angle's column with SD behind it -> (N,) deg at time_s (N,); none where nothing was kept."""
        own = self._arms.get(side)
        if own is None or not own.time_s or not len(time_s):
            return {}
        thin_s = np.concatenate(own.time_s)
        first = max(int(np.searchsorted(thin_s, time_s[0], side="right")) - 1, 0)
        last = int(np.searchsorted(thin_s, time_s[-1], side="right"))
        rows = slice(first, max(last, first + 1))
        kept = {p: joined([part[p] for part in own.kept]).at(rows) for p in own.kept[0]}
        params = self._params
        found = arm_angles(own.calibration, kept, own.skin, params.angles)
        stance = np.full(len(thin_s[rows]), self._stance)
        sd = angle_sd(found, own.calibration, kept, THINNED_HZ, stance, params.angles, params.uncertainty)
        here = np.clip(np.searchsorted(thin_s[rows], time_s, side="right") - 1, 0, None)
        return {f"{name}{SD}": values[here] for name, values in sd.items()}
