"""The lines of one set in words: what was asked, how steady, what exactly went wrong, what changed across the set."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from imu_shoulder.report import words

STEADINESS = (
    ("hold_sd_deg", "Sway (SD of the angle, slow drift removed)", "°", 2),
    ("hold_rotation_sd_deg", "Sway in rotation", "°", 2),
    ("hold_working_sd_deg", "Sway while the other arm moved", "°", 2),
    ("hold_waiting_sd_deg", "Sway while the other arm was still", "°", 2),
    ("dip_deg", "Dropped while the other arm moved", "°", 1),
    ("station_sway_deg", "Sway at the stations", "°", 2),
    ("hold_drift_deg_s", "Drift", "° per s", 2),
    ("hold_tremor_deg_s", "Tremor, 8 to 12 Hz", "° per s", 2),
    ("time_in_band_pct", "Time in the band", " %", 0),
)
FADING = (("arc", "the arc got smaller"), ("hold", "the holds got shorter"), ("hold_sd", "the holds got less steady"))
SLOPES = (("arc", "Arc", "°", 1), ("hold", "Hold", " s", 2), ("hold_sd", "Sway", "°", 2))
COMPARED = (("arc_deg", "arc", "°", 0), ("hold_s", "hold", " s", 1), ("hold_sd_deg", "sway", "°", 2))
SPREADS = (("arc_deg", "arc", "°", 1), ("hold_s", "hold", " s", 2), ("lift_s", "lift", " s", 2))
NOTES_SHOWN = 8
NONE_JUDGED = "No rep could be judged"
SHRUG_UNSEEN = "Shrug: not seen, no sensor sat on this shoulder blade"


def criteria(entry: Mapping[str, Any]) -> list[tuple[str, str]]:
    """A line per criterion with whether all reps met it (met), some did not (part) or none was seen (unseen).

    A shrug is spoken of in every judged set of a lifting arm: it is what a coach looks for.
    """
    holds = entry.get("role") == "hold"
    found = entry.get("criteria") or []
    if found and not any(criterion.get(key) for criterion in found for key in ("met", "missed", "unknown")):
        return [(NONE_JUDGED, "unseen")]
    out = [_criterion(criterion, holds=holds) for criterion in found]
    if found and not holds and not any(criterion["name"] == "shrug" for criterion in found):
        out.append((SHRUG_UNSEEN, "unseen"))
    return out


def _criterion(criterion: Mapping[str, Any], *, holds: bool) -> tuple[str, str]:
    name = words.criterion(criterion["name"])
    met, missed, unknown = (list(criterion.get(key) or []) for key in ("met", "missed", "unknown"))
    asked = f"{name} ({words.degrees(criterion['asked'])})"
    if not met and not missed:
        return f"{asked}: {'not judged, the sensors worn do not show it' if unknown else 'no rep to judge'}", "unseen"
    if holds:  # one long hold, no reps to count
        return f"{asked}: {'not kept' if missed else 'kept'}", "part" if missed else "met"
    line = f"{asked}: {len(met)} of {words.counted(len(met) + len(missed), 'rep')}"
    line += f"; missed: {words.reps_named(sorted(missed))}" if missed else ""
    line += f"; not judged: {words.reps_named(sorted(unknown))}" if unknown else ""
    return line, "part" if missed else "met"


def hold_asked(entry: Mapping[str, Any]) -> bool:
    """Whether the set asks for a hold; a set without a drill is shown as if it did."""
    return bool(entry.get("role") == "hold" or entry["asked"].get("hold_s") or entry.get("drill") is None)


def next_time(entry: Mapping[str, Any]) -> str:
    """The one thing to change; after pain over the ceiling, whom to ask first."""
    if entry.get("pain_over"):
        return f"Ask the practitioner first: pain was {words.value(entry['pain'])} of 10, over the ceiling."
    return words.degrees(entry.get("change") or "")


def steadiness(table: Mapping[str, Any]) -> list[str]:
    """Medians of the hold's measures, with the sensor's floor said."""
    lines = []
    for key, label, unit, digits in STEADINESS:
        found = table.get(key) or {}
        if not words.is_number(found.get("median")):
            continue
        line = f"{label}: {words.number(found['median'], digits)}{unit}, median"
        if found.get("at_floor"):
            line += ". At the sensor's floor: this is the sensor, the arm is as steady or steadier"
        lines.append(line)
    return lines


def excluded(item: Mapping[str, Any]) -> str:
    """What kept one attempt from counting, and when."""
    text = str(item["text"])
    return f"At {words.clock(item.get('start_s'))}, {text[:1].lower()}{text[1:]}"


def written(entry: Mapping[str, Any]) -> list[str]:
    """What was said of the set: pain, effort, a count by hand, load, a note."""
    out = []
    if words.is_number(entry.get("pain")):
        out.append(f"Pain {words.value(entry['pain'])} of 10{', over the ceiling' if entry.get('pain_over') else ''}")
    if words.is_number(entry.get("effort")):
        out.append(f"Effort {words.value(entry['effort'])} of 10")
    if (by_hand := counted_by_hand(entry)) is not None:
        out.append(f"{words.value(entry['done']['reps'])} counted, {by_hand} by hand")
    if words.is_number(entry.get("load_kg")):
        out.append(f"Load {words.value(entry['load_kg'])} kg")
    if entry.get("note"):
        out.append(f"Note: {entry['note']}")
    return out


def counted_by_hand(entry: Mapping[str, Any]) -> int | None:
    """The reps as they were corrected by hand, None where they were not. What was measured stands beside it."""
    return None if entry.get("role") == "hold" else (entry.get("live") or {}).get("by_hand")


def notes(entry: Mapping[str, Any]) -> list[str]:
    """What exactly was wrong with which rep: the station skipped, where a hold broke, how far and how long."""
    whose = "" if entry.get("role") == "hold" else "Rep {rep}: "
    out = [
        words.degrees(whose.format(rep=words.number(item["rep"])) + part.strip())
        for item in entry.get("notes") or []
        for part in str(item["text"]).split(";")
    ]
    more = len(out) - NOTES_SHOWN
    shown = [words.sentence(line) for line in out[:NOTES_SHOWN]]
    return shown + ([f"and {more} more, in summary.json"] if more > 0 else [])


def close(entry: Mapping[str, Any]) -> list[str]:
    """What was too close to a limit to be called a fault, with how well it is known. It is held against nobody."""
    whose = "" if entry.get("role") == "hold" else "Rep {rep}: "
    return [
        words.degrees(whose.format(rep=words.number(item["rep"])) + f"close: {item['text'].replace(';', '; ')}")
        for item in entry.get("close") or []
    ]


def across(entry: Mapping[str, Any]) -> list[str]:
    """Fading, first reps against last, and the difference between the arms, plainly."""
    if entry.get("role") == "hold":
        return []
    out = []
    says = (entry.get("fatigue") or {}).get("says")
    if faded := _faded(entry):
        out.append(faded)
    elif says:
        out.append("No fading: the last reps were like the first" if says == "held" else f"Fading: {says}")
    ends = entry.get("first_last") or {}
    parts = [
        f"{label} {words.number(ends[key]['first'], digits)} to {words.number(ends[key]['last'], digits)}{unit}"
        for key, label, unit, digits in (COMPARED if hold_asked(entry) else COMPARED[:1])
        if key in ends and words.is_number(ends[key].get("first")) and words.is_number(ends[key].get("last"))
    ]
    out += [f"Means of the first three reps to the last three: {', '.join(parts)}"] if parts else []
    difference = entry.get("side_difference") or {}
    if difference.get("text"):
        return [*out, f"Sides: {words.degrees(difference['text'])}"]
    parts = _named(difference, COMPARED)
    return out + ([f"Right arm minus left, medians: {', '.join(parts)}"] if parts else [])


def _faded(entry: Mapping[str, Any]) -> str:
    """What faded; empty where nothing was said to."""
    fatigue = entry.get("fatigue") or {}
    faded = [text for key, text in FADING if (fatigue.get(key) or {}).get("says") == "faded"]
    return f"Faded: {words.joined(faded)}" if faded else ""


def telling(entry: Mapping[str, Any]) -> str:
    """What a coach should not have to look for: a set that faded, arms that differ by more than the measurement."""
    out = [_faded(entry)] if entry.get("role") != "hold" else []
    difference = entry.get("side_difference") or {}
    out += [words.degrees(difference.get("text") or "")] if difference.get("beyond") else []
    return " ".join(f"{text.rstrip('.')}." for text in out if text)


def research(entry: Mapping[str, Any]) -> list[str]:
    """Slopes with their intervals, spread of the reps, and the side difference with its limit."""
    out = []
    for key, label, unit, digits in SLOPES:
        found = (entry.get("fatigue") or {}).get(key) or {}
        if words.is_number(found.get("slope_per_rep")):
            low, high = (words.number(end, digits) for end in found["ci95"])
            trend = "rising" if found["ci95"][0] > 0 else "falling" if found["ci95"][1] < 0 else "no clear trend"
            slope = words.number(found["slope_per_rep"], digits)
            out.append(f"{label}: {slope}{unit} per rep, 95 % between {low} and {high}: {trend}")
        elif found:
            out.append(f"{label}: too few reps to tell a trend")
    spread = entry.get("consistency") or {}
    parts = [
        f"{label} {words.number(spread[key]['sd'], digits)}{unit}"
        for key, label, unit, digits in SPREADS
        if words.is_number((spread.get(key) or {}).get("sd"))
    ]
    if words.is_number(spread.get("curve_distance_deg")):
        parts.append(f"mean distance of two reps' curves {words.number(spread['curve_distance_deg'], 1)}°")
    out += [f"Standard deviation between reps: {', '.join(parts)}"] if parts else []
    difference = entry.get("side_difference") or {}
    parts, limits = _named(difference, COMPARED), _named(difference.get("mdc95") or {}, COMPARED)
    if parts and limits:
        out.append(f"Right minus left, medians: {', '.join(parts)}; least that tells (MDC95): {', '.join(limits)}")
    return out


def _named(table: Mapping[str, Any], columns: tuple[tuple[str, str, str, int], ...]) -> list[str]:
    return [
        f"{label} {words.number(table[key], digits)}{unit}"
        for key, label, unit, digits in columns
        if words.is_number(table.get(key))
    ]
