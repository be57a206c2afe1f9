"""What a drill asks of an angle: a range, and in its form where that range must be kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from imu_shoulder.drills.judged import Ends

# Where a form limit is judged when no station is named: over the top's hold by its median, by what is kept for a moment
# anywhere in that hold, or anywhere from the rep's start to its end.
TOP, HOLD, ALL = "top", "hold", "all"
PLACES = (TOP, HOLD, ALL)


@dataclass(frozen=True, slots=True)
class AngleRange:
    """A closed range of one joint angle in degrees; either end may be open (infinite).

    above: None for the angle itself; "start" where the range counts from the arm's own angle at the start
    of the rep, or the name of an earlier station where it counts from the angle held there.
    of_own: share of the athlete's own pain-free range that stands in place of low_deg where that range is known.
    """

    angle: str
    low_deg: float
    high_deg: float
    above: str | None = None
    of_own: float | None = None


@dataclass(frozen=True, slots=True)
class FormLimit:
    """A range that the form asks for. where: one of PLACES, or a station's name."""

    asked: AngleRange
    where: str = TOP


@dataclass(frozen=True, slots=True)
class Form:
    """How the arm and the trunk are to be while the leading angle moves; None and empty where the drill asks nothing.

    trunk_deg: how far the trunk may lean or turn during the rep. upper_arm_swing_deg: how far the upper arm may swing,
    in any direction, from where it pointed at the rep's start. closing_deg: how far two arms under one band may drift
    together in a hold.
    """

    limits: tuple[FormLimit, ...] = ()
    trunk_deg: float | None = None
    upper_arm_swing_deg: float | None = None
    closing_deg: float | None = None

    def of(self, angle: str) -> tuple[FormLimit, ...]:
        """What is asked of one angle, by its name."""
        return tuple(limit for limit in self.limits if limit.asked.angle == angle)

    def ranges_deg(self) -> dict[str, Ends]:
        """The angles that are limited themselves, not by how far they go from the start, by name: the first limit."""
        absolute = [limit.asked for limit in reversed(self.limits) if limit.asked.above is None]
        return {asked.angle: (asked.low_deg, asked.high_deg) for asked in absolute}

    def ends_of(self, angle: str) -> Ends | None:
        """The first of them of one angle, None where there is none."""
        return self.ranges_deg().get(angle)

    def replaced(self, angle: str, limits: Sequence[FormLimit]) -> tuple[FormLimit, ...]:
        """The limits with these in place of an angle's own."""
        return (*(limit for limit in self.limits if limit.asked.angle != angle), *limits)
