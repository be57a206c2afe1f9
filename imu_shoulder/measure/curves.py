"""The curves of one arm's set that many measures look at, each filtered once per set and only when asked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from imu_shoulder.arrays import bridged
from imu_shoulder.model import FloatArray
from imu_shoulder.segment.curve import smoothed, velocity_deg_s

# Physiological tremor, as the trade bands it.
TREMOR_BAND_HZ = (8.0, 12.0)
# SPARC itself looks up to here.
FINE_HZ = 10.0
# A sampling rate below this share of the band's upper end shows too little of it.
TREMOR_RATE_FACTOR = 2.5


@dataclass(frozen=True)
class SetCurves:
    """One arm's set. lead_deg (N,) may hold NaN; angles: column -> (N,)."""

    rate_hz: float
    lead_deg: FloatArray
    angles: Mapping[str, FloatArray] = field(default_factory=dict)

    @cached_property
    def whole_deg(self) -> FloatArray:
        return bridged(self.lead_deg)

    @cached_property
    def smooth_deg(self) -> FloatArray:
        """(N,) low-passed at 3 Hz: the voluntary movement."""
        return smoothed(self.whole_deg, self.rate_hz)

    @cached_property
    def velocity_deg_s(self) -> FloatArray:
        return velocity_deg_s(self.smooth_deg, self.rate_hz)

    @cached_property
    def fine_velocity_deg_s(self) -> FloatArray:
        """(N,) rate of change of the angle low-passed at 10 Hz: what smoothness is computed from."""
        return velocity_deg_s(smoothed(self.whole_deg, self.rate_hz, FINE_HZ), self.rate_hz)

    @cached_property
    def tremor_deg(self) -> FloatArray:
        """(N,) the angle's 8-12 Hz part, NaN where the sampling rate does not show it."""
        return in_band(self.whole_deg, self.rate_hz, TREMOR_BAND_HZ)

    @cached_property
    def tremor_rate_deg_s(self) -> FloatArray:
        """(N,) the rate of change of the 8-12 Hz part."""
        return in_band(self.whole_deg, self.rate_hz, TREMOR_BAND_HZ, differentiated=True)

    def smooth_column(self, name: str) -> FloatArray | None:
        """A column (N,) low-passed at 3 Hz; None if the sensors worn do not show it."""
        kept = self._columns
        if name not in kept:
            values = self.angles.get(name)
            kept[name] = None if values is None else smoothed(bridged(values), self.rate_hz)
        return kept[name]

    @cached_property
    def _columns(self) -> dict[str, FloatArray | None]:
        return {}


def in_band(
    values: FloatArray, rate_hz: float, band_hz: tuple[float, float], *, differentiated: bool = False
) -> FloatArray:
    """The part of (N,) inside a band, or its rate of change: exact at the band's edges, without phase shift.

    The straight line from the first to the last value is taken off before, so that the ends do not ring. NaN
    everywhere for a sampling rate too low for the band, or values that are not all known.
    """
    count = len(values)
    if count < 4 or rate_hz < TREMOR_RATE_FACTOR * band_hz[1] or not np.isfinite(values).all():
        return np.full(count, np.nan)
    level = values - np.linspace(values[0], values[-1], count)
    padded = quick_length(count)
    spectrum = np.fft.rfft(level, padded)
    frequency_hz = np.fft.rfftfreq(padded, 1 / rate_hz)
    spectrum[(frequency_hz < band_hz[0]) | (frequency_hz > band_hz[1])] = 0.0
    if differentiated:
        spectrum = spectrum * 2j * np.pi * frequency_hz
    return np.asarray(np.fft.irfft(spectrum, padded)[:count])


def quick_length(count: int) -> int:
    """The least number from count on that is a product of 2, 3 and 5 alone: the transform of so many is quick."""
    powers = range(count.bit_length())
    odd: list[int] = [3**three * 5**five for three in powers for five in powers]
    return min(own << (-(-count // own) - 1).bit_length() for own in odd)


def quietest_rms(values: FloatArray, seen: FloatArray, rate_hz: float, window_s: float = 2.0) -> float:
    """The least RMS of (N,) over any window whose rows of `seen` are all finite; NaN if there is none."""
    width = round(window_s * rate_hz)
    if len(values) < width or not np.isfinite(values).all():
        return float("nan")
    power = np.concatenate([[0.0], np.cumsum(values**2)])
    unseen = np.concatenate([[0], np.cumsum(~np.isfinite(seen))])
    mean = (power[width:] - power[:-width]) / width
    mean = mean[unseen[width:] == unseen[:-width]]
    return float(np.sqrt(max(mean.min(), 0.0))) if len(mean) else float("nan")
