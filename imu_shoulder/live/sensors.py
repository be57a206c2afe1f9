"""What the sensor panel shows: rate, loss, battery, when last seen."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from math import inf
from typing import Any

from imu_shoulder.model import Finding, SensorStream, limb_words

# Rates and losses are of the last so many seconds.
OVER_S = 10.0
# A sensor that was not heard for so long is warned of.
SILENT_S = 1.0
# The sensors' rates and losses are worked out this often.
PANEL_S = 0.2


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


class SensorPanel:
    """All sensors, worked out anew every PANEL_S of the samples' clock."""

    def __init__(self, rates_hz: Mapping[str, float]) -> None:
        self._sensors = {placement: SensorState(rate) for placement, rate in rates_hz.items()}
        self._worked_out_s = -inf
        self.frames: dict[str, Any] = {}
        self.warnings: list[str] = []

    def push(self, streams: Mapping[str, SensorStream]) -> dict[str, SensorStream]:
        """Count what came; returns that of the sensors that were expected."""
        known = {placement: stream for placement, stream in streams.items() if placement in self._sensors}
        for placement, stream in known.items():
            self._sensors[placement].push(stream)
        return known

    def tell_battery(self, placement: str, battery_pct: float | None) -> None:
        if placement in self._sensors:
            self._sensors[placement].battery_pct = battery_pct

    def look(self, now_s: float, on_limb: Mapping[str, bool], findings: Callable[[], Sequence[Finding]]) -> bool:
        """Work out frames and warnings, if it is time; whether it was."""
        if self.frames and 0 <= now_s - self._worked_out_s < PANEL_S:
            return False
        self._worked_out_s = now_s
        for placement, sensor in self._sensors.items():
            sensor.on_limb = on_limb.get(placement)
        self.frames = {placement: sensor.frame(now_s) for placement, sensor in self._sensors.items()}
        self.warnings = [*self._silent(now_s), *(finding.text for finding in findings())]
        return True

    def _silent(self, now_s: float) -> list[str]:
        out = []
        for placement, sensor in self._sensors.items():
            if sensor.newest_s is None:
                out.append(f"The {limb_words(placement)} sensor was not heard yet.")
            elif now_s - sensor.newest_s > SILENT_S:
                out.append(f"The {limb_words(placement)} sensor is not heard for {now_s - sensor.newest_s:.0f} s.")
        return out
