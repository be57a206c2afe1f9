"""The few sentences that both the terminal and the top of the report say."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from typing import Any

from imu_shoulder.assess.exclusions import EXCLUSIONS
from imu_shoulder.parameters import told
from imu_shoulder.report import lines as report_lines
from imu_shoulder.report import words

TIED_NAMED = 3  # more criteria missed equally often than this: none is named as the worst


def in_order(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The entries of the sets, in time; the arms of one set together."""
    return sorted(summary["sets"], key=lambda entry: (entry["set"], entry["side"] != "right"))


def _lifting(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The entries that have reps: a holding arm has none to count."""
    return [entry for entry in in_order(summary) if entry.get("role") != "hold"]


def title(entry: Mapping[str, Any]) -> str:
    """What was done."""
    return str(entry.get("title") or "Set without a drill")


def arm(entry: Mapping[str, Any]) -> str:
    """Which arm did it, and whether its part was to hold."""
    return f"{entry['side']} arm{', holding' if entry.get('role') == 'hold' else ''}"


def overall(summary: Mapping[str, Any]) -> str:
    """The counts of all lifting arms in one sentence."""
    entries = _lifting(summary)
    sets = len({entry["set"] for entry in summary["sets"]})
    if not sets:
        tests = len((summary.get("range") or {}).get("tests") or [])
        return f"{words.counted(tests, 'range test')}, no drill." if tests else "No set was found."
    done, clean = (sum(entry["done"].get(key) or 0 for entry in entries) for key in ("reps", "clean"))
    whys = [item["why"] for entry in entries for item in entry.get("excluded") or []]
    unfinished = sum(why in EXCLUSIONS and EXCLUSIONS[why].given_up for why in whys)
    asked = [entry["asked"].get("reps") for entry in entries]
    of_asked = f" of {sum(asked)} asked" if asked and all(asked) else ""
    parts = [f"{done}{of_asked} {'rep' if done == 1 and not of_asked else 'reps'} done", f"{clean} clean"]
    parts += [f"{len(whys) - unfinished} could not be scored"] if len(whys) > unfinished else []
    parts += [f"{unfinished} started but not finished"] if unfinished else []
    unseen_s = sum(entry.get("unseen_s") or 0.0 for entry in entries)
    parts += [f"{unseen_s:.0f} s not seen"] if unseen_s else []
    return f"{words.counted(sets, 'set')}: {', '.join(parts)}."


def sides_apart(summary: Mapping[str, Any]) -> str:
    """The range test in which the sides differ most, of those beyond what measuring alone can make; empty where none
    does."""
    found = [
        (abs(test["difference"]["mean_deg"]), test)
        for test in (summary.get("range") or {}).get("tests") or []
        if test["difference"] is not None and _sides_differ(test)
    ]
    if not found:
        return ""
    size_deg, test = max(found, key=lambda item: item[0])
    more = "right" if test["difference"]["mean_deg"] > 0 else "left"
    name = f"{test['title'][:1].lower()}{test['title'][1:]}"
    return f"The sides differ most in {name}: {size_deg:.0f} deg more on the {more}."


def most_missed(summary: Mapping[str, Any]) -> str:
    """The criterion that the most reps missed, and where; several where it is a tie; empty where none was missed."""
    missed: Counter[str] = Counter()
    where: dict[str, list[str]] = {}
    for entry in _lifting(summary):
        for criterion in entry.get("criteria") or []:
            if criterion["missed"]:
                missed[criterion["name"]] += len(criterion["missed"])
                where.setdefault(criterion["name"], []).append(f"{entry['set']} {entry['side']}")
    if not missed:
        return ""
    most = max(missed.values())
    tied = [name for name, count in missed.items() if count == most]
    if len(tied) > TIED_NAMED:
        return f"Nothing stands out: {len(tied)} things were each missed in {words.counted(most, 'rep')}."
    labels = [f"the {words.criterion(name).lower()} ({_places(where[name])})" for name in tied]
    return f"Missed most often: {words.joined(labels)}, in {words.counted(most, 'rep')}{' each' * (len(tied) > 1)}."


def _sides_differ(test: Mapping[str, Any]) -> bool:
    """Against the published limit; where there is none, against the errors stated for both sides (95 %)."""
    difference = test["difference"]
    if difference["over_mdc90"] is not None:
        return bool(difference["over_mdc90"])
    errors = [side.get("sd_deg") for side in test["sides"].values()]
    return None not in errors and abs(difference["mean_deg"]) > 1.96 * math.hypot(*errors)


def _places(places: list[str]) -> str:
    sets = [f"set {place}" for place in places]
    return words.joined(sets) if len(sets) <= 4 else f"{', '.join(sets[:3])} and {len(sets) - 3} more"


def data_line(summary: Mapping[str, Any]) -> str:
    """How many faults and warnings the data carry; empty where there are none."""
    severities = Counter(finding["severity"] for finding in findings(summary))
    parts = [words.counted(severities[level], level) for level in ("fault", "warning") if severities[level]]
    return f"Data: {words.joined(parts)}." if parts else ""


def findings(summary: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every finding once, with its placement, the worst first."""
    every = [dict(finding) for finding in summary.get("findings") or []]
    for placement, quality in (summary.get("data_quality") or {}).items():
        every += [{**finding, "placement": placement} for finding in quality.get("findings") or []]
    once = {(f.get("placement"), f["code"], f.get("start_s"), f["text"]): f for f in every}
    return sorted(once.values(), key=lambda finding: list(words.SEVERITIES).index(finding["severity"]))


def terminal_lines(summary: Mapping[str, Any]) -> list[str]:
    """The headlines of the report as lines for a terminal."""
    recording = summary["recording"]
    lines = [
        f"{recording['athlete']}, {words.date(recording['start'])}, {recording['name']}",
        overall(summary),
        *filter(None, [most_missed(summary), sides_apart(summary)]),
    ]
    for entry in in_order(summary):
        lines.append(f"Set {entry['set']}, {title(entry)}, {arm(entry)}: {entry['headline']}")
        lines += [f"    {text}" for text in (report_lines.next_time(entry), report_lines.telling(entry)) if text]
    lines += filter(None, [data_line(summary)])
    if summary["not_seen"]:
        lines.append(f"Not seen by these sensors: {' '.join(summary['not_seen'])}")
    lines += filter(None, [told(summary.get("parameters_changed") or {})])
    return lines + list(summary["cautions"])
