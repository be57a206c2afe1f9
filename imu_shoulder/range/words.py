"""The results of range tests as lines of text for the coach."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from imu_shoulder.range.results import TRUNK_DEG

SEX = {"m": "men", "f": "women"}


def lines(results: Mapping[str, Any]) -> list[str]:
    """One block per test, then what the figures are and are not."""
    out: list[str] = []
    for test in results["tests"]:
        out.append(test["title"])
        out += [line for side, found in test["sides"].items() for line in _side(side, found)]
        if test["difference"] is not None:
            out.append(f"  {_difference(test['difference'])}")
        out += [f"  {_published(row)}" for row in test["published"]]
        if not test["published"]:
            out.append("  No published value at hand for this test, age and sex.")
    if "gravity" in results["elevation_reference"]:
        out.append("Elevation was read against gravity, not against the trunk: leaning adds to it.")
    return [*out, results["context"]]


def _side(side: str, found: Mapping[str, Any]) -> list[str]:
    if found["not_seen"] is not None:
        return [f"  {side}: not measured, {found['not_seen']}."]
    out = [f"    trial {t['trial']} left out: {t['text']}." for t in found["trials"] if t["left_out"]]
    leaned = [str(t["trial"]) for t in found["trials"] if t["trunk_moved"]]
    if leaned:
        out.append(f"    the trunk leaned over {TRUNK_DEG:g} deg in trial {', '.join(leaned)}.")
    if not found["counted"]:
        return [f"  {side}: no trial that counts.", *out]
    values = ", ".join(f"{t['value_deg']:.0f}" for t in found["trials"] if not t["left_out"])
    mean = f"mean of {found['mean_of']} {found['mean_deg']:.0f} deg" if found["mean_of"] > 1 else "one trial only"
    return [f"  {side}: best {found['best_deg']:.0f} deg, {mean} ({values}).", *out]


def _difference(difference: Mapping[str, Any]) -> str:
    mean = difference["mean_deg"]
    more = "no difference" if abs(mean) < 0.5 else f"{abs(mean):.0f} deg more on the {'right' if mean > 0 else 'left'}"
    text = f"Between the sides, by the means: {more}"
    if difference["mdc90_deg"] is None:
        return f"{text}."
    size = "more" if difference["over_mdc90"] else "no more"
    alone = f"the {difference['mdc90_deg']:g} deg that measuring alone can make ({difference['source']})"
    return f"{text}; that is {size} than {alone}."


def _published(row: Mapping[str, Any]) -> str:
    low = "" if row["p5_deg"] is None else f", 5 in 100 under {row['p5_deg']:g}"
    ages = f"{SEX[row['sex']]} of {row['ages'][0]} to {row['ages'][1]}"
    return f"Published, {ages}: {row['middle']} {row['middle_deg']:g} deg{low} ({row['people']}; {row['source']})."
