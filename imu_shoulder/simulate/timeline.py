"""Named channels over time, built from minimum-jerk moves, eased ramps, sines and band-limited noise."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import FloatArray

RAMP_EASE_S = 0.3
TAPER_S = 0.4


def minimum_jerk(share: FloatArray) -> FloatArray:
    """Position share 0-1 of a minimum-jerk move at time share 0-1 (Flash and Hogan 1985, from memory)."""
    return share**3 * (10 - 15 * share + 6 * share**2)


def eased_ramp(time_s: FloatArray, duration_s: float) -> FloatArray:
    """Share 0-1 of a steady ramp whose speed rises and falls within RAMP_EASE_S, so that nothing is jerked."""
    ease = min(RAMP_EASE_S, duration_s / 3)
    speed = 1.0 / (duration_s - ease)
    share = np.clip(time_s, 0.0, duration_s)
    rising = speed * share**2 / (2 * ease)
    steady = speed * (share - ease / 2)
    falling = 1.0 - speed * (duration_s - share) ** 2 / (2 * ease)
    return np.where(share < ease, rising, np.where(share > duration_s - ease, falling, steady))


def taper(time_s: FloatArray, duration_s: float) -> FloatArray:
    """Envelope 0-1-0 whose ends take TAPER_S (or a quarter of the duration), without a jump of acceleration."""
    edge = min(TAPER_S, duration_s / 4)
    return minimum_jerk(np.clip(np.minimum(time_s, duration_s - time_s) / edge, 0.0, 1.0))


def band_noise(rng: np.random.Generator, count: int, rate_hz: float, low_hz: float, high_hz: float) -> FloatArray:
    """Gaussian noise (count,) inside a band with mean 0 and RMS 1 over the returned samples."""
    long_enough = max(count, int(np.ceil(4 * rate_hz / low_hz)))
    frequency_hz = np.fft.rfftfreq(long_enough, 1 / rate_hz)
    spectrum = rng.normal(size=(2, frequency_hz.size))
    inside = (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    noise = np.fft.irfft(np.where(inside, spectrum[0] + 1j * spectrum[1], 0.0), long_enough)[:count]
    noise = noise - noise.mean()
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


@dataclass(frozen=True, slots=True)
class _Part:
    """Something added to a channel from start_s on; `shape(local_s)` inside, `lasting` ever after."""

    start_s: float
    duration_s: float
    shape: Callable[[FloatArray, float], FloatArray]
    lasting: float


class Timeline:
    """Collects parts per channel while a script is performed, then evaluates them on a grid."""

    def __init__(self, start: Mapping[str, float]) -> None:
        self._start = dict(start)
        self._target = dict(start)
        self._parts: dict[str, list[_Part]] = {name: [] for name in start}

    @property
    def channels(self) -> tuple[str, ...]:
        return tuple(self._parts)

    def target(self, channel: str) -> float:
        """Where the channel is heading after everything scripted so far."""
        return self._target[channel]

    def move(self, channel: str, start_s: float, duration_s: float, to: float) -> None:
        """Minimum-jerk move from the channel's target to a new one."""
        by = to - self._target[channel]
        self._add(channel, start_s, duration_s, lambda t, _: by * minimum_jerk(t / duration_s), by)

    def ramp(self, channel: str, start_s: float, duration_s: float, by: float) -> None:
        """Steady change by `by` with eased ends."""
        self._add(channel, start_s, duration_s, lambda t, _: by * eased_ramp(t, duration_s), by)

    def sine(self, channel: str, start_s: float, duration_s: float, hz: float, size: float, phase: float) -> None:
        """Tapered sine of amplitude `size`; phase in radians."""
        self._add(
            channel,
            start_s,
            duration_s,
            lambda t, _: size * taper(t, duration_s) * np.sin(2 * np.pi * hz * t + phase),
            0.0,
        )

    def noise(
        self, channel: str, start_s: float, duration_s: float, rms: float, band_hz: tuple[float, float], seed: int
    ) -> None:
        """Tapered band-limited noise of the given RMS (before the taper)."""

        def shape(time_s: FloatArray, rate_hz: float) -> FloatArray:
            rng = np.random.default_rng(seed)
            return rms * taper(time_s, duration_s) * band_noise(rng, time_s.size, rate_hz, *band_hz)

        if rms > 0:
            self._add(channel, start_s, duration_s, shape, 0.0)

    def _add(
        self,
        channel: str,
        start_s: float,
        duration_s: float,
        shape: Callable[[FloatArray, float], FloatArray],
        lasting: float,
    ) -> None:
        self._parts[channel].append(_Part(start_s, duration_s, shape, lasting))
        self._target[channel] += lasting

    def evaluate(self, channel: str, time_s: FloatArray) -> FloatArray:
        """The channel (N,) on a uniform grid time_s (N,)."""
        rate_hz = 1.0 / (time_s[1] - time_s[0])
        jumps = np.zeros(time_s.size + 1)
        jumps[0] = self._start[channel]
        local = np.zeros(time_s.size)
        for part in self._parts[channel]:
            first, last = np.searchsorted(time_s, [part.start_s, part.start_s + part.duration_s])
            if last - first > 1:
                local[first:last] += part.shape(time_s[first:last] - part.start_s, rate_hz)
            jumps[last] += part.lasting
        return np.cumsum(jumps[:-1]) + local
