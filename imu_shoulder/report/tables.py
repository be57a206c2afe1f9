"""reps.csv and angles.parquet as data frames. Column names are contracts: docs/outputs.md lists them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from imu_shoulder.analysis import Analysis
from imu_shoulder.angles.joint import ANGLE_COLUMNS, ISB_COLUMNS
from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.model import SIDES, FloatArray, Side
from imu_shoulder.segment.model import rows_between
from imu_shoulder.spill import room

REP_COLUMNS = (
    *("set", "drill", "side", "rep", "start_s", "top_start_s", "top_end_s", "end_s", "angle"),
    *("start_deg", "top_deg", "arc_deg", "lift_s", "hold_s", "lower_s", "rest_s", "peak_velocity_deg_s"),
    *("hold_sd_deg", "hold_drift_deg_s", "hold_tremor_deg_s", "time_in_band_pct"),
    *("smoothness_lift", "smoothness_lower", "elbow_deg", "thumb_up_deg", "plane_deg", "trunk_lean_deg"),
    *("faults", "excluded"),
)
# Behind the contract's columns: what the arm was asked to do, the stations it stayed at, what its elevation is about.
MORE_REP_COLUMNS = ("role", "stations", "elevation_reference", "close", "direction")


@dataclass(frozen=True, slots=True)
class RepRow:
    """A rep and what its row says of its set. drill: its id, empty for none."""

    set_number: int
    drill: str
    side: Side
    angle: str
    role: str
    elevation_reference: str
    direction: str
    judged: JudgedRep


def reps_table(analysis: Analysis) -> pd.DataFrame:
    """One row per rep, excluded ones too, in the order of sets, sides and time. Times to 1 ms, angles to 0.01 deg."""
    rows = []
    for found in analysis.sets:
        own = found.arm_set
        drill, direction = ("", "") if own.drill is None else (own.drill.id, own.drill.direction)
        for j in found.judged:
            reference = _reference(analysis, own.side, j.rep.start_s, j.rep.end_s)
            rows.append(RepRow(own.number, drill, own.side, own.angle, own.role, reference, direction, j))
    return rep_rows_table(rows)


def rep_rows_table(reps: Sequence[RepRow]) -> pd.DataFrame:
    """The columns of reps.csv."""
    rows: list[dict[str, Any]] = [
        {
            "set": row.set_number,
            "drill": row.drill,
            "side": row.side,
            "rep": row.judged.number,
            "start_s": row.judged.rep.start_s,
            "top_start_s": row.judged.rep.top_start_s,
            "top_end_s": row.judged.rep.top_end_s,
            "end_s": row.judged.rep.end_s,
            "angle": row.angle,
            **row.judged.values,
            **row.judged.texts,
            "faults": ";".join(row.judged.faults),
            "excluded": row.judged.excluded,
            "role": row.role,
            "stations": ";".join(f"{v.name}:{v.end_s - v.start_s:.2f}" for v in row.judged.rep.visits),
            "elevation_reference": row.elevation_reference,
            "close": ";".join(row.judged.close),
            "direction": row.direction,
        }
        for row in reps
    ]
    extra = [c for c in (rows[0] if rows else {}) if c not in REP_COLUMNS and c not in MORE_REP_COLUMNS]
    table = pd.DataFrame(rows, columns=[*REP_COLUMNS, *MORE_REP_COLUMNS, *extra])
    numbers = [c for c in table.columns if c.endswith(("_s", "_deg", "_pct")) or c.startswith("smoothness")]
    table[numbers] = table[numbers].astype(float).round(3)
    return table


def angles_table(analysis: Analysis) -> pd.DataFrame:
    """time_s and, per side, <side>_<column> with <side>_<column>_sd: degrees, NaN where undefined or not seen."""
    columns: dict[str, Any] = {"time_s": analysis.aligned.time_s}

    def add(name: str, values: FloatArray) -> None:
        columns[name] = room(len(values), np.float32)
        columns[name][...] = values

    for side in SIDES:
        arm = analysis.arms.get(side)
        if arm is None:
            continue
        for name in ANGLE_COLUMNS:
            if name in arm.angles:
                add(f"{side}_{name}", arm.angles[name])
                add(f"{side}_{name}_sd", arm.sd[name])
        for name in ISB_COLUMNS:
            if name in arm.hidden:
                add(f"{side}_{name}", arm.hidden[name])
        columns[f"{side}_rotation_source"] = _source(arm.rotation_from_forearm)
        if "elevation_deg" in arm.angles:
            told = np.where(np.isfinite(arm.angles["elevation_deg"]), 0, -1).astype(np.int8)
            categories = pd.Index([arm.elevation_reference])
            columns[f"{side}_elevation_reference"] = pd.Categorical.from_codes(told, categories=categories)
    # Columns as they are: side by side in one block they would all be copied once more.
    return pd.DataFrame(columns, copy=False)


def _reference(analysis: Analysis, side: Side, start_s: float, end_s: float) -> str:
    """What elevation is about in one rep; empty where it is not known."""
    return analysis.arms[side].reference_of(rows_between(analysis.aligned.time_s, start_s, end_s))


def _source(share: FloatArray) -> pd.Categorical[str]:
    """What rotation_deg was taken from (M,): missing where no rotation is known."""
    codes = np.select([share >= 1.0, share > 0.0, share == 0.0], [2, 1, 0], default=-1).astype(np.int8)
    return pd.Categorical.from_codes(codes, categories=pd.Index(["upper_arm", "both", "forearm"]))
