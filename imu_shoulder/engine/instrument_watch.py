"""What the last minutes of a stream show of its sensors' instruments and clocks, by the checks of a finished recording.

They are looked at after each movement and set: one sensor, or all against each other, a look at a time, so that no push
takes much longer for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from imu_shoulder.align.apart import Turning, clocks_apart
from imu_shoulder.align.disagree import DisagreeParams
from imu_shoulder.align.instruments import instruments_off
from imu_shoulder.align.upside import Upright, upside_down, upside_down_text
from imu_shoulder.engine.memory import Memory
from imu_shoulder.findings import finding_of
from imu_shoulder.frames import rotation_from_quat
from imu_shoulder.model import Event, Finding, FloatArray
from imu_shoulder.orient.bias import BiasTrack

# All sensors against each other.
_TOGETHER = ""


class InstrumentWatch:
    """wake() when there is something new to see, look() every so often; then read findings."""

    def __init__(self, limits: DisagreeParams) -> None:
        self._limits = limits
        self._to_look: list[str] = []
        self._found: dict[tuple[str, str], Finding] = {}

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was found at any time: an instrument does not mend itself."""
        return tuple(self._found.values())

    def wake(self, placements: Sequence[str]) -> None:
        self._to_look = [*placements, _TOGETHER] if placements else []

    def look(self, memory: Memory, biases: Mapping[str, BiasTrack], rate_hz: float, events: Sequence[Event]) -> None:
        """Look at the next that is to be looked at."""
        if not self._to_look:
            return
        placement = self._to_look.pop(0)
        bad = {who for who, _ in self._found}
        to_see = [own for own in biases if own not in bad] if placement == _TOGETHER else [placement]
        rows = _rows(memory, to_see, biases)
        if placement == _TOGETHER:
            self._against_each_other(rows, events)
        elif placement in rows and placement not in bad:
            off, unit = instruments_off(*rows[placement], rate_hz, self._limits)
            if unit:
                self._add(placement, "axes_wrong", f"its gyroscope's numbers seem to be in {unit}")
            elif off is not None and not off.fit:
                self._add(placement, off.code, off.text, off.value)

    def _against_each_other(
        self, rows: Mapping[str, tuple[FloatArray, FloatArray, FloatArray]], events: Sequence[Event]
    ) -> None:
        turning = [Turning(own, time_s, np.linalg.norm(gyr, axis=1)) for own, (_, gyr, time_s) in rows.items()]
        for apart in clocks_apart(turning, events):
            self._add(apart.placement, apart.code, apart.text, apart.ahead_s)
        wrong = upside_down([Upright(own, time_s, acc, gyr) for own, (acc, gyr, time_s) in rows.items()])
        for placement in wrong:
            self._add(placement, "accelerometer_upside_down", upside_down_text(placement, wrong))

    def _add(self, placement: str, code: str, text: str, value: float | None = None) -> None:
        self._found.setdefault((placement, code), finding_of(placement, code, text, value))


def _rows(
    memory: Memory, placements: Sequence[str], biases: Mapping[str, BiasTrack]
) -> dict[str, tuple[FloatArray, FloatArray, FloatArray]]:
    """Accelerometer (N, 3) in m/s^2, gyroscope (N, 3) in rad/s less its zero, and time_s (N,), of these sensors, as
    far as they were seen, in the sensor's frame as they came."""
    rows = memory.all_rows()
    tracks, attitudes = memory.tracks(rows), memory.attitudes(rows, biases)
    out = {}
    for placement in placements:
        track = tracks[placement]
        seen = track.valid & np.isfinite(track.acc_m_s2[:, 0])
        if seen.any():
            earth_from_sensor = rotation_from_quat(attitudes[placement].quat_earth_from_sensor[seen])
            gyr = earth_from_sensor.apply(track.gyr_rad_s[seen], inverse=True)
            out[placement] = track.acc_m_s2[seen], gyr, rows[seen, 0]
    return out
