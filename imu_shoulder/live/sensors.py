"""What the sensor panel shows: rate, loss, battery, when last seen."""

from __future__ import annotations

from collections import deque
from typing import Any

from imu_shoulder.model import SensorStream

# Rates and losses are of the last so many seconds.
OVER_S = 10.0


class SensorState:
    """One sensor's own samples, counted by their device times."""

    def __init__(self, rate_hz: float) -> None:
        self._declared_hz = rate_hz
        self._chunks: deque[tuple[float, float, int]] = deque()
        self._got = 0
        self.newest_s: float | None = None
        self.battery_pct: float | None = None
        self.on_limb: bool | None = None

    def push(self, stream: SensorStream) -> None:
        count = len(stream.time_s)
        if not count:
            return
        self.newest_s = float(stream.time_s[-1])
        self._chunks.append((float(stream.time_s[0]), self.newest_s, count))
        self._got += count

    def frame(self, now_s: float) -> dict[str, Any]:
        while self._chunks and not now_s - OVER_S <= self._chunks[0][1] <= now_s + OVER_S:
            self._got -= self._chunks.popleft()[2]
        rate = loss = None
        if len(self._chunks) > 1 and self.newest_s is not None:
            first_s = self._chunks[0][0]
            span_s = max(self.newest_s - first_s, 1e-9)
            rate = round((self._got - 1) / span_s, 1)
            # A sensor that fell silent loses what it should have sent since.
            due = (max(now_s - 1.5 / self._declared_hz, self.newest_s) - first_s) * self._declared_hz + 1
            loss = round(max(0.0, 100.0 * (1.0 - self._got / due)), 1)
        elif self.newest_s is not None:
            rate, loss = 0.0, 100.0
        return {
            "rate_hz": rate,
            "loss_pct": loss,
            "battery_pct": self.battery_pct,
            "seen_s_ago": None if self.newest_s is None else round(max(0.0, now_s - self.newest_s), 2),
            "on_limb": self.on_limb,
        }
