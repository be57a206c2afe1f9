"""The results of range tests as lines of text for the coach."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from imu_shoulder.parameters import told
from imu_shoulder.range.results import TRUNK_DEG
from imu_shoulder.report.words import HOW_CHECKED

POSE = (
    "+-: how far off the measurement may be (95 %). Most of it is how far the arm hung from neutral in the pose: "
    "alike in every trial and much alike on both sides, so it hardly touches the difference."
)
TOTAL = "Total rotation at 90 deg (external + internal)"
TOTAL_NOTE = "In the total rotation an error of the pose cancels."
STANDING = "Here the athlete stands, and nobody holds or reads the arm: compare with care."
HEAD = ("Test", "Right", "Left", "Difference")
SEX = {"m": "men", "f": "women"}


def with_words(results: Mapping[str, Any]) -> dict[str, Any]:
    """The results with `table`, with `lines` and `published_lines` of each test, and `notes`: what the figures are."""
    return {
        **results,
        "table": {"head": list(HEAD), "rows": table_rows(results)},
        "tests": [{**test, "lines": _test(test), "published_lines": _beside(test)} for test in results["tests"]],
        "notes": _notes(results),
    }


def lines(results: Mapping[str, Any]) -> list[str]:
    """One block per test, then how far the figures were checked, and what they are and are not."""
    blocks = [[test["title"], *(f"  {line}" for line in (*_test(test), *_beside(test)))] for test in results["tests"]]
    table = _columns([HEAD, *table_rows(results)])
    return [*table, *(line for block in blocks for line in block), HOW_CHECKED, *_notes(results)]


def table_rows(results: Mapping[str, Any]) -> list[tuple[str, str, str, str]]:
    """A row per test, then the total rotation: right, left and their difference, by the means."""
    rows = [
        (test["title"], *(_mean(test["sides"].get(side)) for side in ("right", "left")), _apart(test["difference"]))
        for test in results["tests"]
    ]
    total = results.get("total_rotation")
    if total is not None:
        sides = (f"{total['sides'][side]:.0f} deg" if side in total["sides"] else "" for side in ("right", "left"))
        rows.append((TOTAL, *sides, "" if total["difference_deg"] is None else _more(total["difference_deg"])))
    return rows


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[k]) for row in rows) for k in range(len(HEAD))]
    return ["  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _mean(found: Mapping[str, Any] | None) -> str:
    if found is None:
        return "not tested"
    if found["mean_deg"] is None:
        return "not measured"
    off = "" if found.get("sd_deg") is None else f" +- {1.96 * found['sd_deg']:.0f}"
    return f"{found['mean_deg']:.0f}{off} deg"


def _apart(difference: Mapping[str, Any] | None) -> str:
    if difference is None:
        return ""
    if difference["mdc90_deg"] is None:
        return _more(difference["mean_deg"])
    size = "beyond" if difference["over_mdc90"] else "within"
    return f"{_more(difference['mean_deg'])}, {size} measuring ({difference['mdc90_deg']:g} deg)"


def _more(by_deg: float) -> str:
    return "none" if abs(by_deg) < 0.5 else f"{abs(by_deg):.0f} deg more {'right' if by_deg > 0 else 'left'}"


def _notes(results: Mapping[str, Any]) -> list[str]:
    out = [POSE, *([TOTAL_NOTE] if results.get("total_rotation") else [])]
    if "gravity" in results["elevation_reference"]:
        out.append("Elevation was read about gravity, not about the trunk: leaning adds to it.")
    out += filter(None, [told(results.get("parameters_changed") or {})])
    return [*out, results["context"]]


def _test(test: Mapping[str, Any]) -> list[str]:
    out = [line for side, found in test["sides"].items() for line in _side(side, found)]
    if test["difference"] is not None:
        out.append(_difference(test["difference"]))
    return out


def _beside(test: Mapping[str, Any]) -> list[str]:
    out = [_published(row) for row in test["published"]] or ["No published value at hand for this test, age and sex."]
    out += [STANDING] if any(row.get("how") for row in test["published"]) else []
    difference = test["difference"]
    if difference is not None and difference["mdc90_deg"] is not None:
        out.append(f"What measuring alone can make, {difference['mdc90_deg']:g} deg: {difference['source']}.")
    return out


def _side(side: str, found: Mapping[str, Any]) -> list[str]:
    name = side.capitalize()
    if found["not_seen"] is not None:
        return [f"{name}: not measured, {found['not_seen']}."]
    out = [f"{name}, trial {t['trial']} left out: {t['text']}." for t in found["trials"] if t["left_out"]]
    leaned = [str(t["trial"]) for t in found["trials"] if t["trunk_moved"]]
    if leaned:
        out.append(f"{name}: the trunk leaned over {TRUNK_DEG:g} deg in trial {', '.join(leaned)}.")
    if not found["counted"]:
        return [f"{name}: no trial that counts.", *out]
    values = ", ".join(f"{t['value_deg']:.0f}" for t in found["trials"] if not t["left_out"])
    mean = f"mean of {found['mean_of']}: {found['mean_deg']:.0f} deg" if found["mean_of"] > 1 else "one trial only"
    off = "" if found.get("sd_deg") is None else f" +- {1.96 * found['sd_deg']:.0f}"
    return [f"{name}: best {found['best_deg']:.0f}{off} deg, {mean} ({values}).", *out]


def _difference(difference: Mapping[str, Any]) -> str:
    mean = difference["mean_deg"]
    more = "no difference" if abs(mean) < 0.5 else f"{abs(mean):.0f} deg more on the {'right' if mean > 0 else 'left'}"
    text = f"Between the sides, by the means: {more}"
    if difference["mdc90_deg"] is None:
        return f"{text}; how much measuring alone can make is not known here."
    size = "more" if difference["over_mdc90"] else "no more"
    return f"{text}; that is {size} than the {difference['mdc90_deg']:g} deg that measuring alone can make."


def _published(row: Mapping[str, Any]) -> str:
    low = "" if row["p5_deg"] is None else f", 5 in 100 under {row['p5_deg']:g}"
    how = f"{row['how']}; " if row.get("how") else ""
    ages = f"{SEX[row['sex']]} of {row['ages'][0]} to {row['ages'][1]}"
    return f"Published, {ages}: {row['middle']} {row['middle_deg']:g} deg{low} ({row['people']}; {how}{row['source']})."
