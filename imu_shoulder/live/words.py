"""The few words an athlete reads from three metres away."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from imu_shoulder.assess.words import ADVICE
from imu_shoulder.drills import Drill

CUES: Mapping[str, str] = {
    "shrug": "shoulder down",
    "trunk_moved": "body still",
    "thumb_down": "thumb up",
    "elbow_off": "mind the elbow",
    "station_skipped": "every station",
    "order_wrong": "keep the order",
    "short_arc": "further",
    "over_arc": "not so far",
    "hold_broken": "keep it up there",
    "hold_short": "hold longer",
    "too_fast": "slower",
    "arms_together": "press out",
    "plane_off": "mind the direction",
    "start_missed": "all the way back",
}
STEPS: Mapping[str, str] = {
    "pose": "Stand still, arms hanging, thumbs forward",
    "bends": "Bend your elbows and straighten them fully, three times, upper arms still",
    "raises": "Raise your straight arms forward to shoulder height twice",
    "ready": "Calibration is complete",
}
# Of an arm that is to hold while the other one lifts, and no longer can.
LOWER_BOTH: Mapping[str, str] = {"code": "holder_sinks", "text": "lower both arms"}


def cue(faults: Collection[str], drill: Drill) -> dict[str, str] | None:
    """The most important of the faults, in the order in which a coach would raise them; None without any."""
    code = next((name for name in ADVICE if name in faults), None)
    if code is None:
        return None
    text = CUES[code]
    if code == "elbow_off" and drill.form.elbow_deg is not None:
        text = "elbow straight" if drill.form.elbow_deg[0] < 0 else "elbow bent, at your side"
    if code == "short_arc" and drill.leading_angle == "elevation":
        text = "higher"
    if code == "plane_off" and drill.leading_angle == "elevation":
        text = "a little in front"
    if code == "over_arc" and drill.leading_angle == "elevation":
        text = "not so high"
    return {"code": code, "text": text}


def limb(placement: str) -> str:
    """ "right upper arm" """
    return placement.replace("_", " ")
