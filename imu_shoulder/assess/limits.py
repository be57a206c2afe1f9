"""How likely it is that a limit was missed, from what was measured and how well that is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, isfinite, nan

import numpy as np
from scipy.special import ndtr

from imu_shoulder.angles.joint import SD
from imu_shoulder.arrays import sliding
from imu_shoulder.assess.fault import Case, Limits, heading_lost, range_text
from imu_shoulder.drills import Drill
from imu_shoulder.drills.judged import JUDGED
from imu_shoulder.drills.limits import ALL, HOLD, TOP, AngleRange, FormLimit
from imu_shoulder.frames import unwrapped_deg
from imu_shoulder.measure.form import at_top, median_seen
from imu_shoulder.measure.registry import RepData
from imu_shoulder.measure.station_holds import longest_visits
from imu_shoulder.model import FloatArray

# What is asked all the way is missed by what lasts for this long: less is a jerk.
LASTS_S = 0.3
# The start is where the arm is in its first moment.
START_S = 0.2


@dataclass(frozen=True, slots=True)
class Reading:
    """What a limit is held against. low_deg, high_deg: the least and the most of it, one value at the top or a station;
    NaN where unknown. sd_deg: of either.
    """

    low_deg: float
    high_deg: float
    sd_deg: float


UNKNOWN = Reading(nan, nan, nan)


def beyond(reading: Reading, limits: Limits) -> float:
    """Probability that the nearer end of a range was passed, the error taken as normal; 0 for what is unknown."""
    if not isfinite(reading.sd_deg):
        return 0.0
    over = [limits[0] - reading.low_deg, reading.high_deg - limits[1]]
    return max((float(ndtr(by / reading.sd_deg)) for by in over if isfinite(by)), default=0.0)


def under(value: float, least: float, sd: float) -> float:
    """Probability that what was measured as `value` is truly under `least`; 0 for what is unknown."""
    return beyond(Reading(value, value, sd), (least, inf))


def over(value: float, most: float, sd: float) -> float:
    """The same of being over `most`."""
    return beyond(Reading(value, value, sd), (-inf, most))


def changed_sd_deg(change_deg: float, case: Case) -> float:
    """Standard deviation of how far an angle went within a rep: what is constant in it cancels."""
    return hypot(case.params.least_sd_deg, case.params.change_sd_share * change_deg)


def missed(drill: Drill, case: Case, angle: str) -> float:
    """Probability that a rep misses what the form or a station asks of an angle, at its worst place."""
    return max((beyond(*pair) for _, pair in _readings(drill, case, angle)), default=0.0)


def untold(case: Case, angle: str, above: str | None = None) -> bool:
    """Whether the angle turns with a direction of the body that is not known well enough to judge by it.

    above: what it counts from within the rep, if it does: that turns as well, and takes the direction out.
    """
    return above is None and JUDGED[angle].turns and heading_lost(case.values, case.params)


def notes(case: Case, angle: str) -> list[str]:
    """Where the limits of an angle were likely missed, with what was seen."""
    drill = case.data.drill
    if drill is None:
        return []
    found = [(limit, *pair) for limit, pair in _readings(drill, case, angle)]
    told = [own for own in found if beyond(own[1], own[2]) >= case.params.close_from]
    return [_note(limit, own) for limit, own, _ in told]


def _note(limit: FormLimit, own: Reading) -> str:
    place = {TOP: "", HOLD: "in the hold ", ALL: ""}.get(limit.where, f"at {limit.where} ")
    return f"{place}{seen_text(limit.asked, own)}"


def seen_text(asked: AngleRange, own: Reading) -> str:
    """What was seen of a range and what is asked, in words, with how well it is known."""
    low = asked.low_deg - own.low_deg > own.high_deg - asked.high_deg
    value = own.low_deg if low else own.high_deg
    since = "" if asked.above is None else f" from the {asked.above}"
    ends = range_text((asked.low_deg, asked.high_deg))
    return f"{JUDGED[asked.angle].words} {value:.0f} deg{since}, asked {ends} (give or take {own.sd_deg:.0f})"


def asked_text(drill: Drill, angle: str) -> str:
    """What the form asks of an angle, in words; "" where it asks nothing."""
    return "; ".join(
        range_text((limit.asked.low_deg, limit.asked.high_deg))
        + (" from the start" if limit.asked.above is not None else "")
        + {TOP: "", HOLD: " through the hold", ALL: " all the way"}.get(limit.where, f" at {limit.where}")
        for limit in drill.form.of(angle)
    )


def _readings(drill: Drill, case: Case, angle: str) -> list[tuple[FormLimit, tuple[Reading, Limits]]]:
    return [
        (limit, (reading(case, limit), (limit.asked.low_deg, limit.asked.high_deg)))
        for limit in drill.form.of(angle)
        if not untold(case, angle, limit.asked.above)
    ]


def reading(case: Case, limit: FormLimit) -> Reading:
    """What a limit of the form is held against."""
    data, asked = case.data, limit.asked
    values = _column(data, asked.angle)
    if values is None:
        return UNKNOWN
    if limit.where in (TOP, HOLD, ALL):
        rows = data.top if limit.where != ALL else slice(None)
        if limit.where == TOP:
            low = high = at_top(data, values)
        else:
            low, high = -_kept(-values[rows], data.rate_hz), _kept(values[rows], data.rate_hz)
    else:
        visit = next((own for own in longest_visits(data) if own.name == limit.where), None)
        if visit is None:
            return UNKNOWN
        rows = data.rows(visit.start_s, visit.end_s)
        low = high = median_seen(values[rows])
    if asked.above is not None:
        start = median_seen(values[data.rows(data.rep.start_s, data.rep.start_s + START_S)])
        return Reading(low - start, high - start, changed_sd_deg(max(abs(low - start), abs(high - start)), case))
    return Reading(low, high, angle_sd_deg(case, asked.angle, rows))


def at_station(case: Case, asked: AngleRange, rows: slice, base_deg: float) -> Reading:
    """What a station's range is held against: the median over a stay, less where it counts from."""
    value = median_deg(case.data, asked.angle, rows) - base_deg
    sd = angle_sd_deg(case, asked.angle, rows) if asked.above is None else changed_sd_deg(value, case)
    return Reading(value, value, sd)


def angle_sd_deg(case: Case, angle: str, rows: slice) -> float:
    """Median standard deviation of an angle over some of a rep's rows; NaN where the angle is not seen."""
    sd = case.data.angles.get(f"{JUDGED[angle].column}{SD}")
    return nan if sd is None else max(median_seen(sd[rows]), case.params.least_sd_deg)


def lead_sd_deg(case: Case) -> float:
    """The same of the leading angle at the top, or of what stands in for it where a wrist sensor alone is worn."""
    drill = case.data.drill
    if drill is None:
        return nan
    names = (f"{drill.leading_angle}_deg", f"forearm_{drill.leading_angle}_deg")
    known = next((sd for name in names if (sd := case.data.angles.get(f"{name}{SD}")) is not None), None)
    return nan if known is None else max(median_seen(known[case.data.top]), case.params.least_sd_deg)


def median_deg(data: RepData, angle: str, rows: slice | None) -> float:
    """Median of an angle over some of a rep's rows; NaN where it is not seen, or without rows."""
    values = _column(data, angle)
    return nan if values is None or rows is None else median_seen(values[rows])


def _column(data: RepData, angle: str) -> FloatArray | None:
    values = data.angles.get(JUDGED[angle].column)
    return values if values is None or angle != "rotation" else unwrapped_deg(values)


def _kept(values: FloatArray, rate_hz: float) -> float:
    """The most that (n,) values stay at for LASTS_S in a row; NaN where that is nowhere seen."""
    width = min(max(1, round(LASTS_S * rate_hz)), max(len(values), 1))
    if not len(values):
        return nan
    # Seen for less, at the start or the end, it is taken to have been there before or to stay.
    longer = np.pad(np.where(np.isfinite(values), values, -inf), (width // 2, width - 1 - width // 2), mode="edge")
    most = float(sliding(np.minimum, longer, width).max())
    return most if isfinite(most) else nan


def worst(probabilities: Sequence[float]) -> float:
    """Of several ways to miss the same thing."""
    return max(probabilities, default=0.0)
