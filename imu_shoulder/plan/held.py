"""A session held against its plan: what was done, what was skipped, what was more, and in which order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from imu_shoulder.model import Side
from imu_shoulder.plan import Plan, PlannedDrill
from imu_shoulder.plan.matching import Matches
from imu_shoulder.report.dose import arm_dose

Entry = Mapping[str, Any]


def hold_against(plan: Plan, matches: Matches, sets: Sequence[Entry]) -> dict[str, Any]:
    """The `plan` entry of the summary. sets: the entries of the summary, judged by what the plan asks."""
    lifting = {(entry["set"], entry["side"]): entry for entry in sets if entry.get("role") != "hold"}
    items = [_item(plan.drills[k], _done(k, matches, lifting)) for k in range(len(plan.drills))]
    extra = [
        _extra(number, side, match.drill, match.item is not None, lifting.get((number, side)))
        for number, arms in matches.items()
        for side, match in arms.items()
        if match.extra
    ]
    kept, order_text = _order(plan, matches)
    states = [item["status"] for item in items]
    done, partly = states.count("done"), states.count("partly")
    skipped = [item["text"] for item in items if item["status"] == "skipped"]
    text = f"Plan: {done} of {len(items)} drills done as asked"
    text += f", {partly} in part" if partly else ""
    text += f", {len(skipped)} skipped" if skipped else ""
    return {
        "file": plan.name,
        "athlete": plan.athlete,
        "pain_ceiling": plan.pain_ceiling,
        "limits_first": list(plan.limits_first),
        "drills": items,
        "skipped": skipped,
        "extra": extra,
        "order_kept": kept,
        "order_text": order_text,
        "text": f"{text}.",
        "lines": [
            *plan.limits_first,
            f"{text}.",
            *(item["text"] for item in items if item["status"] != "done" or item["load_differs"]),
            *(entry["text"] for entry in extra),
            *([] if kept else [order_text]),
        ],
    }


def _done(item: int, matches: Matches, lifting: Mapping[tuple[int, str], Entry]) -> list[dict[str, Any]]:
    out = []
    for number, arms in matches.items():
        for side, match in arms.items():
            if match.item == item and not match.extra:
                entry = lifting.get((number, side))
                out.append(
                    {
                        "set": number,
                        "side": side,
                        "unseen_s": 0.0 if entry is None else entry.get("unseen_s", 0.0),
                        "reps": None if entry is None else entry["done"]["reps"],
                        "clean": None if entry is None else entry["done"]["clean"],
                        "load_kg": None if entry is None else entry.get("load_kg"),
                    }
                )
    return out


def _item(item: PlannedDrill, done: list[dict[str, Any]]) -> dict[str, Any]:
    short = [side for side in item.sides if sum(d["side"] == side for d in done) < item.sets]
    fewer = any(d["reps"] is None or d["reps"] < item.reps[d["side"]] for d in done)
    status = "skipped" if not done else "partly" if short or fewer else "done"
    loads = sorted({d["load_kg"] for d in done if d["load_kg"] is not None and d["load_kg"] != item.load_kg})
    differs = item.load_kg is not None and bool(loads)
    return {
        "drill": item.drill.id,
        "title": item.title,
        "side": item.side,
        "asked": {
            "sets": item.sets,
            "reps": dict(item.reps),
            "hold_s": item.drill.top.hold_s or None,
            "lift_at_least_s": item.drill.lift_at_least_s,
            "lower_at_least_s": item.drill.lower_at_least_s,
            "load_kg": item.load_kg,
            "band": item.band,
        },
        "done": done,
        "status": status,
        "load_differs": differs,
        "text": _item_text(item, done, loads if differs else []),
    }


def _item_text(item: PlannedDrill, done: list[dict[str, Any]], loads: list[float]) -> str:
    name = f"{item.title}, {'both arms' if item.side == 'both' else f'{item.side} arm'}"
    if not done:
        return f"{name}: skipped."
    parts = []
    for side in item.sides:
        mine = [d for d in done if d["side"] == side]
        arm = f"{side} " if item.side == "both" else ""
        parts.append(f"{arm}{arm_dose(item.title, side, item.sets, item.reps[side], mine).text}")
    if loads:
        parts.append(f"with {' and '.join(f'{load:g}' for load in loads)} kg instead of {item.load_kg:g} kg")
    return f"{name}: {'; '.join(parts)}."


def _extra(number: int, side: Side, drill: str, planned: bool, entry: Entry | None) -> dict[str, Any]:
    title = drill if entry is None else entry["title"]
    why = "more sets than the plan asks" if planned else "not in the plan"
    return {"set": number, "drill": drill, "side": side, "text": f"Extra: set {number}, {title}, {side} arm: {why}."}


def _order(plan: Plan, matches: Matches) -> tuple[bool, str]:
    """Whether the drills were begun in the plan's order; alternating between drills keeps it."""
    begun: list[int] = []
    for arms in matches.values():
        begun += sorted({m.item for m in arms.values() if m.item is not None and not m.extra} - set(begun))
    for earlier, later in pairwise(begun):
        if later < earlier:
            first, second = (plan.drills[k] for k in (later, earlier))
            return False, (
                f"Order: {first.title} ({first.side}) is asked before {second.title} ({second.side}), "
                "but was begun after it."
            )
    return True, "The drills were begun in the order of the plan."
