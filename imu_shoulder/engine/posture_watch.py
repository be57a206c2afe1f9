"""What one arm is doing right now in a drill of several stations: which one it holds, which one comes next."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from statistics import median

from imu_shoulder.analysis import StreamParams
from imu_shoulder.drills import Drill, Station
from imu_shoulder.engine.watch import ArmWatch
from imu_shoulder.segment.station_reps import MOVE_DEG_S, Posture, posture_names, station_of

# An arm that stays within what MOVE_DEG_S makes of so much time holds a posture.
STAY_S = 0.3


class PostureWatch(ArmWatch):
    """As ArmWatch, by the posture. station, next_station: the one that is held, the first one not held yet."""

    def __init__(self, drill: Drill, role: str, rate_hz: float, params: StreamParams) -> None:
        super().__init__(drill, role, rate_hz, params)
        self.needs = sorted(posture_names(drill))
        self._postures: deque[tuple[float, ...]] = deque(maxlen=max(3, round(STAY_S * rate_hz)))
        self._known: dict[str, Posture] = {}
        self._held: set[str] = set()
        self._latest = "start"

    def posture(self, values_deg: tuple[float, ...]) -> None:
        """The posture of the row that comes next; values_deg: of the angles named in `needs`."""
        self._postures.append(values_deg)

    @property
    def hold_target_s(self) -> float | None:
        held = next((station for station in self._drill.stations if station.name == self.station), None)
        return super().hold_target_s if held is None else held.hold_s or None

    def _decide(self, time_s: float, angle_deg: float, velocity: float) -> None:
        stays = len(self._postures) == self._postures.maxlen and all(
            max(column) - min(column) < MOVE_DEG_S * STAY_S for column in self._finite()
        )
        now = {name: median(column) for name, column in zip(self.needs, self._columns(), strict=True)}
        station = self._met(now) if stays else None
        if self.phase == "hold":
            self._level.append((time_s, angle_deg))
            if station is None or station.name != self.station:
                self.held_s = max(0.0, time_s - STAY_S - (self.hold_from_s or 0.0))
                self.station = None
        if station is not None:
            self._arrive(station, now, time_s)
        elif stays and self._at_start(now):
            self.phase, self._known, self._held = "rest", {"start": now}, set()
            self._latest = "start"
        else:
            if self.phase == "rest":
                self.peak_deg = self.held_s = None
            self.phase = "lift" if self._drill.top.name not in self._held else "lower"
        self.next_station = next((s.name for s in self._drill.stations if s.name not in self._held), None)
        if self.phase in ("lift", "hold"):
            self.peak_deg = angle_deg if self.peak_deg is None else max(self.peak_deg, angle_deg)

    def _arrive(self, station: Station, now: Posture, time_s: float) -> None:
        if self.phase == "hold" and self.station == station.name:
            return
        self.phase, self.station, self.held_s = "hold", station.name, None
        self.hold_from_s = time_s - STAY_S
        self._level.clear()
        if station.name not in self._held:
            self._known[station.name] = now
            self._held.add(station.name)
        self._latest = station.name

    def _at_start(self, now: Posture) -> bool:
        """Whether a posture is the start. What is not defined in it, as the plane of a hanging arm, is not outside."""
        return not any(now[r.angle] < r.low_deg or now[r.angle] > r.high_deg for r in self._drill.start)

    def _met(self, now: Mapping[str, float]) -> Station | None:
        if "start" not in self._known:
            return None
        name = station_of(self._drill, now, self._known, self._latest)
        return next((station for station in self._drill.stations if station.name == name), None)

    def _columns(self) -> list[tuple[float, ...]]:
        return list(zip(*self._postures, strict=True))

    def _finite(self) -> list[list[float]]:
        """The columns without what is not defined; an angle that never is says nothing of moving."""
        found = [[value for value in column if value == value] for column in self._columns()]
        return [column for column in found if column]
