"""From an analysed session to the rows of its tables."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any

import numpy as np

from imu_shoulder.analysis import Params
from imu_shoulder.history.schema import MEASURES
from imu_shoulder.history.store import now_utc, utc
from imu_shoulder.measure.catalogue import all_measures
from imu_shoulder.report.summary import plain

Row = dict[str, Any]
# Of a drill and arm in one session, and of a set.
KEY = ("drill", "direction", "side", "role")
_REP_TEXTS = ("faults", "close", "excluded")
_REP_TIMES = ("start_s", "top_start_s", "top_end_s", "end_s")


@dataclass(frozen=True, slots=True)
class SessionRows:
    """A session as it goes into the database. session: columns of `session` but for id and athlete_id.

    sets: columns of `arm_set` but for the ids, each with its reps: columns of `rep` but for set_id and place.
    parameters: those of session["parameters_sha256"].
    """

    session: Row
    sets: Sequence[tuple[Row, Sequence[Row]]] = ()
    parameters: Mapping[str, Any] = field(default_factory=dict)


def other_measures() -> tuple[str, ...]:
    """Measures of reps.csv without a column of their own in the tables."""
    return tuple(own.name for own in all_measures() if own.name not in MEASURES)


def made_by(version: str | None, parameters_sha256: str | None) -> str:
    """Program version and parameters in one text: sessions of another one are not compared."""
    return f"{version or ''} {(parameters_sha256 or '')[:12]}".strip()


def json_parameters(params: Params) -> dict[str, Any]:
    """As they stand in summary.json."""
    found: dict[str, Any] = plain(asdict(params))
    return found


def parameters_sha256(parameters: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(parameters, sort_keys=True).encode()).hexdigest()


def moment_of(start: str) -> str:
    """The start of a recording in UTC, as the history writes it."""
    return utc(datetime.fromisoformat(start))


def recorded(summary: Mapping[str, Any], reps: Sequence[Row], pain_ceiling: float | None = None) -> SessionRows:
    """Rows of a session with sensors. summary: of summary.json; reps: rows of reps.csv. pain_ceiling: None for the
    plan's.

    What says where the recording came from is added by who knows it.
    """
    recording, pain = summary["recording"], summary["pain"]
    sets = [(_set_row(entry, summary), _rep_rows(entry, reps)) for entry in summary["sets"]]
    lifting = [row for row, _ in sets if row["role"] != "hold"]
    ceiling = pain["ceiling"] if pain_ceiling is None else pain_ceiling
    kept = {key: value for key, value in summary.items() if key != "parameters"}
    asked = _asked(summary.get("plan"), lifting)
    session = {
        "kind": "recorded",
        "start_utc": moment_of(recording["start"]),
        "start": recording["start"],
        "name": recording["name"],
        "duration_s": recording["duration_s"],
        "added_at": now_utc(),
        "version": summary["versions"]["imu_shoulder"],
        "parameters_sha256": parameters_sha256(summary["parameters"]),
        **asked,
        **{name: counted(row[name] for row in lifting) for name in ("reps_done", "reps_scored", "reps_clean")},
        "pain_before": pain["before"],
        "pain_highest": pain["highest"],
        "pain_over": pain["highest"] is not None and pain["highest"] > ceiling,
        "effort": most_of(entry["effort"] for entry in summary["sets"]),
        "note": "\n".join(note["text"] for note in summary["notes"]),
        "summary": kept,
    }
    return SessionRows(session, sets, summary["parameters"])


def _asked(plan: Mapping[str, Any] | None, lifting: Sequence[Row]) -> Row:
    """Sets and reps that were asked, and how many sets were done of them: by the plan, else by what was begun."""
    if plan is None:
        asked = counted(row["reps_asked"] for row in lifting)
        return {"sets_asked": len(lifting), "sets_done": len(lifting), "reps_asked": asked}
    items = [(item["asked"]["sets"], item["asked"]["reps"], item["done"]) for item in plan["drills"]]
    return {
        "sets_asked": sum(sets * len(reps) for sets, reps, _ in items),
        "sets_done": sum(len(done) for _, _, done in items),
        "reps_asked": sum(sets * sum(reps.values()) for sets, reps, _ in items),
    }


def _set_row(entry: Mapping[str, Any], summary: Mapping[str, Any]) -> Row:
    done, plan = entry["done"], summary.get("plan")
    bands = {
        (own["set"], own["side"]): item["asked"]["band"]
        for item in (plan or {"drills": ()})["drills"]
        for own in item["done"]
    }
    return {
        "number": entry["set"],
        "side": entry["side"],
        "role": entry["role"],
        "drill": entry["drill"] or "",
        "direction": entry["direction"],
        "start_s": entry["start_s"],
        "end_s": entry["end_s"],
        "reps_asked": entry["asked"]["reps"],
        "reps_done": done["reps"],
        "reps_scored": done["scored"],
        "reps_clean": done["clean"],
        "load_kg": entry["load_kg"],
        "band": bands.get((entry["set"], entry["side"])),
        "pain": entry["pain"],
        "effort": entry["effort"],
        "headline": entry["headline"],
    }


def _rep_rows(entry: Mapping[str, Any], reps: Sequence[Row]) -> list[Row]:
    own = [rep for rep in reps if all(rep[name] == entry[name] for name in ("set", "side", "role"))]
    others = [name for name in other_measures() if own and name in own[0]]
    return [_rep_row(rep, others) for rep in own]


def _rep_row(rep: Mapping[Any, Any], others: Sequence[str]) -> Row:
    return {
        "number": int(rep["rep"]),
        **{name: rep[name] or "" for name in _REP_TEXTS},
        **{name: number_or_none(rep[name]) for name in (*_REP_TIMES, *MEASURES)},
        "more": {name: value for name in others if (value := number_or_none(rep[name])) is not None} or None,
    }


def drill_summaries(sets: Iterable[tuple[Row, Sequence[Row]]]) -> list[Row]:
    """The columns of `drill_summary` but for ids, start and made_by: one row per drill, direction, arm and role."""
    groups: dict[tuple[str, ...], list[tuple[Row, Sequence[Row]]]] = {}
    for own, reps in sets:
        groups.setdefault(tuple(own[name] for name in KEY), []).append((own, reps))
    return [_drill_summary(key, group) for key, group in groups.items() if key[0]]


def _drill_summary(key: tuple[str, ...], group: Sequence[tuple[Row, Sequence[Row]]]) -> Row:
    rows = [own for own, _ in group]
    scored = [rep for _, reps in group for rep in reps if not rep["excluded"]]
    in_all, clean = (counted(own[name] for own in rows) for name in ("reps_scored", "reps_clean"))
    others = [rep["more"] for rep in scored if rep["more"]]
    more = sorted(set().union(*others))
    return {
        **dict(zip(KEY, key, strict=True)),
        "sets": len(rows),
        **{name: counted(own[name] for own in rows) for name in ("reps_asked", "reps_done", "reps_scored")},
        "clean_share": clean / in_all if in_all and clean is not None else None,
        **{name: most_of(own[name] for own in rows) for name in ("load_kg", "effort", "pain")},
        **_medians(MEASURES, scored),
        "more": _medians(more, [{**dict.fromkeys(more), **own} for own in others]) or None,
    }


def number_or_none(value: Any) -> float | None:
    """A finite number, None for anything else."""
    found = float(value) if isinstance(value, (int, float, np.floating, np.integer)) else math.nan
    return found if math.isfinite(found) else None


def _medians(names: Sequence[str], rows: Sequence[Row]) -> dict[str, float | None]:
    """Of each name over the rows that know it; None where none does."""
    if not names or not rows:
        return dict.fromkeys(names)
    values = np.sort(np.array([[row[name] for name in names] for row in rows], dtype=np.float64), axis=0)
    known = (~np.isnan(values)).sum(axis=0)  # what is not known is sorted behind
    last = len(rows) - 1
    low, high = (values[np.clip((known + more) // 2, 0, last), np.arange(len(names))] for more in (-1, 0))
    middle = (low + np.where(known % 2, low, high)) / 2.0
    return {name: float(value) if count else None for name, value, count in zip(names, middle, known, strict=True)}


def counted(values: Iterable[int | None]) -> int | None:
    """The sum of what is known, None where nothing is."""
    found = [value for value in values if value is not None]
    return sum(found) if found else None


def most_of(values: Iterable[float | None]) -> float | None:
    """The highest of what is known, None where nothing is."""
    return max((value for value in values if value is not None), default=None)
