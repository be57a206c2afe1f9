"""How a joint gets from one angle to another, and how it wanders while it stays.

A quick stroke has one lopsided peak of speed; a slow one is a plateau of many small pushes, as people's slow
movements are. Corrections near the end come on top. Speed and acceleration are zero at both ends. Shares and counts
are our own choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, next_fast_len, rfftfreq

from second_simulator.quat import Array

# Between these a wander's size is told; slower and faster parts come on top.
WANDER_LOW_HZ, WANDER_HIGH_HZ = 0.15, 3.0


@dataclass(frozen=True, slots=True)
class Habit:
    """How one person makes strokes.

    peak: where in the stroke the speed is highest, 0 to 1. uneven: how much the speed of slow strokes varies (log,
    RMS). corrections: how many small pushes near the end on average. spread: how much durations differ, share. bow:
    how far the path is bent aside, as a share of its length.
    """

    peak: float = 0.45
    uneven: float = 0.2
    corrections: float = 0.7
    spread: float = 0.1
    bow: float = 0.02


def eased(x: Array) -> Array:
    """0 to 1 with speed and acceleration zero at both ends."""
    x = np.clip(x, 0.0, 1.0)
    return x * x * x * (10 + x * (6 * x - 15))


def increments(n: int, duration_s: float, habit: Habit, rng: np.random.Generator) -> Array:
    """The n steps of a stroke from 0 to 1."""
    at = (np.arange(n) + 0.5) / n
    mode = float(np.clip(rng.normal(habit.peak, 0.05), 0.27, 0.7))
    sharp = 2.3 / min(mode, 1 - mode)
    bell = at ** (sharp * mode) * (1 - at) ** (sharp * (1 - mode))
    rise = float(np.clip(rng.uniform(0.5, 0.9) / duration_s, 0.06, 0.5))
    fall = float(np.clip(rng.uniform(0.5, 1.1) / duration_s, 0.06, 0.5))
    level = eased(at / rise) * eased((1 - at) / fall)
    slow = float(eased(np.array((duration_s - 1.2) / 2.5)))
    speed = (1 - slow) * bell / bell.mean() + slow * level / level.mean()
    freqs_hz = rng.uniform(0.5, 3.5, 9)
    pushes = np.cos(2 * np.pi * np.outer(freqs_hz, at * duration_s) + rng.uniform(0, 2 * np.pi, (9, 1)))
    speed = speed * np.exp(habit.uneven * slow * (freqs_hz**-0.5 / np.sqrt(0.5 * np.sum(1 / freqs_hz))) @ pushes)
    for _ in range(rng.poisson(habit.corrections)):
        # No push of a person's is over sooner than in a quarter of a second.
        width = max(rng.uniform(0.05, 0.25), 0.13 / duration_s)
        centre = min(rng.uniform(0.7, 0.9), 1 - width)
        bump = np.where(np.abs(at - centre) < width, np.cos(np.pi * (at - centre) / (2 * width)) ** 4, 0.0)
        speed = speed + rng.normal(0.02, 0.05) * bump / bump.mean()
    return speed / speed.sum()


def bulge(n: int) -> Array:
    """The n steps of a way out to 1 and back to 0."""
    at = np.arange(n + 1) / n
    return np.diff(np.sin(np.pi * at) ** 4)


def wander(rng: np.random.Generator, rows: int, n: int, rate_hz: float, slope: float, end_hz: float = 2.5) -> Array:
    """Noise (rows, n) whose power falls as 1/f^slope and is gone above end_hz, RMS 1 between 0.15 and 3 Hz.

    Slower parts are there too but no larger: the eye puts them right.
    """
    size = next_fast_len(n, real=True)
    freq_hz = rfftfreq(size, 1 / rate_hz)
    shape = np.maximum(freq_hz, WANDER_LOW_HZ) ** (-slope / 2) / (1 + (freq_hz / end_hz) ** 5)
    shape *= freq_hz**2 / (freq_hz**2 + 0.04**2)
    told = (freq_hz >= WANDER_LOW_HZ) & (freq_hz <= WANDER_HIGH_HZ)
    return _noise(rng, rows, size, shape / (2 / size * np.sqrt(np.sum(shape[told] ** 2))))[:, :n]


def trembling(rng: np.random.Generator, rows: int, n: int, rate_hz: float, centre_hz: float) -> Array:
    """Noise (rows, n) in a band 2 Hz wide, RMS 1."""
    size = next_fast_len(n, real=True)
    shape = np.exp(-0.5 * ((rfftfreq(size, 1 / rate_hz) - centre_hz) / 0.9) ** 2)
    return _noise(rng, rows, size, shape / (2 / size * np.sqrt(np.sum(shape**2))))[:, :n]


def _noise(rng: np.random.Generator, rows: int, size: int, shape: Array) -> Array:
    waves = rng.normal(size=(rows, shape.size)) + 1j * rng.normal(size=(rows, shape.size))
    return np.asarray(irfft(waves * shape, size, axis=1))
