"""Arms that move as in a mirror: sensors of the two arms exchanged, or all accelerometers negated alike.

Nothing in sensors that are all negated alike contradicts itself: they show the world in a mirror, in which arms hang as
they do and a right arm goes where a left one does. So only what a set asks tells it: the arm is far from the plane that
is asked, and its mirror image is in it. Where the plane that is asked is about ahead, the two are the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from imu_shoulder.drills import Drill
from imu_shoulder.findings import finding_of
from imu_shoulder.frames import wrap_deg
from imu_shoulder.model import UPPER_ARM, Finding, FloatArray, Side, on_arm

PLANE, ELEVATION = "plane", "elevation_deg"


@dataclass(frozen=True, slots=True)
class MirrorParams:
    """When an arm is called mirrored.

    raised_deg: an arm is looked at while it is raised further than this, and as far from overhead; raised_s: for so
    long at least in the set. off_deg: it is further from the plane that is asked than this, and within_deg: its mirror
    image is nearer to it. most_sd_deg: of the plane, beyond which it is not known where the arm went.

    Sources. raised_deg, raised_s, off_deg, within_deg, most_sd_deg: ours.
    """

    raised_deg: float = 45.0
    raised_s: float = 1.0
    off_deg: float = 60.0
    within_deg: float = 20.0
    most_sd_deg: float = 15.0


class Mirrored:
    """Collects what sets say, one arm of one set at a time."""

    def __init__(self, params: MirrorParams) -> None:
        self._params = params
        # By side: of each set that tells, where the arm went, or None where it went as asked, and its begin and end.
        self._told: dict[Side, list[tuple[float | None, float, float]]] = {}

    def look(
        self,
        side: Side,
        drill: Drill | None,
        time_s: FloatArray,
        angles: Mapping[str, FloatArray],
        sd: Mapping[str, FloatArray],
        rate_hz: float,
    ) -> None:
        """One set of one arm: its rows (N,), angles and their standard deviations by column."""
        asked = None if drill is None else _asked(drill)
        plane_deg, elevation_deg = angles.get(f"{PLANE}_deg"), angles.get(ELEVATION)
        if asked is None or plane_deg is None or elevation_deg is None:
            return
        params = self._params
        raised = np.isfinite(plane_deg) & (np.abs(elevation_deg - 90.0) < 90.0 - params.raised_deg)
        if np.count_nonzero(raised) < params.raised_s * rate_hz:
            return
        if not float(np.median(sd[f"{PLANE}_deg"][raised])) <= params.most_sd_deg:
            return
        off_deg = _off(plane_deg[raised], *asked)
        mirrored_deg = _off(180.0 - plane_deg[raised], *asked)
        if float(np.median(off_deg)) > params.off_deg and float(np.median(mirrored_deg)) < params.within_deg:
            went: float | None = float(np.median(plane_deg[raised] % 360.0))
        elif float(np.median(off_deg)) < params.within_deg:
            went = None
        else:
            return
        self._told.setdefault(side, []).append((went, float(time_s[0]), float(time_s[-1])))

    def findings(self) -> list[Finding]:
        """One per arm of which a set says so and none says otherwise."""
        return [
            finding_of(
                on_arm(side, UPPER_ARM),
                "mirrored_arm",
                f"The {side} arm goes to a plane of {told[0][0]:.0f} deg, far from where it was asked to go, and its "
                "mirror image goes there. Check that no sensor of the other arm sits on it, and that accelerometers "
                "read 9.8 upward at rest: with all signs exchanged a right arm looks like a left one.",
                value=round(told[0][0], 1),
                start_s=told[0][1],
                end_s=told[-1][2],
            )
            for side, told in sorted(self._told.items())
            if told[0][0] is not None and all(went is not None for went, _, _ in told)
        ]


def _asked(drill: Drill) -> tuple[float, float] | None:
    """The plane that is asked of the arm, in degrees: by the form, else by the stations where all ask the same."""
    limited = drill.form.ends_of(PLANE)
    if limited is not None:
        return limited
    stations = {
        (asked.low_deg, asked.high_deg)
        for station in drill.stations
        for asked in station.ranges
        if asked.angle == PLANE and asked.above is None
    }
    return stations.pop() if len(stations) == 1 else None


def _off(plane_deg: FloatArray, low_deg: float, high_deg: float) -> FloatArray:
    """How far planes are from a range, degrees (N,)."""
    middle_deg, half_deg = (low_deg + high_deg) / 2.0, (high_deg - low_deg) / 2.0
    return np.maximum(np.abs(wrap_deg(plane_deg - middle_deg)) - half_deg, 0.0)
