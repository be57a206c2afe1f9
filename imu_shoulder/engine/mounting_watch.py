"""What the marked movements of a stream show of where the sensors are worn: looked at when one is over."""

from __future__ import annotations

from collections.abc import Mapping

from imu_shoulder.calibrate.mounting import MountingParams, Stretch, mounting_findings
from imu_shoulder.drills import Drill
from imu_shoulder.model import Finding


class MountingWatch:
    """take() what each movement showed; then read findings."""

    def __init__(self, drills: Mapping[str, Drill], params: MountingParams) -> None:
        """drills: those named in events, by id."""
        self._drills, self._params = drills, params
        self._stretches: list[Stretch] = []
        self.findings: tuple[Finding, ...] = ()

    def begin(self) -> None:
        """Sensors may have been moved: as if nothing had been shown."""
        self._stretches, self.findings = [], ()

    def take(self, stretch: Stretch | None) -> None:
        """None where the movement shows nothing."""
        if stretch is not None:
            self._stretches.append(stretch)
            self.findings = tuple(mounting_findings(self._stretches, self._drills, self._params))
