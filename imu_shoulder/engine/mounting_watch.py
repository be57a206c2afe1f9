"""What the marked movements of a stream show of its sensors: where they are worn, looked at when one is over, and what
is wrong with them, one by one from then on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from imu_shoulder.align.disagree import DisagreeParams
from imu_shoulder.calibrate.mounting import MountingParams, Stretch, mounting_findings
from imu_shoulder.drills import Drill
from imu_shoulder.engine.instrument_watch import InstrumentWatch
from imu_shoulder.engine.memory import Memory
from imu_shoulder.model import Event, Finding
from imu_shoulder.orient.bias import BiasTrack


class MountingWatch:
    """take() what each movement showed, look() every so often; then read findings."""

    def __init__(self, drills: Mapping[str, Drill], params: MountingParams, instruments: DisagreeParams) -> None:
        """drills: those named in events, by id."""
        self._drills, self._params, self._of_instruments = drills, params, instruments
        self.begin()

    def begin(self) -> None:
        """Sensors may have been moved: as if nothing had been shown."""
        self._stretches: list[Stretch] = []
        self._of_mounting: tuple[Finding, ...] = ()
        self._instruments = InstrumentWatch(self._of_instruments)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was found so far."""
        return (*self._of_mounting, *self._instruments.findings)

    def take(self, stretch: Stretch | None, placements: Sequence[str]) -> None:
        """None where the movement shows nothing of where sensors sit. placements: of
        the sensors whose instruments are to be looked at: all of a finished recording says more of them."""
        self._instruments.wake(placements)
        if stretch is not None:
            self._stretches.append(stretch)
            self._of_mounting = tuple(mounting_findings(self._stretches, self._drills, self._params))

    def look(
        self,
        memory: Memory,
        biases: Mapping[str, BiasTrack],
        rate_hz: float,
        events: Sequence[Event],
        *,
        looks: bool,
    ) -> None:
        """At the instruments and clocks: at some more of them in each part that looks, after a movement."""
        if looks:
            self._instruments.look(memory, biases, rate_hz, events)
