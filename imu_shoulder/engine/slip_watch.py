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
from imu_shoulder.orient.keeping import KeptHeading
from imu_shoulder.orient.moments import QuietMoments

# Found this near to each other at two looks, it is the same one.
SAME_S = 1.0
Since = Callable[[float], tuple[FloatArray, Mapping[str, Attitude]]]


class SlipWatch:
    """Of the arms that wear both sensors, the first slip of each. Begins anew with each pose."""

    def __init__(self, params: SlipParams) -> None:
        self._params = params
        self._pulses: dict[Side, PulseWatch] = {}
        # Slips that are not sure yet, with the time of the look since which each was found at every look.
        self._suspected: dict[Side, Sequence[tuple[Slip, float]]] = {}
        # The newest quiet moment by which each arm was judged.
        self._judged_s: dict[Side, float] = {}
        self.found: list[Slip] = []

    def begin(self, sides: Sequence[Side], rate_hz: float, pose: Pose) -> None:
        """sides: of the arms that wear both."""
        self._pulses = {side: PulseWatch(rate_hz, pose.end_s, self._params) for side in sides}
        self._suspected, self._judged_s, self.found = {}, {}, []

    def slipped_s(self, side: Side) -> float:
        """When the arm's sensors ceased to sit as in the pose; infinite for never."""
        return min((slip.time_s for slip in self.found if slip.placement.startswith(side)), default=inf)

    def look(self, since: Since) -> None:
        """Take in quick turns of one sensor alone. since: attitudes from a time on, as the filters have them."""
        for side, watch in self._pulses.items():
            time_s, attitudes = since(watch.wants_from_s)
            watch.look(time_s, [attitudes[placement] for placement in limbs_of(side)])

    def judge(
        self,
        since: Since,
        now_s: float,
        headings: Mapping[Side, KeptHeading],
        events: Callable[[], Sequence[Event]],
        pose: Pose,
    ) -> list[Side]:
        """Weigh them by the new quiet moments that the headings know. The arms of which a slip is newly known.

        since: as of `look`. events: gives them, with the one that goes on until now. What is turned back within
        lasting_s was a movement, so nothing is said sooner; less than sure evidence must have been found at every look
        for as long.
        """
        moments = {side: headings[side].moments for side in self._pulses}
        fresh = {side: own for side, own in moments.items() if own is not None and self._is_new(side, own)}
        if not fresh:
            return []
        self.look(since)
        known = events()
        for side, own in fresh.items():
            self._judged_s[side] = float(own.time_s[-1])
            before = self._suspected.get(side, ())
            found = slips_of_arm(side, self._pulses[side].pulses, own, known, pose, self._params)
            self._suspected[side] = [(slip, _since_s(slip, before, now_s)) for slip in found]
        both = [slip for suspected in self._suspected.values() for slip, _ in suspected]
        out: list[Side] = []
        for side in fresh:
            sure = [slip for slip, since_s in self._suspected[side] if self._is_sure(slip, since_s, now_s)]
            sure = [slip for slip in sure if slip.stands(both, self._params)]
            if sure:
                self.found.append(min(sure, key=lambda slip: slip.time_s))
                out.append(side)
        return out

    def _is_new(self, side: Side, own: QuietMoments) -> bool:
        return self.slipped_s(side) == inf and self._judged_s.get(side) != own.time_s[-1]

    def _is_sure(self, slip: Slip, since_s: float, now_s: float) -> bool:
        waits_s = self._params.lasting_s
        kept = slip.evidence > self._params.sure_evidence or now_s - since_s >= waits_s
        return kept and now_s - slip.time_s >= waits_s


def _since_s(slip: Slip, before: Sequence[tuple[Slip, float]], now_s: float) -> float:
    """Since which look a slip was found; before: those of the look before this one."""
    same = (at for own, at in before if own.placement == slip.placement and abs(own.time_s - slip.time_s) < SAME_S)
    return next(same, now_s)
