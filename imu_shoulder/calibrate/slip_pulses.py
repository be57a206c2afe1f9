"""Quick turns of one sensor that its neighbour on the arm does not share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.arrays import near
from imu_shoulder.calibrate.coarse import block_length, block_means, block_middles
from imu_shoulder.calibrate.slip_model import SlipParams
from imu_shoulder.frames import rotation_from_quat
from imu_shoulder.model import FloatArray, IntArray
from imu_shoulder.orient.attitude import Attitude

# Of one sensor, the newest; the older ones were judged when they were new.
MOST_PULSES = 400


@dataclass(frozen=True, slots=True)
class Pulse:
    """A quick turn (3,) of one sensor in its own axes, its standard deviation per axis; fastest at time_s."""

    begins_s: float
    time_s: float
    turn_rad: FloatArray
    sd_rad: float

    @property
    def evidence(self) -> float:
        """Log-likelihood ratio of a turn of this size to none at all."""
        return float(self.turn_rad @ self.turn_rad) / self.sd_rad**2 / 2


def find_pulses(
    time_s: FloatArray, rate_hz: float, pair: Sequence[Attitude], after_s: float, params: SlipParams
) -> tuple[list[Pulse], list[Pulse]]:
    """Quick turns of each of two neighbours that come after after_s and that the other does not share.

    A turn in the midst of a limb's own movement seems to have others beside it, larger ones at times. So none is left
    out for its neighbour's sake: which of them lasts shows in the quiet moments.
    """
    step = block_length(rate_hz)
    rates = [block_means(attitude.rate_earth_rad_s, step) for attitude in pair]
    middle = block_middles(len(time_s), step)
    late = time_s[middle] > after_s
    found: tuple[list[Pulse], list[Pulse]] = ([], [])
    for lasts_s in params.pulse_s:
        bell = Bell(rate_hz / step, lasts_s, params.windows * lasts_s)
        turns = [bell.sizes(rate) for rate in rates]
        sizes = [np.linalg.norm(turn, axis=1) for turn in turns]
        for n, own in enumerate(pair):
            alone = np.where(late & (sizes[n] > params.alone * sizes[1 - n]), sizes[n], 0.0)
            inner = alone[1:-1]
            peaks = 1 + np.flatnonzero((inner > alone[:-2]) & (inner > alone[2:]) & (inner >= params.pulse_least_rad))
            if not len(peaks):
                continue
            # What the limb does beside the turn may be a part of it as well.
            sds = np.hypot(params.pulse_sd_rad, params.beside * lasts_s * bell.left_over(rates[n], peaks))
            clear = sizes[n][peaks] > params.pulse_clear * sds
            peaks, sds = peaks[clear], sds[clear]
            rows = middle[peaks]
            seen = rotation_from_quat(own.quat_earth_from_sensor[rows]).inv().apply(turns[n][peaks])
            for at_s, turn, sd in zip(time_s[rows], seen, sds, strict=True):
                found[n].append(Pulse(float(at_s - lasts_s / 2), float(at_s), turn, float(sd)))
    return found


class PulseWatch:
    """Quick turns of two neighbours in a stream, found a stretch at a time."""

    def __init__(self, rate_hz: float, after_s: float, params: SlipParams) -> None:
        self._rate_hz, self._params = rate_hz, params
        self._done_s = after_s
        # A turn is told from the limb's own movement by what comes before and after it.
        self._around_s = params.windows * max(params.pulse_s)
        self.pulses: tuple[list[Pulse], list[Pulse]] = ([], [])

    @property
    def wants_from_s(self) -> float:
        """From when on rows are needed."""
        return self._done_s - 2 * self._around_s

    def look(self, time_s: FloatArray, pair: Sequence[Attitude]) -> None:
        """Take in the pulses up to shortly before the newest row. time_s: (N,) from wants_from_s on."""
        if len(time_s) < 2 or time_s[-1] - self._around_s <= self._done_s:
            return
        until_s = float(time_s[-1]) - self._around_s
        found = find_pulses(time_s, self._rate_hz, pair, self._done_s, self._params)
        for kept, new in zip(self.pulses, found, strict=True):
            kept += [pulse for pulse in new if self._done_s < pulse.time_s <= until_s]
            del kept[:-MOST_PULSES]
        self._done_s = until_s


class Bell:
    """The rate of a turn of lasts_s, on top of a limb turning smoothly over window_s (a parabola); least squares."""

    def __init__(self, rate_hz: float, lasts_s: float, window_s: float) -> None:
        self._half = max(2, round(window_s / 2 * rate_hz))
        x = np.arange(-self._half, self._half + 1) / self._half
        bell = np.maximum(1.0 - (x * window_s / lasts_s) ** 2, 0.0) ** 2
        bell *= rate_hz / bell.sum()
        self._shapes = np.column_stack([bell, np.ones_like(x), x, x**2])
        self._fit = np.linalg.pinv(self._shapes)

    def sizes(self, rate_rad_s: FloatArray) -> FloatArray:
        """Size (N, 3) of such a turn around each row of (N, 3); 0 near gaps and ends."""
        # Component by component in memory: a sum over three neighbours in memory takes longer than the filter.
        components = np.ascontiguousarray(rate_rad_s.T)
        missing = np.logical_not(np.isfinite(components).all(axis=0))
        out = np.zeros_like(components)
        inside = slice(self._half, -self._half)
        if out[:, inside].size:
            for into, component in zip(out, np.where(missing, 0.0, components), strict=True):
                into[inside] = np.correlate(component, self._fit[0], "valid")
        out[:, near(missing, self._half)] = 0.0
        return out.T

    def left_over(self, rate_rad_s: FloatArray, rows: IntArray) -> FloatArray:
        """RMS rate (R,) around each row that neither the turn nor the smooth limb explains."""
        window = rate_rad_s[rows[:, None] + np.arange(-self._half, self._half + 1)]
        rest = window - self._shapes @ (self._fit @ window)
        return np.asarray(np.sqrt(np.mean(np.sum(rest**2, axis=2), axis=1)))
