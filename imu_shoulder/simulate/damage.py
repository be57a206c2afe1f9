"""What goes wrong between a sensor and the file, applied to a finished stream."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from imu_shoulder.errors import ParameterError
from imu_shoulder.model import BoolArray, FloatArray, SensorStream
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

CHANNELS = ("acc_x", "acc_y", "acc_z", "gyr_x", "gyr_y", "gyr_z")


@dataclass(frozen=True, slots=True)
class Damage:
    """Damage to one stream; the defaults do nothing. Times are seconds of the stamps.

    drop_share: share of single samples lost at random. bursts: how many losses of burst_s each.
    outages: (start_s, duration_s) without data. duplicate_share: share of rows written twice.
    step_back: (at_s, by_s), the clock is set back. wrap_s: stamps restart at 0 after this much.
    stuck: (channel, start_s, end_s), the value freezes. zero: channels that read 0 throughout.
    acc_in_g, gyr_in_deg_s: written in that unit but declared as SI. gravity_removed: the device subtracted it.
    declared_rate_hz: what the file claims, if not the truth.
    """

    drop_share: float = 0.0
    bursts: int = 0
    burst_s: float = 0.2
    outages: tuple[tuple[float, float], ...] = ()
    duplicate_share: float = 0.0
    step_back: tuple[float, float] | None = None
    wrap_s: float | None = None
    stuck: tuple[tuple[str, float, float], ...] = ()
    zero: tuple[str, ...] = ()
    acc_in_g: bool = False
    gyr_in_deg_s: bool = False
    gravity_removed: bool = False
    declared_rate_hz: float | None = None

    def __post_init__(self) -> None:
        for channel in (*self.zero, *(name for name, _, _ in self.stuck)):
            if channel not in CHANNELS:
                raise ParameterError(f"a channel out of {', '.join(CHANNELS)}", f"it was {channel!r}", "use one")
        for share in (self.drop_share, self.duplicate_share):
            if not 0 <= share < 1:
                raise ParameterError("a share in [0, 1)", f"it was {share}", "give a share")

    def apply(self, stream: SensorStream, gravity_m_s2: FloatArray, rng: np.random.Generator) -> SensorStream:
        """The damaged stream. gravity_m_s2: (N, 3) true gravity reaction in sensor axes, for gravity_removed."""
        time_s, values = stream.time_s.copy(), np.hstack([stream.acc_m_s2, stream.gyr_rad_s])
        if self.gravity_removed:
            values[:, :3] -= gravity_m_s2
        for channel in self.zero:
            values[:, CHANNELS.index(channel)] = 0.0
        for channel, start_s, end_s in self.stuck:
            rows = np.flatnonzero((time_s >= start_s) & (time_s < end_s))
            if rows.size:
                values[rows, CHANNELS.index(channel)] = values[rows[0], CHANNELS.index(channel)]
        if self.acc_in_g:
            values[:, :3] /= STANDARD_GRAVITY_M_S2
        if self.gyr_in_deg_s:
            values[:, 3:] = np.degrees(values[:, 3:])
        keep = self._kept(time_s, rng)
        copies = 1 + (rng.random(time_s.size) < self.duplicate_share)
        rows = np.repeat(np.arange(time_s.size)[keep], copies[keep])
        if self.step_back is not None:
            at_s, by_s = self.step_back
            time_s = np.where(time_s >= at_s, time_s - by_s, time_s)
        if self.wrap_s is not None:
            time_s = time_s % self.wrap_s
        return replace(
            stream,
            time_s=time_s[rows],
            acc_m_s2=values[rows, :3],
            gyr_rad_s=values[rows, 3:],
            declared_rate_hz=self.declared_rate_hz or stream.declared_rate_hz,
        )

    def _kept(self, time_s: FloatArray, rng: np.random.Generator) -> BoolArray:
        keep = rng.random(time_s.size) >= self.drop_share
        starts_s = rng.uniform(time_s[0], time_s[-1], self.bursts)
        for start_s, duration_s in (*self.outages, *((float(s), self.burst_s) for s in starts_s)):
            keep &= ~((time_s >= start_s) & (time_s < start_s + duration_s))
        return keep
