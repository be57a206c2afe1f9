"""The steps within a drill that a practitioner chooses from: reps, sets, hold and load, and the drills beside it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from imu_shoulder.assess.words import counted
from imu_shoulder.drills import Drill

Entry = Mapping[str, Any]


def steps_up(asked: Drill, usual: Drill, entry: Entry) -> list[str]:
    """What could be more, one at a time. asked: with the dose that was asked; usual: the drill's own. entry: a set."""
    out = []
    if entry["role"] != "hold":
        out += _towards("reps", asked.dose.reps, usual.dose.reps)
        out += _towards("sets", asked.dose.sets, usual.dose.sets)
        hold, own = asked.top.hold_s, usual.top.hold_s
        out += [f"hold from {hold:g} s to the usual {own:g} s"] if 0 < hold < own else []
        out += [] if out or not own else [f"a hold longer than {hold:g} s"]
    out.append(f"load ({_load(asked, entry)} now; {usual.dose.load})" if usual.dose.load else "load")
    return out


def steps_down(asked: Drill, entry: Entry) -> list[str]:
    """What could be less."""
    out = [f"less load than {_load(asked, entry)}"] if entry.get("load_kg") or asked.dose.asked else ["less load"]
    if entry["role"] == "hold":
        return [*out, "a shorter set"]
    out += [f"a hold shorter than {asked.top.hold_s:g} s"] if asked.top.hold_s > 0 else []
    return [*out, f"fewer than {counted(asked.dose.reps, 'rep')} or {counted(asked.dose.sets, 'set')}"]


def _towards(what: str, now: int, usual: int) -> list[str]:
    return [f"{what} from {now} to the usual {usual}"] if now < usual else []


def _load(asked: Drill, entry: Entry) -> str:
    """What was written down, else what a plan asked, else nothing is known."""
    if entry.get("load_kg") is not None:
        return f"{entry['load_kg']:g} kg"
    return asked.dose.load if asked.dose.asked and asked.dose.load else "not noted"
