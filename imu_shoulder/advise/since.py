"""Beside each drill and arm of a session the last time it was done: two sessions as they were, and no verdict.

That one differs from the other says little: straps and days make a difference, too. What is more than that is a
statement with a test, of many sessions: `history.change`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

from imu_shoulder.advise.history import Summary
from imu_shoulder.assess.words import counted

# Key of a session's numbers -> words before and behind, and digits.
_TOLD = {
    "hold_s": ("held", " s", 1),
    "hold_sd_deg": ("steady to", " deg", 1),
    "clean": ("clean", "", 0),
    "load_kg": ("load", " kg", 1),
    "effort": ("effort", " of 10", 0),
    "pain": ("pain", " of 10", 0),
}


def since_last(sessions: Sequence[Summary]) -> list[dict[str, Any]]:
    """The `since_last` of the summary: one entry per drill and lifting arm that an earlier session had, too.

    sessions: from the latest back, in order; the first is this one. Each entry has `drill`, `title`, `side`, the
    `start` of the earlier session, the numbers of both (`then`, `now`), and all in words (`text`).
    """
    now = sessions[0]
    keys = dict.fromkeys(_key(entry) for entry in _lifting(now))
    found = []
    for key in keys:
        earlier = next((one for one in sessions[1:] if any(_key(entry) == key for entry in _lifting(one))), None)
        if earlier is not None:
            found.append(_entry(key, now, earlier))
    return found


def _lifting(summary: Summary) -> list[Mapping[str, Any]]:
    return [entry for entry in summary["sets"] if entry["role"] != "hold" and entry["drill"]]


def _key(entry: Mapping[str, Any]) -> tuple[str, str, str]:
    return entry["drill"], entry.get("direction") or "", entry["side"]


def _entry(key: tuple[str, str, str], now: Summary, earlier: Summary) -> dict[str, Any]:
    mine, theirs = ([entry for entry in _lifting(one) if _key(entry) == key] for one in (now, earlier))
    then_numbers, now_numbers = _numbers(theirs), _numbers(mine)
    start = earlier["recording"]["start"]
    title = mine[0].get("title") or key[0]
    told = [text for name in _TOLD if (text := _told(name, then_numbers, now_numbers))]
    ago = _days(start, now["recording"]["start"])
    when = "earlier that day" if ago == 0 else f"{counted(ago, 'day')} before"
    return {
        **dict(zip(("drill", "direction", "side"), key, strict=True)),
        "title": title,
        "start": start,
        "then": then_numbers,
        "now": now_numbers,
        "text": f"{title}, {key[2]} arm, {when}: {'; '.join(told)}.",
    }


def _days(then: str, now: str) -> int:
    first, second = (datetime.fromisoformat(text) for text in (then, now))
    first, second = (moment if moment.tzinfo else moment.replace(tzinfo=UTC) for moment in (first, second))
    return (second.date() - first.date()).days


def _numbers(entries: Sequence[Mapping[str, Any]]) -> dict[str, float | int | str | None]:
    """Of a session's sets of one drill and arm: the median of their medians, counts added up, the highest ratings."""
    clean, scored = (sum(entry["done"].get(name) or 0 for entry in entries) for name in ("clean", "scored"))
    return {
        "hold_s": _middle(_median_of(entry, "tempo", "hold_s") for entry in entries),
        "hold_sd_deg": _middle(_median_of(entry, "steadiness", "hold_sd_deg") for entry in entries),
        "clean": f"{clean} of {scored}" if scored else None,
        **{name: _most(entry.get(name) for entry in entries) for name in ("load_kg", "effort", "pain")},
    }


def _median_of(entry: Mapping[str, Any], group: str, name: str) -> float | None:
    found: float | None = ((entry.get(group) or {}).get(name) or {}).get("median")
    return found


def _middle(values: Iterable[float | None]) -> float | None:
    found = [value for value in values if value is not None]
    if not found:
        return None
    from statistics import median  # takes its time to be imported, and most sessions are looked at alone

    return median(found)


def _most(values: Iterable[float | None]) -> float | None:
    return max((value for value in values if value is not None), default=None)


def _told(name: str, then: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """One number of both sessions; nothing where neither has it."""
    if then[name] is None and now[name] is None:
        return ""
    before, behind, digits = _TOLD[name]
    one, other = (_word(numbers[name], behind, digits) for numbers in (then, now))
    return f"{before} {one}" if one == other else f"{before} {one}, now {other}"


def _word(value: object, behind: str, digits: int) -> str:
    if value is None:
        return "not known"
    return f"{value:.{digits}f}{behind}" if isinstance(value, float) else f"{value}{behind}"
