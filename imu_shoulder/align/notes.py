"""What the align stage says about a sensor, in short lines."""

from __future__ import annotations

import math

import numpy as np

from imu_shoulder.align import checks
from imu_shoulder.align.clock import Clock
from imu_shoulder.align.disagree import DisagreeParams
from imu_shoulder.align.grid import longest_step_s
from imu_shoulder.align.instruments import instruments_off
from imu_shoulder.align.params import AlignParams
from imu_shoulder.arrays import medians_of
from imu_shoulder.findings import finding_of
from imu_shoulder.model import BoolArray, Finding, FloatArray, SensorStream

# More gaps than this are summed up in one line.
_GAPS_NAMED = 5
_OFFSET_DEG_S = 3.0


class Notes:
    """Collects the findings about one sensor."""

    def __init__(self, placement: str) -> None:
        self.placement = placement
        self._found: list[Finding] = []

    @property
    def findings(self) -> tuple[Finding, ...]:
        return tuple(self._found)

    def add(
        self,
        code: str,
        text: str,
        value: float | None = None,
        start_s: float | None = None,
        end_s: float | None = None,
    ) -> None:
        """A finding of that code about this sensor."""
        self._found.append(finding_of(self.placement, code, text, value, start_s, end_s))


def clock_notes(notes: Notes, clock: Clock, stream: SensorStream, params: AlignParams) -> None:
    """What was measured of a clock, and what was repaired."""
    declared_hz = stream.declared_rate_hz
    rate = f"{clock.rate_hz:.2f} Hz measured, {declared_hz:g} Hz declared"
    if abs(clock.rate_hz / declared_hz - 1) > params.rate_tolerance:
        notes.add("rate_off", rate, clock.rate_hz)
    else:
        notes.add("measured_rate", rate, clock.rate_hz)
    if clock.jitter_sd_s > 0.1 / clock.rate_hz:
        text = f"time stamps jittered by {1000 * clock.jitter_sd_s:.1f} ms (SD); even times were put in their place"
        notes.add("jitter", text, clock.jitter_sd_s)
    if clock.duplicates:
        notes.add("duplicates", f"{clock.duplicates} repeated samples left out", float(clock.duplicates))
    if clock.reordered:
        notes.add("reordered", f"{clock.reordered} times samples came late and were sorted in", float(clock.reordered))
    if clock.wraps:
        notes.add("clock_wrap", f"the counter of the clock ran over {clock.wraps} times; undone", float(clock.wraps))
    if clock.set_back_s:
        steps = ", ".join(f"{step:.3g}" for step in clock.set_back_s[:3])
        times = "once" if len(clock.set_back_s) == 1 else f"{len(clock.set_back_s)} times"
        text = f"the clock stepped back {times} (by {steps} s); undone as if no time was lost"
        notes.add("clock_set_back", text, float(len(clock.set_back_s)))
    after, missing = clock.holes()
    start_s, end_s = clock.time_s[after - 1], clock.time_s[after]
    gap = end_s - start_s > longest_step_s(1.0 / clock.rate_hz, params.bridge_s)
    bridged = int(missing[~gap].sum())
    if bridged:
        text = f"{bridged} missing samples in holes of at most {params.bridge_s:g} s bridged by a straight line"
        notes.add("bridged", text, float(bridged))
    lasts_s = (end_s - start_s)[gap]
    if len(lasts_s) > _GAPS_NAMED:
        text = f"{len(lasts_s)} gaps, {lasts_s.sum():.1f} s together, the longest {lasts_s.max():.2f} s"
        notes.add("gaps", text, float(lasts_s.sum()), float(start_s[gap][0]), float(end_s[gap][-1]))
        return
    for start, end in zip(start_s[gap], end_s[gap], strict=True):
        notes.add("gap", f"no samples from {start:.2f} to {end:.2f} s", float(end - start), float(start), float(end))


def coarse_notes(notes: Notes, values: FloatArray) -> bool:
    """Whether an instrument of values (N, 6) comes in steps so large that a value says nothing by staying."""
    acc_m_s2, gyr_rad_s = checks.coarse_steps(values)
    said = [f"its accelerometer of {acc_m_s2:.2g} m/s^2"] if acc_m_s2 else []
    said += [f"its gyroscope of {math.degrees(gyr_rad_s):.2g} deg/s"] if gyr_rad_s else []
    if said:
        notes.add("coarse", f"read in steps, {' and '.join(said)}", acc_m_s2 or gyr_rad_s)
    return bool(said)


def instrument_notes(
    notes: Notes, values: FloatArray, time_s: FloatArray, rate_hz: float, limits: DisagreeParams, clipped: BoolArray
) -> bool:
    """What all of a recording shows of a sensor's instruments, values (N, 6), clipped (N,); whether it can be used.

    Raises RecordingError where its gyroscope is in another unit than declared.
    """
    off, unit = instruments_off(values[:, :3], values[:, 3:], time_s, rate_hz, limits, clipped)
    if unit:
        raise checks.wrong_gyroscope_unit(notes.placement, unit)
    if off is not None:
        notes.add(off.code, off.text if off.fit else f"not used: {off.text}", off.value)
    return off is None or off.fit


def is_offset(rest: checks.Rest, gyr: FloatArray) -> bool:
    """Whether a gyroscope, gyr (N, 3) in rad/s, reads more at rest than the stages after take for a bias.

    A zero is in all of a recording, in which a person turns to and fro; who turns slowly and evenly for a while, not.
    """
    if not rest.still or rest.gyr_offset_rad_s <= math.radians(_OFFSET_DEG_S):
        return False
    off = np.linalg.norm(medians_of(gyr.T) - rest.gyr_rad_s)
    return bool(off < 0.5 * rest.gyr_offset_rad_s)


def unit_notes(notes: Notes, rest: checks.Rest, values: FloatArray, time_s: FloatArray, rate_hz: float) -> None:
    """Units and signs held against gravity, values (N, 6). Raises RecordingError where they are certainly
    wrong."""
    said = checks.require_gravity(notes.placement, rest)
    if said is not None:
        notes.add("gravity_off" if rest.still else "never_still", said, rest.gravity_m_s2)
    said = checks.require_gyroscope(notes.placement, values[:, :3], values[:, 3:], time_s, rate_hz)
    if said is not None:
        notes.add("axes_disagree", said)
    if is_offset(rest, values[:, 3:]):
        offset = math.degrees(rest.gyr_offset_rad_s)
        notes.add("gyr_offset", f"its gyroscope reads {offset:.1f} deg/s when held still", offset)
