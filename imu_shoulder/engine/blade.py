"""The shoulder blade's columns, beside the angles of its arm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from imu_shoulder.analysis import Params
from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.angles.scapula import BladeSeat, scapula_tilt, up_from_pose
from imu_shoulder.calibrate.pose import Pose
from imu_shoulder.measure.scapula import beyond, fit_relation
from imu_shoulder.model import ACROMION, STERNUM, FloatArray, Side, on_arm
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.segment.model import Rep, rows_between

# So many reps of a drill shape the relation in a stream, the newest.
MOST_REPS = 60
# Where up points (M, 3) in the acromion's sensor and, where it is worn, in the sternum's.
Ups = tuple[FloatArray, FloatArray | None]


def ups_from_pose(side: Side, attitudes: Mapping[str, Attitude], pose: Pose) -> Ups | None:
    """None where no sensor sat on the acromion in the pose."""
    placement = on_arm(side, ACROMION)
    if placement not in pose.earth_from_sensor:
        return None
    worn = [p for p in (placement, STERNUM) if p in pose.earth_from_sensor]
    blade, *trunk = (up_from_pose(attitudes[p], pose.earth_from_sensor[p]) for p in worn)
    return blade, trunk[0] if trunk else None


def blade_columns(arm: ArmAngles, seat: BladeSeat | None, ups: Ups, params: Params) -> ArmAngles:
    """The arm with its shoulder blade's upward rotation; as it is where the seat is not known."""
    if seat is None:
        return arm
    found = scapula_tilt(
        seat,
        *ups,
        arm.angles["elevation_deg"],
        arm.elevation_reference,
        params.uncertainty.inclination_deg,
        params.angles.scapula,
    )
    return replace(
        arm,
        angles={**arm.angles, "scapula_up_deg": found.up_deg},
        sd={**arm.sd, "scapula_up_deg": found.sd_deg},
        hidden={**arm.hidden, "scapula_repeat_sd_deg": found.repeat_sd_deg},
        scapula_reference=found.reference,
    )


class BladeReps:
    """The athlete's own relation of blade and arm as it becomes known, rep by rep, in a stream."""

    def __init__(self) -> None:
        # Elevation and upward rotation along lift and top of each rep, by arm and drill.
        self._reps: dict[tuple[Side, str], list[tuple[FloatArray, FloatArray]]] = {}

    def columns(
        self, side: Side, drill: str, rep: Rep, time_s: FloatArray, columns: Mapping[str, FloatArray]
    ) -> dict[str, FloatArray]:
        """Take in a rep, give what its rows (N,) show beyond the relation; nothing where no blade was seen."""
        up_deg, elevation_deg = columns.get("scapula_up_deg"), columns.get("elevation_deg")
        if up_deg is None or elevation_deg is None:
            return {}
        if rep.kind == "rep":
            rows = rows_between(time_s, rep.start_s, rep.top_end_s)
            own = self._reps.setdefault((side, drill), [])
            own.append((elevation_deg[rows].copy(), up_deg[rows].copy()))
            del own[:-MOST_REPS]
        session = [points for (arm, _), reps in self._reps.items() if arm == side for points in reps]
        relation = fit_relation(self._reps.get((side, drill), [])) or fit_relation(session)
        return {} if relation is None else beyond(relation, elevation_deg, up_deg, columns["scapula_repeat_sd_deg"])
