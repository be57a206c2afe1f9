"""summary.json: everything the report says, as data, with parameters and provenance."""

from __future__ import annotations

import math
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from functools import cache
from importlib import metadata
from typing import Any

import numpy as np

from imu_shoulder import __version__
from imu_shoulder.analysis import AnalysedSet, Analysis
from imu_shoulder.angles.scapula import REACH_DEG
from imu_shoulder.assess.sets import assess_set
from imu_shoulder.assess.sides import compare_sides
from imu_shoulder.assess.unseen import bare_sets, missing_angles, missing_lines, named, set_lines
from imu_shoulder.calibrate.model import ArmCalibration, Calibration
from imu_shoulder.calibrate.pose import NO_POSE
from imu_shoulder.cautions import CAUTIONS
from imu_shoulder.model import ACROMION, SIDES, STERNUM, Finding, Proposal, on_arm
from imu_shoulder.report.headlines import first_lines
from imu_shoulder.report.pain import PAIN_CEILING, notes_of, tell_sets

SCHEMA = 1
STEPS = {
    "neutral_pose": "the neutral pose",
    "elbow_bends": "elbow bends",
    "forward_raises": "forward raises",
    "bends_at_shoulder_height": "elbow bends at shoulder height",
}
_DEPENDENCIES = ("numpy", "scipy", "pandas", "pyarrow", "vqf", "ahrs")


def summarise(analysis: Analysis, pain_ceiling: float = PAIN_CEILING) -> dict[str, Any]:
    """The contents of summary.json: JSON types only, no NaN. pain_ceiling: of 10."""
    recording, aligned, found = analysis.recording, analysis.aligned, analysis.calibration
    sets = [assess_set(own.arm_set, own.judged) for own in analysis.sets]
    for entry, own in zip(sets, analysis.sets, strict=True):
        entry["elevation_reference"] = analysis.arms[own.arm_set.side].reference_of(slice(*own.arm_set.rows))
    _compare_sides(sets, analysis.sets)
    pain = tell_sets(sets, recording.events, pain_ceiling, analysis.apart)
    duration_s = float(aligned.time_s[-1] - aligned.time_s[0])
    summary = {
        "schema": SCHEMA,
        "recording": {
            "name": recording.name,
            "athlete": recording.athlete,
            "start": recording.start,
            "duration_s": duration_s,
            "sha256": dict(recording.file_sha256),
        },
        "versions": _versions(),
        "parameters": asdict(analysis.params),
        "parameters_changed": analysis.params.changed,
        "calibration": {side: _calibration(arm, found) for side, arm in found.arms.items()} if found else {},
        "no_pose": analysis.no_pose,
        "proposals": [_proposal(own) for own in recording.proposals or ()],
        "elevation_reference": "/".join(sorted({arm.elevation_reference for arm in analysis.arms.values()})),
        "data_quality": {
            placement: {
                **asdict(quality),
                "findings": [_finding(f) for f in aligned.findings if f.placement == placement],
            }
            for placement, quality in aligned.quality.items()
        },
        "findings": [{"placement": f.placement, **_finding(f)} for f in analysis.findings],
        "not_seen": _not_seen(analysis),
        "bare_sets": bare_sets(recording.events, analysis.arms, analysis.apart),
        "cautions": list(CAUTIONS),
        "pain": pain,
        "notes": notes_of(recording.events),
        "sets": sets,
    }
    told: dict[str, Any] = plain(summary)
    return {**told, "first_lines": first_lines(told)}


@cache
def _versions() -> dict[str, str]:
    installed = {name: metadata.version(name) for name in _DEPENDENCIES}
    return {"imu_shoulder": __version__, "python": platform.python_version(), **installed}


def _proposal(own: Proposal) -> dict[str, Any]:
    return {**asdict(own), "alternatives": dict(own.alternatives)}


def _finding(finding: Finding) -> dict[str, Any]:
    out = asdict(finding)
    del out["placement"]
    return out


def _calibration(arm: ArmCalibration, calibration: Calibration) -> dict[str, Any]:
    residual = {
        f"{sensor.placement} {name}": value
        for sensor in (arm.upper_arm, arm.wrist)
        if sensor is not None
        for name, value in sensor.residual_deg.items()
    }
    used = [STEPS.get(step, step) for step in arm.used]
    text = f"from {', '.join(used)}"
    if not calibration.pose_was_marked:
        start, end = calibration.pose_s
        text += f" (no pose was marked: the stillness from {start:.1f} to {end:.1f} s is proposed for it)"
    unmoved = [name for missing in missing_angles(arm) if not missing.bare for name in missing.angles]
    if unmoved:
        text += f"; without a movement that shows it, {named(unmoved)} cannot be told"
    return {"used": list(arm.used), "residual_deg": residual, "text": text}


def _not_seen(analysis: Analysis) -> list[str]:
    worn = set(analysis.attitudes)
    out = ["Pain and muscle activity: no sensor shows them. Ask."]
    out += _shrugs_not_seen(analysis)
    if STERNUM not in worn:
        out.append("The trunk: no sensor sat on the breastbone, so leaning was not seen.")
    if analysis.no_pose:
        out.append(f"Every angle: no neutral pose was found. {NO_POSE[2].capitalize()}.")
    for arm in () if analysis.calibration is None else analysis.calibration.arms.values():
        out += missing_lines(arm)
    sets = [found.arm_set for found in analysis.sets]
    return out + set_lines(sets, analysis.arms, STERNUM in worn, analysis.params.judge.heading_sd_deg)


def _shrugs_not_seen(analysis: Analysis) -> list[str]:
    """What is not known of the shoulder blades: side by side, or in one line where neither wore a sensor."""
    bare = [side for side in analysis.arms if on_arm(side, ACROMION) not in analysis.attitudes]
    if len(bare) == len(analysis.arms):
        return ["Shrugging: no sensor sat on the shoulder blade, so it was not seen."]
    out = [
        f"Shrugging of the {side} shoulder: no sensor sat on the upper arm or wrist, so it was not seen."
        for side in SIDES
        if side not in analysis.arms and on_arm(side, ACROMION) in analysis.attitudes
    ]
    for side, arm in analysis.arms.items():
        of = f"Shrugging of the {side} shoulder"
        sets = [found for found in analysis.sets if found.arm_set.side == side]
        unjudged = [
            str(found.arm_set.number)
            for found in sets
            if found.arm_set.counted and not any(np.isfinite(j.values["shrug_deg"]) for j in found.judged)
        ]
        if side in bare:
            out.append(f"{of}: no sensor sat on that shoulder blade, so it was not seen.")
            continue
        if not arm.scapula_reference:
            out.append(f"{of}: the arm was not seen raised, so how the shoulder blade turned cannot be told.")
            continue
        if arm.scapula_reference == "gravity":
            out.append(f"{of} was seen against gravity only: a trunk that leans can look like a shrug and hide one.")
        if any((arm.angles["elevation_deg"][slice(*found.arm_set.rows)] > REACH_DEG).any() for found in sets):
            out.append(f"{of} above {REACH_DEG:g} deg: there the skin no longer follows the shoulder blade.")
        if unjudged:
            out.append(f"{of} in set {', '.join(unjudged)}: too few reps within reach to know what is usual.")
        untold = [
            str(found.arm_set.number)
            for found in sets
            if any("shrug" in j.untold for j in found.judged)
            and all("shrug" in j.untold for j in found.judged if not j.excluded)
        ]
        if untold:
            text = f"{of} in set {', '.join(untold)}: not judged, even a large one would not stand out from the error"
            worn = STERNUM in analysis.attitudes
            out.append(f"{text}." if worn else f"{text}. A sensor on the breastbone makes it smaller.")
    return out


def _compare_sides(sets: Sequence[dict[str, Any]], found: Sequence[AnalysedSet]) -> None:
    """Fill side_difference of two-sided sets."""
    for entry in sets:
        both = [f for f in found if f.arm_set.number == entry["set"] and f.arm_set.role == "lift"]
        entry["side_difference"] = compare_sides(
            {f.arm_set.side: f.judged for f in both}, entry["angle"], {f.arm_set.side: f.arm_set.drill for f in both}
        )


def plain(value: Any) -> Any:
    """JSON types: NaN and infinity become None, numpy scalars Python's, floats six significant digits."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, (float, np.floating)):
        return float(f"{float(value):.6g}") if math.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    return value
