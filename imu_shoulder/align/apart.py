"""Clocks that do not show the same time, told by how fast an arm's two sensors turn.

An upper arm hardly moves without its wrist, and a hanging one sways with it, so that the size of their turning goes up
and down together. The lag at which it does is how far their clocks are apart: throughout, more and more, or from some
time on. That is looked for in all of the recording, and in short windows, each of which says how likely every lag is;
what they say adds up (`lags.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.align.lags import GRID_HZ, Lags, alike_at, lag_throughout, lags_of, later
from imu_shoulder.arrays import usual_step
from imu_shoulder.filters import moving_mean
from imu_shoulder.model import SIDES, Event, FloatArray, limb_words, limbs_of

# Clocks are called apart from here on; up to the second a sure lag is taken off. Of 328 sound arms none was further
# from none than 0.06 s.
LEAST_S, MENDED_S = 0.12, 2.0
# So large, at least, is what another pace comes to, and a jump: an arm's two sensors never turn quite alike.
_LEAST_RUN_S, _LEAST_JUMP_S = 0.2, 0.3
_SMOOTH_S = 0.2
# Turning by this is neither much nor little.
_USUAL_RAD_S = 0.1
# Nothing is told within a hole that lasts longer.
_HOLE_S = 0.5
# A hole in a sensor's own time is its jump if it is as long within this, and as near to where the others show it.
_SAME_JUMP_S, _NEAR_JUMP_S = 0.15, 8.0
# A jump that no hole shows has to be so much likelier than none, as a logarithm.
_MUCH_BETTER = 20.0


@dataclass(frozen=True, slots=True)
class Turning:
    """How fast one sensor turns: time_s (N,), rate_rad_s (N,), on its own clock.

    declared_hz: how many rows a second should have; None where the rows are not the sensor's own. breaks_s: when its
    clock was set back.
    """

    placement: str
    time_s: FloatArray
    rate_rad_s: FloatArray
    declared_hz: float | None = None
    breaks_s: tuple[float, ...] = ()

    def pace_off(self, runs: float = 0.0) -> float:
        """By which share its clock counts another time than its rows do, if it gained `runs` s in each second."""
        lasts_s = float(self.time_s[-1] - self.time_s[0]) * (1.0 - runs)
        if self.declared_hz is None or lasts_s <= 0.0:
            return 0.0
        return abs((len(self.time_s) - 1) / (lasts_s * self.declared_hz) - 1.0)

    def hole_of(self, jump_s: float, at_s: float) -> float | None:
        """When its time leaves out as much as a jump ahead, or was set back, about then; None where neither is so."""
        near = [own_s for own_s in self.breaks_s if abs(own_s - at_s) < _NEAR_JUMP_S]
        if near:
            return min(near, key=lambda own_s: abs(own_s - at_s))
        steps_s = np.diff(self.time_s)
        off = np.abs(steps_s - jump_s) + 1e6 * (np.abs(self.time_s[1:] - at_s) > _NEAR_JUMP_S)
        place = int(np.argmin(off))
        return float(self.time_s[place + 1]) if jump_s > 0.0 and off[place] < _SAME_JUMP_S else None


@dataclass(frozen=True, slots=True)
class Apart:
    """A sensor whose clock is ahead of another's (behind where negative): by ahead_s, with its standard deviation sd_s.

    Throughout where from_s is infinite. Else it was ahead by offset_s, and by ahead_s more from from_s on, where it
    jumped, or at until_s, where it ran another pace from from_s on. sure: whether it is known when it jumped.
    """

    placement: str
    other: str
    ahead_s: float
    sd_s: float = 0.0
    offset_s: float = 0.0
    from_s: float = -np.inf
    until_s: float = -np.inf
    sure: bool = True

    @property
    def steady(self) -> bool:
        """Whether it is so far ahead throughout."""
        return not np.isfinite(self.from_s)

    @property
    def mended(self) -> bool:
        return self.sure and max(abs(self.offset_s), abs(self.offset_s + self.ahead_s)) <= MENDED_S

    @property
    def code(self) -> str:
        """Of the finding."""
        return "clocks_apart" if self.mended else "clock_unknown"

    def ahead_at(self, time_s: FloatArray) -> FloatArray:
        """How far it is ahead at these times (N,) of its own."""
        if self.until_s > self.from_s:
            share = (time_s - self.from_s) / (self.until_s - self.from_s)
        else:
            share = np.where(time_s >= self.from_s, 1.0, 0.0)
        return np.asarray(self.offset_s + self.ahead_s * share, dtype=np.float64)

    @property
    def pace(self) -> float:
        """How much it gains in each second."""
        return self.ahead_s / (self.until_s - self.from_s) if self.until_s > self.from_s else 0.0

    @property
    def text(self) -> str:
        """What was seen."""
        other, known = f"that of the {limb_words(self.other)} sensor", f"(standard deviation {self.sd_s:.2f} s)"
        way = "ahead of" if self.ahead_s > 0 else "behind"
        by = f"{abs(self.ahead_s):.2f} s"
        if self.pace:
            runs = "fast" if self.ahead_s > 0 else "slow"
            return f"its clock ran {100 * abs(self.pace):.2g} % {runs} against {other}, in all by {by} {known}"
        if not self.steady:
            return f"its clock jumped by {by} {way} {other} at {self.from_s:.1f} s {known}"
        return f"its clock was {by} {way} {other} {known}"


def clocks_apart(sensors: Sequence[Turning], events: Sequence[Event]) -> list[Apart]:
    """The sensors whose clock differs from that of the other one on their arm.

    Which of the two it is, the rest of the body and the marked events say: in a pose nobody moves, in a set somebody.
    """
    named = {sensor.placement: sensor for sensor in sensors}
    arms = [limbs_of(side) for side in SIDES if set(limbs_of(side)) <= set(named)]
    if not arms:
        return []
    grid_s, grids = _on_one_grid(sensors)
    out = []
    for upper, wrist in arms:
        far_s = lag_throughout(grids[wrist], grids[upper], LEAST_S) or 0.0
        lags = lags_of(*later(grids[wrist], grids[upper], far_s))
        # From here on times are those of the grid: the later one's rows lie so much further on.
        begun_s = float(grid_s[0]) - min(far_s, 0.0)
        arm = _Arm(named[upper], named[wrist], grid_s, grids, events, far_s)
        runs, jump = lags.runs(), lags.jump()
        if runs is not None and abs(runs.whole_s) >= _LEAST_RUN_S and (jump is None or runs.better >= jump.better):
            out.append(arm.running(runs.offset_s, runs.whole_s, runs.sd_s, begun_s, begun_s + lags.lasts_s))
        elif jump is not None and abs(jump.by_s) >= _LEAST_JUMP_S:
            jumped = arm.jumping(jump.offset_s, jump.by_s, jump.sd_s, begun_s + jump.at_s)
            out += [jumped] if jumped.sure or jump.better >= _MUCH_BETTER else []
        else:
            near_s, sd_s, sure = lags.throughout()
            if (far_s or sure) and abs(far_s + near_s) >= LEAST_S:
                out.append(arm.apart(far_s + near_s, sd_s))
    return out


@dataclass(frozen=True, slots=True)
class _Arm:
    """An arm's two sensors, and all that shows which of them is wrong. far_s: how far the upper one is late at least,
    as they were compared."""

    upper: Turning
    wrist: Turning
    grid_s: FloatArray
    grids: Mapping[str, FloatArray]
    events: Sequence[Event]
    far_s: float

    def apart(self, lag_s: float, sd_s: float) -> Apart:
        """One of them by so much throughout, by which the upper one is late."""
        marked = np.zeros(len(self.grid_s))
        for event in self.events:
            inside = (self.grid_s >= event.onset_s) & (self.grid_s <= event.end_s)
            marked[inside] = -1.0 if event.trial_type == "neutral_pose" else 1.0
        # Whoever the rest goes with as it is has the right time.
        rest = [*self._others(), marked]
        upper, wrist = self.grids[self.upper.placement], self.grids[self.wrist.placement]
        wrist_off = sum(alike_at(own, wrist, -lag_s) - alike_at(own, wrist, 0.0) for own in rest)
        upper_off = sum(alike_at(own, upper, lag_s) - alike_at(own, upper, 0.0) for own in rest)
        return self._named(wrist_off > upper_off, lag_s, sd_s)

    def running(self, offset_s: float, whole_s: float, sd_s: float, from_s: float, until_s: float) -> Apart:
        """One of them more and more."""
        pace = whole_s / (until_s - from_s)
        # Its rows count the right time.
        costs = [own.pace_off(by) + other.pace_off() for own, other, by in self._ways(pace)]
        wrist_is = self._is_wrist(lambda lags: lags.gained_by_running(), costs[0] - costs[1])
        named = self._named(wrist_is, whole_s, sd_s)
        sign = np.sign(named.ahead_s * whole_s)
        offset_s = float(sign * (offset_s + self.far_s))
        return Apart(named.placement, named.other, named.ahead_s, sd_s, offset_s, from_s, until_s)

    def jumping(self, offset_s: float, by_s: float, sd_s: float, at_s: float) -> Apart:
        """One of them from some time on."""
        holes = [self.upper.hole_of(by_s, at_s + self.far_s), self.wrist.hole_of(-by_s, at_s)]
        shown = float(holes[1] is not None) - float(holes[0] is not None)
        wrist_is = shown > 0 if shown else self._is_wrist(lambda lags: lags.gained_by_jumping(), 0.0)
        named, hole_s = self._named(wrist_is, by_s, sd_s), holes[int(wrist_is)]
        offset_s = float(np.sign(named.ahead_s * by_s) * (offset_s + self.far_s))
        from_s, sure = (at_s, False) if hole_s is None else (hole_s, True)
        return Apart(named.placement, named.other, named.ahead_s, sd_s, offset_s, from_s, sure=sure)

    def _ways(self, late: float) -> list[tuple[Turning, Turning, float]]:
        """The upper one being so much late, or the wrist by the same the other way: who, the other one, by how much."""
        return [(self.upper, self.wrist, late), (self.wrist, self.upper, -late)]

    def _named(self, wrist_is: bool, lag_s: float, sd_s: float) -> Apart:
        upper, wrist = self.upper.placement, self.wrist.placement
        return Apart(wrist, upper, -lag_s, sd_s) if wrist_is else Apart(upper, wrist, lag_s, sd_s)

    def _others(self) -> list[FloatArray]:
        arm = (self.upper.placement, self.wrist.placement)
        return [grid for placement, grid in self.grids.items() if placement not in arm]

    def _is_wrist(self, gained: Callable[[Lags], float], otherwise: float) -> bool:
        """Whether the wrist's clock goes wrong against those of the rest of the body, rather than the upper one's;
        what speaks for the wrist otherwise, where the rest says nothing."""
        by = [
            max((gained(lags_of(own, self.grids[one.placement])) for own in self._others()), default=0.0)
            for one in (self.upper, self.wrist)
        ]
        return by[1] > by[0] if abs(by[1] - by[0]) > _MORE else otherwise > 0.0


# By so much, as a logarithm, the rest of the body has to say it rather of one than of the other.
_MORE = 5.0


def _on_one_grid(sensors: Sequence[Turning]) -> tuple[FloatArray, Mapping[str, FloatArray]]:
    """The grid, and how fast each turns on it, as a logarithm without its mean; zero where it was not there."""
    start_s, end_s = min(s.time_s[0] for s in sensors), max(s.time_s[-1] for s in sensors)
    grid_s = np.arange(start_s, end_s, 1.0 / GRID_HZ)
    out = {}
    for sensor in sensors:
        spacing_s = usual_step(sensor.time_s)
        rate = moving_mean(sensor.rate_rad_s, max(1, round(_SMOOTH_S / spacing_s)))
        after = np.clip(np.searchsorted(sensor.time_s, grid_s), 1, len(sensor.time_s) - 1)
        heard = (grid_s >= sensor.time_s[0]) & (grid_s <= sensor.time_s[-1])
        heard &= sensor.time_s[after] - sensor.time_s[after - 1] < _HOLE_S
        values = np.log1p(np.interp(grid_s, sensor.time_s, rate) / _USUAL_RAD_S)
        out[sensor.placement] = np.where(heard, values - values[heard].mean() if heard.any() else 0.0, 0.0)
    return grid_s, out
