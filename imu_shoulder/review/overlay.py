"""Two arms' sets laid over each other on 0 to 100 % of a rep: two sides, two sets, or two sessions."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from imu_shoulder.errors import ParameterError
from imu_shoulder.history import sessions as stored
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.people import find_athlete
from imu_shoulder.model import SIDES, FloatArray
from imu_shoulder.report import charts, headlines, words
from imu_shoulder.review.desk import Desk
from imu_shoulder.review.drawing import Laid, overlay_svg
from imu_shoulder.review.sessions import material, results_of
from imu_shoulder.review.words import SHOWN, amount, day

SHARES = np.linspace(0.0, 1.0, 101)
# Measures beside the curves, and of so many sessions sets are offered.
BESIDE = ("arc_deg", "hold_s", "hold_sd_deg", "lower_s")
OFFERED_SESSIONS = 12


@dataclass(frozen=True, slots=True)
class Which:
    """One arm's set of a session."""

    session_id: int
    number: int
    side: str

    @property
    def text(self) -> str:
        return f"{self.session_id}.{self.number}.{self.side}"


def which(text: str) -> Which:
    """From its text, such as 12.3.right. Raises ParameterError."""
    found = re.fullmatch(r"(\d{1,12})\.(\d{1,4})\.([a-z]{1,5})", text)
    if found is None or found[3] not in SIDES:
        raise ParameterError("a set such as 12.3.right", f"it is {text[:40]!r}", "choose one on the page of a set")
    return Which(int(found[1]), int(found[2]), found[3])


@dataclass(frozen=True, slots=True)
class _Reps:
    """What is laid over. curves: (reps, 101) of the leading angle in degrees. asked: the ends of the range."""

    which: Which
    athlete_id: int
    title: str
    angle: str
    angle_words: str
    curves: FloatArray
    reps: pd.DataFrame
    asked: Sequence[float | None] | None


def _reps_of(desk: Desk, one: Which) -> _Reps:
    found = material(desk, one.session_id)
    lifting = [entry for entry in found.summary["sets"] if entry["role"] != "hold"]
    entry = next((e for e in lifting if (e["set"], e["side"]) == (one.number, one.side)), None)
    if entry is None:
        raise StoreError("a set that lifts in this session", f"{one.text} is none", "choose one on the page of a set")
    own = found.reps[(found.reps["set"] == one.number) & (found.reps["side"] == one.side)]
    own = own[own["excluded"].isna() | (own["excluded"] == "")]
    title = f"{headlines.title(entry)}, {one.side} arm, set {one.number}, {day(found.row['start'])}"
    curves = _curves(found.angles, f"{one.side}_{entry['angle']}_deg", own)
    about = charts.angle_words(entry, entry["angle"])
    asked = entry.get("band_deg")
    return _Reps(one, found.row["athlete_id"], title, entry["angle"], about, curves, own, asked)


def _curves(angles: pd.DataFrame, column: str, reps: pd.DataFrame) -> FloatArray:
    if column not in angles:
        return np.empty((0, len(SHARES)))
    time_s, value_deg = angles["time_s"].to_numpy(), angles[column].to_numpy()
    known = np.isfinite(value_deg)
    if known.sum() < 2 or reps.empty:
        return np.empty((0, len(SHARES)))
    spans = [(rep["start_s"], rep["end_s"]) for rep in reps.to_dict("records")]
    return np.array(
        [np.interp(start + SHARES * (end - start), time_s[known], value_deg[known]) for start, end in spans]
    )


def _both(desk: Desk, first: str, second: str) -> list[_Reps]:
    both = [_reps_of(desk, which(text)) for text in (first, second)]
    if both[0].athlete_id != both[1].athlete_id:
        raise ParameterError("two sets of one athlete", "they are of two", "choose another set")
    return both


def curve_rows(desk: Desk, first: str, second: str) -> list[dict[str, Any]]:
    """What is drawn, as a table: one row per set and share of a rep. Raises ShoulderError."""
    out = []
    for one in _both(desk, first, second):
        laid = _laid(one.curves, "") if len(one.curves) else None
        for place, share in enumerate(SHARES):
            ends = (None,) * 3 if laid is None else (laid.middle[place], laid.low[place], laid.high[place])
            curve = {
                name: None if end is None else round(float(end), 2)
                for name, end in zip(("median_deg", "lower_quarter_deg", "upper_quarter_deg"), ends, strict=True)
            }
            about = {"set": one.which.text, "what": one.title, "angle": one.angle, "reps": len(one.reps)}
            out.append({**about, "share_pct": round(100.0 * float(share)), **curve})
    return out


def context(desk: Desk, first: str, second: str) -> dict[str, Any]:
    """What the template needs. first, second: texts of `Which`. Raises ShoulderError."""
    both = _both(desk, first, second)
    same = both[0].angle == both[1].angle
    drawn = [one for one in both if len(one.curves)]
    styles = {id(one): style for one, style in zip(both, ("first", "second"), strict=True)}
    laid = [_laid(one.curves, styles[id(one)]) for one in drawn]
    picture = Markup("")
    if same and laid:
        said = f"{both[0].angle_words} over a rep: {' and '.join(one.title for one in drawn)}"
        picture = overlay_svg(said, laid, both[0].asked)
    return {
        "both": both,
        "picture": picture,
        "same": same,
        "missing_curves": [one.title for one in both if not len(one.curves)],
        "angle": both[0].angle_words,
        "rows": [(SHOWN[name], *(_median(one.reps, name) for one in both)) for name in BESIDE],
        "reps": [len(one.reps) for one in both],
        "athlete": find_athlete(desk.store, both[0].athlete_id),
        "choices": choices(desk, both[0].athlete_id),
    }


def _laid(curves: FloatArray, style: str) -> Laid:
    middle, low, high = np.percentile(curves, (50, 25, 75), axis=0)
    return Laid(middle, low, high, style)


def _median(reps: pd.DataFrame, name: str) -> str:
    if name not in reps or not reps[name].notna().any():
        return words.MISSING
    return amount(float(reps[name].median()), name)


def choices(desk: Desk, athlete_id: int) -> list[tuple[str, str]]:
    """Sets of the latest sessions that have curves: text of `Which`, and what it is, for people."""
    found: list[tuple[str, str]] = []
    with_curves = (own for own in stored.sessions(desk.store, athlete_id) if results_of(desk, own) is not None)
    for row in islice(with_curves, OFFERED_SESSIONS):
        summary: Mapping[str, Any] = stored.session(desk.store, row["id"])["summary"] or {}
        for entry in summary.get("sets") or ():
            if entry["role"] == "hold":
                continue
            text = Which(row["id"], entry["set"], entry["side"]).text
            found.append(
                (text, f"{day(row['start'])}, set {entry['set']}: {headlines.title(entry)}, {entry['side']} arm")
            )
    return found
