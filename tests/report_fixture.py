"""Finished analyses for the report's tests: summary, reps and angles of made-up warm-ups, no pipeline needed."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

RATE_HZ = 100.0
ARM_COLUMNS = ("elevation", "plane", "rotation", "elbow", "forearm", "thumb_up")
CAUTIONS = [
    "Keep pain at or under your ceiling (2 of 10 unless your practitioner set another); above it, stop.",
    "Stop and see your practitioner for new weakness, loss of feeling, or pain that stays the next morning.",
    "Not a medical device. The practitioner decides what comes next.",
]


@dataclass(frozen=True)
class MadeSet:
    """One set of one arm. short, early, fast, partial, lost: reps with that trouble, counted from 1."""

    number: int
    side: str = "right"
    title: str = "Full can raise"
    drill: str = "full_can"
    angle: str = "elevation"
    reps: int = 10
    top_deg: float = 90.0
    start_deg: float = 8.0
    band_deg: tuple[float | None, float | None] = (75.0, 105.0)
    hold_s: float = 5.0
    role: str = "lift"
    short: tuple[int, ...] = ()
    early: tuple[int, ...] = ()
    fast: tuple[int, ...] = ()
    partial: tuple[int, ...] = ()
    lost: tuple[int, ...] = ()
    at_floor: bool = False
    change: str = ""
    texts: dict[str, str] = field(default_factory=dict)


def warm_up() -> list[MadeSet]:
    """Three drills: one clean set, one with every trouble, one two-sided set, one arm holding while the other lifts."""
    rotation = {"angle": "rotation", "band_deg": (37.0, None), "top_deg": 48.0, "start_deg": 2.0, "hold_s": 0.0}
    hold_and_lift = {"title": "Full can, one arm holds, the other lifts", "drill": "full_can_hold_and_lift"}
    return [
        MadeSet(1),
        MadeSet(
            2,
            short=(6,),
            early=(4, 7),
            fast=(9,),
            partial=(3,),
            lost=(8,),
            change="Hold longer: reps 4 and 7 were lowered early.",
        ),
        MadeSet(3, title="Sidelying external rotation", drill="sidelying_external_rotation", reps=15, **rotation),
        MadeSet(
            4, "right", reps=8, hold_s=0.0, fast=(2, 5), change="Lower more slowly: reps 2 and 5.", **hold_and_lift
        ),
        MadeSet(4, "left", reps=1, hold_s=34.0, role="hold", at_floor=True, **hold_and_lift),
    ]


def twenty_minutes() -> list[MadeSet]:
    """Eight two-sided sets of 10 reps with 6 s holds, filling 20 minutes: 16 set-arms."""
    return [
        MadeSet(number, side, reps=12, hold_s=6.0, early=(3, 9), change="Hold longer: reps 3 and 9 were lowered early.")
        for number in range(1, 9)
        for side in ("right", "left")
    ]


def finished(
    sets: list[MadeSet], athlete: str = "M.K.", length_s: float | None = None, seed: int = 4
) -> tuple[dict[str, Any], pd.DataFrame, pd.DataFrame]:
    """summary, reps and angles of these sets, one after the other (entries of one number at the same time)."""
    rng = np.random.default_rng(seed)
    placed: list[tuple[MadeSet, float, list[dict[str, Any]]]] = []
    start_s, end_s = 20.0, 20.0
    for at, made in enumerate(sets):
        if at and sets[at - 1].number != made.number:
            start_s = end_s + 15.0
        rows = _reps(made, start_s, rng)
        placed.append((made, start_s, rows))
        end_s = max(end_s, rows[-1]["end_s"]) if at and sets[at - 1].number == made.number else rows[-1]["end_s"]
    time_s = np.arange(0.0, length_s or end_s + 8.0, 1 / RATE_HZ)
    angles = pd.DataFrame({"time_s": time_s})
    for side in sorted({made.side for made in sets}):
        for column in ARM_COLUMNS:
            angles[f"{side}_{column}_deg"] = 8.0 + _sway(len(time_s), rng)
            angles[f"{side}_{column}_deg_sd"] = 1.5 + 0.4 * np.sqrt(time_s / 60.0)
    for made, _, rows in placed:
        _draw(angles, made, rows)
    entries = [_entry(made, set_start_s, rows) for made, set_start_s, rows in placed]
    summary = {
        "schema": 1,
        "recording": {
            "name": "warm-up before throwing",
            "athlete": athlete,
            "start": "2026-03-05T17:40:00+01:00",
            "duration_s": float(time_s[-1]),
            "sha256": {"right_wrist.csv": "0f" * 32, "right_upper_arm.csv": "a1" * 32},
        },
        "versions": {"imu_shoulder": "0.1.0", "vqf": "2.1.1"},
        "parameters": {"segment": {"min_arc_deg": 15.0, "gap_s": 0.15}, "orient": {"filter": "vqf", "tau_acc_s": 3.0}},
        "calibration": {
            "right": {
                "used": ["neutral_pose", "elbow_bends", "forward_raises"],
                "residual_deg": {"elbow_bends": 2.1},
                "text": "from the neutral pose, elbow bends, forward raises",
            }
        },
        "elevation_reference": "gravity",
        "data_quality": {
            "right_wrist": _quality("right_wrist", []),
            "right_upper_arm": _quality(
                "right_upper_arm",
                [
                    {
                        "code": "gap",
                        "severity": "warning",
                        "text": "0.6 s of samples are missing; the rep across it is not counted",
                        "start_s": 170.0,
                        "end_s": 170.6,
                        "value": 0.6,
                    }
                ],
            ),
        },
        "findings": [],
        "not_seen": [
            "Pain and muscle activity: no sensor shows them.",
            "Shrugging: no sensor sat on the shoulder blade.",
        ],
        "cautions": CAUTIONS,
        "sets": entries,
    }
    return summary, pd.DataFrame([row for _, _, rows in placed for row in rows]), angles


def _sway(count: int, rng: np.random.Generator) -> np.ndarray:
    """Slow sway of about 0.5 deg and a 10 Hz tremor of 0.06 deg."""
    steps = rng.normal(0.0, 0.06, count)
    slow = np.convolve(steps, np.exp(-np.arange(400) / 80.0), mode="same")
    return slow + 0.06 * np.sin(2 * np.pi * 10.0 * np.arange(count) / RATE_HZ)


def _reps(made: MadeSet, start_s: float, rng: np.random.Generator) -> list[dict[str, Any]]:
    rows, clock_s = [], start_s + 2.0
    for rep in range(1, made.reps + 1):
        faults = [("short_arc", made.short), ("hold_short", made.early), ("too_fast", made.fast)]
        faults = ";".join(name for name, reps in faults if rep in reps)
        lift_s = 0.6 if rep in made.fast else rng.uniform(1.4, 1.9)
        hold_s = rng.uniform(2.5, 3.4) if rep in made.early else made.hold_s and made.hold_s + rng.uniform(0.1, 0.6)
        top_deg = made.top_deg + rng.normal(0.0, 3.0)
        top_deg = 66.0 if rep in made.short else 38.0 if rep in made.partial else top_deg
        hold_s = 0.4 if rep in made.partial else hold_s
        lower_s, rest_s = rng.uniform(1.4, 2.0), rng.uniform(0.9, 1.5)
        top_start_s = clock_s + lift_s
        held = hold_s > 1.0
        excluded = "partial" if rep in made.partial else "gap" if rep in made.lost else ""
        rows.append(
            {
                "set": made.number,
                "drill": made.drill,
                "side": made.side,
                "role": made.role,
                "rep": rep,
                "start_s": clock_s,
                "top_start_s": top_start_s,
                "top_end_s": top_start_s + hold_s,
                "end_s": top_start_s + hold_s + lower_s,
                "angle": made.angle,
                "start_deg": made.start_deg,
                "top_deg": top_deg,
                "arc_deg": top_deg - made.start_deg,
                "lift_s": lift_s,
                "hold_s": hold_s,
                "lower_s": lower_s,
                "rest_s": rest_s if rep < made.reps else np.nan,
                "peak_velocity_deg_s": 1.875 * (top_deg - made.start_deg) / lift_s,
                "hold_sd_deg": rng.uniform(0.3, 0.8) if held else np.nan,
                "hold_drift_deg_s": rng.normal(-0.1, 0.1) if held else np.nan,
                "hold_tremor_deg_s": rng.uniform(0.5, 0.9) if held else np.nan,
                "time_in_band_pct": 100.0 * (rep not in made.short),
                "smoothness_lift": -1.41,
                "smoothness_lower": -1.45,
                "elbow_deg": rng.uniform(6.0, 14.0),
                "thumb_up_deg": rng.uniform(50.0, 70.0),
                "plane_deg": rng.uniform(50.0, 65.0),
                "trunk_lean_deg": np.nan,
                "faults": faults,
                "excluded": excluded,
            }
        )
        clock_s = rows[-1]["end_s"] + rest_s
    return rows


def _draw(angles: pd.DataFrame, made: MadeSet, rows: list[dict[str, Any]]) -> None:
    """Put the reps' minimum-jerk lifts and lowers (10u^3 - 15u^4 + 6u^5) onto the leading angle."""
    time_s = angles["time_s"].to_numpy()
    column = f"{made.side}_{made.angle}_deg"
    curve = angles[column].to_numpy().copy() + made.start_deg - 8.0
    for row in rows:
        up = np.clip((time_s - row["start_s"]) / (row["top_start_s"] - row["start_s"]), 0.0, 1.0)
        down = np.clip((time_s - row["top_end_s"]) / (row["end_s"] - row["top_end_s"]), 0.0, 1.0)
        shape = sum(sign * (10 * u**3 - 15 * u**4 + 6 * u**5) for sign, u in ((1, up), (-1, down)))
        curve += (row["top_deg"] - made.start_deg) * shape
        if row["excluded"] == "gap":
            curve[(time_s > row["top_start_s"] + 1.0) & (time_s < row["top_start_s"] + 1.6)] = np.nan
    inside = (time_s >= rows[0]["start_s"] - 6.0) & (time_s <= rows[-1]["end_s"] + 6.0)
    angles.loc[inside, column] = curve[inside]


def _entry(made: MadeSet, start_s: float, rows: list[dict[str, Any]]) -> dict[str, Any]:
    counted = [row for row in rows if not row["excluded"]]
    clean = [row for row in counted if not row["faults"]]
    criteria = [{"name": "arc", "asked": "75 to 105° at the top", "faults": {"short_arc", "over_arc"}}]
    if made.hold_s:
        criteria.append({"name": "hold", "asked": f"at least {made.hold_s:.0f} s", "faults": {"hold_short"}})
    criteria.append({"name": "tempo", "asked": "each way at least 1 s", "faults": {"too_fast"}})
    criteria.append({"name": "thumb", "asked": "at least 30° up at the top", "faults": {"thumb_down"}})
    for criterion in criteria:
        blamed = criterion.pop("faults")
        missed = [row["rep"] for row in counted if blamed & set(row["faults"].split(";"))]
        criterion["missed"] = missed
        criterion["met"] = [row["rep"] for row in counted if row["rep"] not in missed]
        criterion["share"] = len(criterion["met"]) / max(len(counted), 1)

    def middle(name: str) -> float | None:
        found = float(pd.Series([row[name] for row in counted], dtype=float).median())
        return None if np.isnan(found) else found

    what = {"partial": "turned back before half the asked arc", "gap": "0.6 s of samples are missing in it"}
    asked = {"reps": None if made.role == "hold" else made.reps, "hold_s": made.hold_s, "lift_at_least_s": 1.0}
    headline = f"{len(rows)} of {made.reps} {'rep' if made.reps == 1 else 'reps'}, {len(clean)} clean."
    if made.role == "hold":
        headline = f"Held for {rows[0]['hold_s']:.0f} s without a break."
    return {
        "set": made.number,
        "drill": made.drill,
        "title": made.title,
        "side": made.side,
        "role": made.role,
        "start_s": start_s,
        "end_s": rows[-1]["end_s"] + 2.0,
        "angle": made.angle,
        "band_deg": list(made.band_deg),
        "asked": {**asked, "lower_at_least_s": 1.0},
        "done": {"reps": len(rows), "clean": len(clean), "excluded": len(rows) - len(counted)},
        "headline": made.texts.get("headline", headline),
        "change": made.change,
        "criteria": [] if made.role == "hold" else criteria,
        "excluded": [
            {
                "rep": row["rep"],
                "start_s": row["start_s"],
                "why": row["excluded"],
                "text": f"Rep {row['rep']}: {what[row['excluded']]}.",
            }
            for row in rows
            if row["excluded"]
        ],
        "steadiness": {
            "hold_sd_deg": {"median": 0.04 if made.at_floor else middle("hold_sd_deg"), "at_floor": made.at_floor},
            "hold_drift_deg_s": {"median": middle("hold_drift_deg_s"), "at_floor": False},
            "hold_tremor_deg_s": {"median": middle("hold_tremor_deg_s"), "at_floor": False},
        },
        "tempo": {name: {"median": middle(name)} for name in ("lift_s", "hold_s", "lower_s", "rest_s")},
        "fatigue": {
            "arc": {"slope_per_rep": -0.2, "ci95": [-0.9, 0.5], "n": len(counted)},
            "hold_sd": {"slope_per_rep": None, "ci95": None, "n": 2},
        },
        "side_difference": None,
    }


def _quality(placement: str, findings: list[dict[str, Any]]) -> dict[str, Any]:
    gaps = [finding for finding in findings if finding["code"] == "gap"]
    return {
        "declared_rate_hz": 100.0,
        "measured_rate_hz": 99.98,
        "gap_count": len(gaps),
        "gap_total_s": sum(gap["value"] for gap in gaps),
        "clipped_pct": 0.0,
        "findings": findings,
    }
