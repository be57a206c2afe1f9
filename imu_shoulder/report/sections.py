"""One set and arm as the template shows it: its rows, its lines and its curve."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from imu_shoulder.arrays import median_of
from imu_shoulder.assess.faults import CRITERIA
from imu_shoulder.report import charts, curves, headlines, lines, poses, words

PAD_S = 3.0
# Of all curves and of all postures together: they keep a full 20 minutes of both arms under 300 kB.
POINT_BUDGET = 9_000
POSE_BUDGET = 24_000

# column of reps.csv, heading, digits, and the criterion whose miss marks it
MAIN_COLUMNS = (
    ("arc_deg", "Arc °", 0, None),
    ("top_deg", "Top °", 0, "arc"),
    ("hold_s", "Hold s", 1, "hold"),
    ("lift_s", "Lift s", 1, "tempo"),
    ("lower_s", "Lower s", 1, "tempo"),
    ("hold_sd_deg", "Sway SD °", 2, None),
)
FORM_COLUMNS = tuple((*own.column, own.name) for own in CRITERIA.values() if own.column is not None)
LIFT_COLUMNS = ("arc_deg", "lift_s", "lower_s")
HOLD_COLUMNS = ("hold_s", "hold_sd_deg")
TEMPO_LIMITS = {"lift_s": "lift_at_least_s", "lower_s": "lower_at_least_s"}
# For the researcher; everything else is in reps.csv.
DETAILS = (
    *("tempo", "start_deg", "top_deg", "hold_s", "rest_s", "settling_s", "pause_s", "peak_velocity_deg_s"),
    *("hold_sd_deg", "hold_rotation_sd_deg", "hold_drift_deg_s", "hold_tremor_deg_s", "time_in_band_pct"),
    *("smoothness_lift", "smoothness_lower", "elbow_deg", "thumb_up_deg", "plane_deg", "trunk_lean_deg"),
    *("scapula_up_deg", "shrug_deg", "scapula_share_pct"),
)
TEMPO_FIELDS = (("lower_s", "lower"), ("rest_s", "rest"), ("lift_s", "lift"), ("hold_s", "hold"))


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the rep table."""

    text: str
    missed: bool = False


@dataclass(frozen=True, slots=True)
class RepRow:
    """One rep. status: clean, close (clean, and too close to a limit to call), fault or excluded."""

    rep: str
    status: str
    cells: tuple[Cell, ...]
    pauses: str
    faults: str
    close: str
    excluded: str


@dataclass(frozen=True, slots=True)
class Section:
    """What the template needs of one set and arm; no field needs working out any more."""

    id: str
    number: int
    title: str
    arm: str
    when: str
    cautions: tuple[str, ...]
    headline: str
    change: str
    telling: str
    written: tuple[str, ...]
    pain: str
    pain_over: bool
    effort: str
    reps_done: str
    clean: str
    hold: str
    band: str
    angle: str
    zeros: tuple[str, ...]
    headings: tuple[str, ...]
    rows: tuple[RepRow, ...]
    criteria: tuple[tuple[str, str], ...]
    steadiness: tuple[str, ...]
    notes: tuple[str, ...]
    close: tuple[str, ...]
    excluded: tuple[str, ...]
    across: tuple[str, ...]
    research: tuple[str, ...]
    tempo: str
    detail_headings: tuple[str, ...]
    detail_rows: tuple[tuple[str, ...], ...]
    spread: tuple[tuple[str, str, str], ...]
    curve: Mapping[str, Any] | None


def build(summary: Mapping[str, Any], reps: pd.DataFrame, angles: pd.DataFrame) -> list[Section]:
    """All sections, in time. reps and angles: the tables of reps.csv and angles.parquet."""
    entries = headlines.in_order(summary)
    spans_s = (entry["end_s"] - entry["start_s"] + 2 * PAD_S for entry in entries)
    shown_s = sum(s * len(charts.shown_angles(entry)) for s, entry in zip(spans_s, entries, strict=True))
    bin_s = max(curves.BIN_S, 2 * shown_s / POINT_BUDGET)
    windows = [_between(angles, entry["start_s"] - PAD_S, entry["end_s"] + PAD_S) for entry in entries]
    spans = [(w, entry["side"], entry["start_s"], entry["end_s"]) for w, entry in zip(windows, entries, strict=True)]
    step_s, texts = poses.within(POSE_BUDGET, spans)
    records = reps.to_dict("records")
    return [
        _section(
            entry,
            reps,
            records,
            window,
            bin_s,
            {"side": entry["side"], "from": entry["start_s"], "step": step_s, "keys": text},
        )
        for entry, window, text in zip(entries, windows, texts, strict=True)
    ]


def _between(angles: pd.DataFrame, start_s: float, end_s: float) -> pd.DataFrame:
    """The rows from a time to another, both included."""
    time_s = angles["time_s"].to_numpy()
    return angles.iloc[time_s.searchsorted(start_s) : time_s.searchsorted(end_s, side="right")]


def _by_hand(entry: Mapping[str, Any]) -> str:
    by_hand = lines.counted_by_hand(entry)
    return "" if by_hand is None else f" counted, {by_hand} by hand"


def _section(
    entry: Mapping[str, Any],
    all_reps: pd.DataFrame,
    records: Sequence[charts.Rep],
    window: pd.DataFrame,
    bin_s: float,
    pose: Mapping[str, Any],
) -> Section:
    """records: all_reps, row by row."""
    side, asked, done, holds = entry["side"], entry["asked"], entry["done"], entry.get("role") == "hold"
    places = np.flatnonzero((all_reps["set"] == entry["set"]) & (all_reps["side"] == side))
    places = places[np.argsort(all_reps["start_s"].to_numpy()[places])]
    own, reps = all_reps.iloc[places], [records[place] for place in places.tolist()]
    missed = {criterion["name"]: set(criterion["missed"]) for criterion in entry.get("criteria") or []}
    columns = [column for column in (*MAIN_COLUMNS, *FORM_COLUMNS) if column[0] in own]
    columns = [column for column in columns if column in MAIN_COLUMNS or column[3] in missed]
    hold_asked = lines.hold_asked(entry)
    if holds:
        columns = [column for column in columns if column[0] not in LIFT_COLUMNS]
    if not hold_asked:
        columns = [column for column in columns if column[0] not in HOLD_COLUMNS]
    shown = {name for name, *_ in columns}
    details = [name for name in DETAILS if name in own and name not in shown and not _empty(rep[name] for rep in reps)]
    stays = _stays(own)
    return Section(
        id=f"set-{entry['set']}-{side}",
        number=entry["set"],
        title=headlines.title(entry),
        arm=headlines.arm(entry),
        when=f"{words.clock(entry['start_s'])} to {words.clock(entry['end_s'])}",
        cautions=tuple(entry.get("cautions") or ()),
        headline=words.degrees(entry["headline"]),
        change=lines.next_time(entry),
        telling=lines.telling(entry),
        written=tuple(lines.written(entry)),
        pain=words.value(entry.get("pain")),
        pain_over=bool(entry.get("pain_over")),
        effort=words.value(entry.get("effort")),
        reps_done="held" if holds else _of(done.get("reps"), asked) + _by_hand(entry),
        clean="" if holds else words.number(done.get("clean") if done.get("scored", 1) else None),
        hold=_with_unit(_median(entry.get("tempo"), "hold_s"), 1, " s") if hold_asked else "not asked",
        band=_asked_band(entry),
        angle=charts.angle_words(entry, entry["angle"]),
        zeros=tuple(_zeros(entry, columns)),
        headings=(*(heading for _, heading, _, _ in columns), *(f"{words.sentence(name)} s" for name in stays)),
        rows=tuple(_row(rep, columns, stays, missed, asked) for rep in reps),
        criteria=tuple(lines.criteria(entry)),
        steadiness=tuple(lines.steadiness(entry.get("steadiness") or {})) if hold_asked else (),
        notes=tuple(lines.notes(entry)),
        close=tuple(lines.close(entry)),
        excluded=tuple(lines.excluded(item) for item in entry.get("excluded") or []),
        across=tuple(lines.across(entry)),
        research=tuple(lines.research(entry)),
        tempo=" / ".join(_with_unit(_median(entry.get("tempo"), key), 1, f" s {name}") for key, name in TEMPO_FIELDS),
        detail_headings=tuple(_heading(name) for name in details),
        detail_rows=tuple((words.value(rep["rep"]), *(_detail(rep[name]) for name in details)) for rep in reps),
        spread=tuple(_spread(_between(window, entry["start_s"], entry["end_s"]), side)),
        curve=charts.curve(entry, reps, window, bin_s, pose, _mark),
    )


def _zeros(entry: Mapping[str, Any], columns: Sequence[tuple[str, str, int, str | None]]) -> list[str]:
    """Zero, sign and unit of each angle that the set's curves and its table show."""
    in_table = [name.removesuffix("_deg") for name, *_ in columns]
    return [said for name in dict.fromkeys([*charts.shown_angles(entry), *in_table]) if (said := words.zero(name))]


def _asked_band(entry: Mapping[str, Any]) -> str:
    """What is shaded behind the curve, as the drill asks it."""
    if entry.get("visits"):
        return charts.asked_text(entry, entry["angle"])
    arc = next((criterion for criterion in entry.get("criteria") or [] if criterion["name"] == "arc"), None)
    if arc is None:
        return words.band(entry.get("band_deg"))
    return words.degrees(arc["asked"]).removesuffix(" at the top")


def _of(done: Any, asked: Mapping[str, Any]) -> str:
    dose = asked.get("reps")
    if not words.is_number(dose):
        return words.number(done)
    shown = words.number(done), words.number(dose)
    return "{} of {}".format(*shown) if asked.get("by") == "plan" else "{} (usual {})".format(*shown)


def _median(table: Any, key: str) -> Any:
    return ((table or {}).get(key) or {}).get("median")


def _with_unit(value: Any, digits: int, unit: str) -> str:
    return f"{words.number(value, digits)}{unit}" if words.is_number(value) else words.MISSING


def _texts(names: Any, in_words: Callable[[str], str]) -> list[str]:
    """The names of a `;` list in words; none for an empty or missing cell."""
    found = names.split(";") if isinstance(names, str) else []
    return [in_words(name.strip()) for name in found if name.strip()]


def _status(rep: Mapping[Any, Any]) -> str:
    if _texts(rep["excluded"], words.exclusion):
        return "excluded"
    if _texts(rep["faults"], words.fault):
        return "fault"
    return "close" if _texts(rep.get("close"), words.fault) else "clean"


def _stayed(text: Any) -> dict[str, float]:
    """Seconds at each station, the longest stay of each, from `name:seconds;...`."""
    out: dict[str, float] = {}
    for part in text.split(";") if isinstance(text, str) and text else []:
        name, _, stay_s = part.rpartition(":")
        out[name] = max(float(stay_s), out.get(name, 0.0))
    return out


def _stays(own: pd.DataFrame) -> list[str]:
    """The stations of a set's reps, in the order in which they were first seen; none for a drill of one station."""
    if "stations" not in own:
        return []
    names = dict.fromkeys(name for text in own["stations"] for name in _stayed(text))
    return list(names) if len(names) > 1 else []


def _row(
    rep: Mapping[Any, Any],
    columns: Sequence[tuple[str, str, int, str | None]],
    stays: Sequence[str],
    missed: Mapping[str, set[Any]],
    asked: Mapping[str, Any],
) -> RepRow:
    cells = []
    for name, _, digits, criterion in columns:
        outside = criterion is not None and _status(rep) != "excluded" and rep["rep"] in missed.get(criterion, ())
        limit = asked.get(TEMPO_LIMITS.get(name, ""))
        if outside and words.is_number(limit) and words.is_number(rep[name]):
            outside = rep[name] < limit
        cells.append(Cell(words.number(rep[name], digits), outside))
    stayed = _stayed(rep.get("stations"))
    cells += [Cell(words.number(stayed.get(name), 1)) for name in stays]
    pauses = _texts(rep.get("pauses"), words.plain)
    return RepRow(
        rep=words.number(rep["rep"]),
        status=_status(rep),
        cells=tuple(cells),
        pauses=", ".join(words.degrees(pause).replace(" ", "\u00a0") for pause in pauses),
        faults=", ".join(_texts(rep["faults"], words.fault)),
        close=_close(rep),
        excluded=", ".join(_texts(rep["excluded"], words.exclusion)),
    )


def _close(rep: Mapping[Any, Any]) -> str:
    """What was too close to a limit to call, with what was seen and how well it is known; "" where nothing was."""
    names = _texts(rep.get("close"), words.fault)
    seen = _texts(rep.get("close_notes"), str) if names else []
    return words.degrees("; ".join(seen or names))


def _empty(cells: Iterable[Any]) -> bool:
    """Whether no rep has a value: an empty text comes back from reps.csv as missing."""
    return all(cell == "" if isinstance(cell, str) else bool(pd.isna(cell)) for cell in cells)


def _heading(column: str) -> str:
    """A column of reps.csv as a heading with its unit."""
    for ending, unit in (("_deg_s", "deg/s"), ("_pct", "%")):
        if column.endswith(ending):
            return f"{words.plain(column.removesuffix(ending))} {unit}"
    return words.plain(column)


def _detail(value: Any) -> str:
    if not words.is_number(value):
        return words.value(value) if value != "" else words.MISSING
    return words.number(value, 0 if float(value).is_integer() else 2 if abs(value) < 1000 else 1)


def _spread(window: pd.DataFrame, side: str) -> list[tuple[str, str, str]]:
    """Each angle of the arm with the median and the largest of its standard deviation in the set."""
    rows = []
    for column in window.columns:
        if not (column.startswith(f"{side}_") and column.endswith("_sd")):
            continue
        values = window[column].to_numpy(dtype=np.float64)
        known = values[~np.isnan(values)]
        if len(known):
            name = words.sentence(words.angle(column.removeprefix(f"{side}_").removesuffix("_deg_sd")))
            rows.append((name, words.number(median_of(known), 1), words.number(float(known.max()), 1)))
    return rows


def _mark(rep: charts.Rep, curve: curves.Curve) -> list[Any]:
    """number, start, top's start, top's end, end, height of the top, held, status and why, for the page's script."""
    start, top_start, top_end, end = (
        round(float(rep[f"{name}_s"]), 2) if words.is_number(rep[f"{name}_s"]) else None
        for name in ("start", "top_start", "top_end", "end")
    )
    top = curves.summit(curve, top_start, top_end)
    return [
        words.number(rep["rep"]),
        start,
        top_start,
        top_end,
        end,
        top if top is not None else curves.summit(curve, start, end),
        int(words.is_number(rep["hold_s"]) and rep["hold_s"] > 0),
        _status(rep),
        ", ".join(_texts(rep["excluded"], words.exclusion) or _texts(rep["faults"], words.fault)),
    ]
