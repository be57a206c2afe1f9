"""The few words an athlete reads from three metres away."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from imu_shoulder.assess.faults import RAISED
from imu_shoulder.drills import Drill

STEPS: Mapping[str, str] = {
    "pose": "Stand still, arms hanging, thumbs forward",
    "bends": "Bend your elbows and straighten them fully, three times, upper arms still",
    "raises": "Raise your straight arms forward to shoulder height twice",
    "high": "As far as it does not hurt, or leave it out: arms up to the side, thumbs up; bend your elbows there twice",
    "ready": "Calibration is complete",
}
# Of an arm that is to hold while the other one lifts, and no longer can.
LOWER_BOTH: Mapping[str, str] = {"code": "holder_sinks", "text": "lower both arms"}


def cue(faults: Collection[str], drill: Drill) -> dict[str, str] | None:
    """The most important of the faults, in the order in which a coach would raise them; None without any."""
    fault = next((fault for fault in RAISED if fault.name in faults), None)
    if fault is None:
        return None
    in_drill = "" if fault.cue_in_drill is None else fault.cue_in_drill(drill)
    return {"code": fault.name, "text": in_drill or fault.cue}
