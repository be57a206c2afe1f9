"""Slips of straps as they become known in a stream."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import inf

from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.calibrate.slip import slips_of_arm
from imu_shoulder.calibrate.slip_model import Slip, SlipParams
from imu_shoulder.calibrate.slip_pulses import PulseWatch
from imu_shoulder.model import Event, FloatArray, Side, limbs_of
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.moments import QuietMoments

# Found this near to each other at two looks, it is the same one.
SAME_S = 1.0
Since = Callable[[float], tuple[FloatArray, Mapping[str, Attitude]]]


class SlipWatch:
    """Of the arms that wear both sensors, the first slip of each. Begins anew with each pose."""

    def __init__(self, params: SlipParams) -> None:
        self._params = params
        self._pulses: dict[Side, PulseWatch] = {}
        self._suspected: dict[Side, Sequence[Slip]] = {}
        self.found: list[Slip] = []

    def begin(self, sides: Sequence[Side], rate_hz: float, pose: Pose) -> None:
        """sides: of the arms that wear both."""
        self._pulses = {side: PulseWatch(rate_hz, pose.end_s, self._params) for side in sides}
        self._suspected, self.found = {}, []

    def slipped_s(self, side: Side) -> float:
        """When the arm's sensors ceased to sit as in the pose; infinite for never."""
        return min((slip.time_s for slip in self.found if slip.placement.startswith(side)), default=inf)

    def look(self, since: Since) -> None:
        """Take in quick turns of one sensor alone. since: attitudes from a time on, as the filters have them."""
        for side, watch in self._pulses.items():
            time_s, attitudes = since(watch.wants_from_s)
            watch.look(time_s, [attitudes[placement] for placement in limbs_of(side)])

    def judge(self, moments: Mapping[Side, QuietMoments | None], events: Sequence[Event], pose: Pose) -> list[Side]:
        """Weigh them by the quiet moments since. The arms of which a slip is newly known."""
        out = []
        for side, watch in self._pulses.items():
            own = moments[side]
            if own is None or self.slipped_s(side) < inf:
                continue
            found = slips_of_arm(side, watch.pulses, own, events, pose, self._params)
            before, self._suspected[side] = self._suspected.get(side, ()), found
            sure = [slip for slip in found if slip.evidence > self._params.sure_evidence or _again(slip, before)]
            if sure:
                self.found.append(min(sure, key=lambda slip: slip.time_s))
                out.append(side)
        return out


def _again(slip: Slip, before: Sequence[Slip]) -> bool:
    """Whether it was found before, with the moments up to then."""
    return any(slip.placement == own.placement and abs(slip.time_s - own.time_s) < SAME_S for own in before)
