"""Right against left in a two-sided set: counts, arc and steadiness, held against what the measurement can tell.

MDC95 = 1.96 sqrt(2) SEM (evidence of two measurements that differ). The SEM is of one side's mean over the set.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from scipy.special import stdtrit

from imu_shoulder.angles.uncertainty import UncertaintyParams
from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.assess.words import counted
from imu_shoulder.drills import Drill
from imu_shoulder.model import SIDES, FloatArray, Side

COMPARED = ("arc_deg", "hold_sd_deg", "hold_s")
# What skin and muscle do to a sensor at either end of an arc, as SD of an even spread over the published error:
# elevation 0-4 deg, axial rotation 5 deg in elevation (bone pins against cuff, PMC3327809).
SOFT_TISSUE_DEG = {"elevation": 4 / np.sqrt(12), "rotation": 5 / np.sqrt(12)}
ARC_SEM = (
    "inclination error of either end of the arc and soft tissue, with the spread of the reps over the root of their "
    "number; the neutral pose shifts both ends alike"
)
REPEAT_SEM = "spread of the reps over the root of their number"


def compare_sides(
    by_side: Mapping[Side, Sequence[JudgedRep]], angle: str, drills: Mapping[Side, Drill | None] | None = None
) -> dict[str, Any] | None:
    """Right minus left, medians over scored reps, with MDC95 and plain words; None unless both sides have some.

    by_side: all judged reps of the two lifting arms. angle: the leading angle's name without unit. drills: what was
    asked of each arm. Times at the top are compared where a hold is asked; counts are told where they are not as asked.
    """
    if set(by_side) != set(SIDES):
        return None
    done = {side: sum(j.rep.kind == "rep" for j in by_side[side]) for side in SIDES}
    scored = {side: [j for j in by_side[side] if not j.excluded] for side in SIDES}
    if not all(scored.values()):
        return None
    out: dict[str, Any] = {
        "reps_right": done["right"],
        "reps_left": done["left"],
        "mdc95": {},
        "sem_from": {},
        "beyond": [],
    }
    asked = {side: (drills or {}).get(side) for side in SIDES}
    held = any(drill is None or drill.top.hold_s > 0 for drill in asked.values())
    for name in COMPARED if held else COMPARED[:1]:
        right, left = (_seen(scored[side], name) for side in SIDES)
        out[name] = float(np.median(right) - np.median(left)) if len(right) and len(left) else None
        out["mdc95"][name] = mdc95(name, angle, right, left)
        out["sem_from"][name] = ARC_SEM if name == "arc_deg" else REPEAT_SEM
        if out[name] is not None and out["mdc95"][name] is not None and abs(out[name]) > out["mdc95"][name]:
            out["beyond"].append(name)
    as_asked = all(drill is not None and drill.dose.reps == done[side] for side, drill in asked.items())
    out["text"] = _text(out, as_asked)
    return out


def mdc95(name: str, angle: str, right: FloatArray, left: FloatArray) -> float | None:
    """The least difference between two sides that is more than the measurement's own error; None under 3 reps a side.

    From repeatability alone (steadiness, times) it is Welch's interval, which few reps make wide.
    """
    if min(len(right), len(left)) < 3:
        return None
    each = np.array([np.var(values, ddof=1) / len(values) for values in (right, left)])
    if name == "arc_deg":
        tilt = UncertaintyParams().inclination_deg * (1.5 if angle == "rotation" else 1.0)
        sem = np.sqrt(2 * tilt**2 + SOFT_TISSUE_DEG.get(angle, SOFT_TISSUE_DEG["elevation"]) ** 2 + each.mean())
        return float(1.96 * np.sqrt(2) * sem)
    if not each.any():
        return 0.0
    freedom = each.sum() ** 2 / np.sum(each**2 / (np.array([len(right), len(left)]) - 1))
    return float(stdtrit(freedom, 0.975) * np.sqrt(each.sum()))


def _seen(scored: Sequence[JudgedRep], name: str) -> FloatArray:
    values = np.array([j.values[name] for j in scored])
    return np.asarray(values[np.isfinite(values)])


def _text(found: Mapping[str, Any], as_asked: bool) -> str:
    parts = []
    if found["reps_right"] != found["reps_left"] and not as_asked:
        parts.append(f"Right {counted(found['reps_right'], 'rep')}, left {found['reps_left']}.")
    arc, limit = found["arc_deg"], found["mdc95"]["arc_deg"]
    if arc is not None and limit is not None:
        less = "left" if arc > 0 else "right"
        if "arc_deg" in found["beyond"]:
            parts.append(
                f"The {less} arm's arc is {abs(arc):.0f} deg smaller; measuring alone makes up to {limit:.0f} deg."
            )
        else:
            parts.append(f"The arcs are alike: {abs(arc):.0f} deg apart; measuring alone makes up to {limit:.0f} deg.")
    if "hold_s" in found["beyond"]:
        shorter = "left" if found["hold_s"] > 0 else "right"
        parts.append(f"The {shorter} arm's holds are {abs(found['hold_s']):.1f} s shorter.")
    if "hold_sd_deg" in found["beyond"]:
        worse = "right" if found["hold_sd_deg"] > 0 else "left"
        parts.append(f"The {worse} arm holds less steadily, by {abs(found['hold_sd_deg']):.1f} deg of sway.")
    return " ".join(parts)
