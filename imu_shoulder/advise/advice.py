"""Rules against sessions: what may be said about each drill and arm, and from which reps. No line is a clearance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from imu_shoulder.advise import Criteria, Rule, Rules
from imu_shoulder.advise.history import Summary
from imu_shoulder.assess.words import done_of, rep_list
from imu_shoulder.drills import Drill, load_shipped, shipped_ids
from imu_shoulder.report.pain import BEFORE

DECIDES = "The practitioner decides."
SAID = {
    "criteria_met": "meets the criteria set",
    "stay": "stay at this step",
    "step_back": "step back",
    "stop": "stop",
}
SHOWN = {
    "shown": "{title} was shown clean with this arm",
    "not_clean": "{title} is not clean yet with this arm",
    "not_seen": "{title} was not shown with this arm in the sessions given",
}
Entry = Mapping[str, Any]


def advise(sessions: Sequence[Summary], drills: Mapping[str, Drill], rules: Rules) -> list[dict[str, Any]]:
    """The `advice` of the summary: one line per drill and arm of the latest session, in the order of its sets.

    sessions: summaries from the latest back. drills: those of the latest session by id.
    """
    now = sessions[0]
    lines = dict.fromkeys((entry["drill"], entry["side"]) for entry in now["sets"] if _judged(entry))
    return [_line(drills[drill], side, sessions, rules) for drill, side in lines]


def _judged(entry: Entry) -> bool:
    return bool(entry["judged"]) and entry["drill"] is not None and entry["role"] != "hold"


def _sets(session: Summary, drill: str, side: str) -> list[Entry]:
    return [e for e in session["sets"] if e["drill"] == drill and e["side"] == side and _judged(e)]


def _line(drill: Drill, side: str, sessions: Sequence[Summary], rules: Rules) -> dict[str, Any]:
    pain = sessions[0]["pain"]
    with_drill = [session for session in sessions if _sets(session, drill.id, side)]
    needed = [_prerequisite(name, side, sessions, rules.prerequisite, pain["ceiling"]) for name in drill.clean_before]
    unclean = any(entry["state"] == "not_clean" for entry in needed)
    rule = next(
        rule
        for rule in rules.rules
        if _met(rule, with_drill, drill.id, side, pain["ceiling"]) and not (rule.advice == "criteria_met" and unclean)
    )
    advice = "stop" if pain["over"] else rule.advice
    met = rules.of("criteria_met")
    looked_at = with_drill[: max(rule.sessions, 1)]
    because = [
        _because(session, entry, rule.each_set, pain["ceiling"])
        for session in looked_at
        for entry in _sets(session, drill.id, side)
    ]
    return {
        "drill": drill.id,
        "title": drill.title,
        "side": side,
        "advice": advice,
        "rule": "pain over the ceiling" if advice == "stop" else rule.text,
        "because": because,
        "prerequisites": needed,
        "next": list(drill.followed_by),
        "next_takes": None if met is None else met.text,
        "text": _text(drill, side, advice, because, needed, pain),
    }


def _met(rule: Rule, with_drill: Sequence[Summary], drill: str, side: str, ceiling: float) -> bool:
    if rule.each_set is None:
        return True
    if len(with_drill) < rule.sessions:
        return False
    for session in with_drill[: rule.sessions]:
        sets = _sets(session, drill, side)
        met = sum(_meets(entry, rule.each_set, ceiling) for entry in sets)
        too_many = rule.other_sets_at_most is not None and len(sets) - met > rule.other_sets_at_most
        if met < rule.sets or too_many:
            return False
    return True


def _meets(entry: Entry, criteria: Criteria, ceiling: float) -> bool:
    """Whether one set shows all that is asked. Reps that could not be scored are not clean."""
    done, clean, scored = (entry["done"][key] or 0 for key in ("reps", "clean", "scored"))
    asked = entry["asked"]["reps"] or done
    if criteria.done_at_least is not None and done < criteria.done_at_least * asked - 1e-9:
        return False
    if criteria.clean_at_least is not None and (not asked or clean < criteria.clean_at_least * asked - 1e-9):
        return False
    if criteria.clean_below is not None and (not scored or clean >= criteria.clean_below * scored - 1e-9):
        return False
    pain = entry.get("pain")
    return not criteria.pain_within_ceiling or (pain is not None and pain <= ceiling)


def _because(session: Summary, entry: Entry, criteria: Criteria | None, ceiling: float) -> dict[str, Any]:
    """The reps of one set that a line of advice comes from."""
    scored = sorted({rep for c in entry["criteria"] for key in ("met", "missed", "unknown") for rep in c[key]})
    missed = sorted({rep for c in entry["criteria"] for rep in c["missed"]})
    done, asked = entry["done"], entry["asked"]["reps"]
    count = done_of(done["reps"], asked, asked=entry["asked"].get("by") == "plan")
    text = f"set {entry['set']}: {count}, {done['clean']} clean"
    if missed:
        text += f" ({rep_list(missed)} not)"
    lost = (done["reps"] or 0) - (done["scored"] or 0)
    text += f", {lost} not scored" if lost > 0 else ""
    pain = entry.get("pain")
    text += ", pain not rated" if pain is None else f", pain {pain:g}"
    return {
        "session": session["recording"]["name"],
        "start": session["recording"]["start"],
        "set": entry["set"],
        "reps": scored,
        "clean": [rep for rep in scored if rep not in missed],
        "missed": missed,
        "pain": pain,
        "met": None if criteria is None else _meets(entry, criteria, ceiling),
        "text": text,
    }


def _prerequisite(name: str, side: str, sessions: Sequence[Summary], rule: Rule, ceiling: float) -> dict[str, Any]:
    """Whether a drill that should be clean before another one was shown clean, when it was last done."""
    last = [session for session in sessions if _sets(session, name, side)][:1]
    state = "not_seen" if not last else "shown" if _met(rule, last, name, side, ceiling) else "not_clean"
    because = [_because(s, entry, rule.each_set, ceiling) for s in last for entry in _sets(s, name, side)]
    return {"drill": name, "state": state, "because": because, "text": SHOWN[state].format(title=_title(name))}


def _title(drill_id: str) -> str:
    return load_shipped(drill_id).title if drill_id in shipped_ids() else drill_id


def _text(
    drill: Drill,
    side: str,
    advice: str,
    because: Sequence[Mapping[str, Any]],
    needed: Sequence[Mapping[str, Any]],
    pain: Mapping[str, Any],
) -> str:
    parts = [f"{drill.title}, {side} arm: {SAID[advice]}."]
    if advice == "stop":
        over = ", ".join(f"in set {number}" if number != BEFORE else "before the first set" for number in pain["over"])
        parts += [f"Pain was over the ceiling of {pain['ceiling']:g} of 10 {over}.", "Ask the practitioner first."]
        return " ".join([*parts, DECIDES])
    if advice == "criteria_met" and drill.followed_by:
        parts.append(f"Next would be: {' or '.join(map(_title, drill.followed_by))}.")
    if advice == "step_back" and drill.clean_before:
        parts.append(f"Before it comes: {' and '.join(map(_title, drill.clean_before))}.")
    names = list(dict.fromkeys(entry["session"] for entry in because))
    for name in names:
        told = "; ".join(entry["text"] for entry in because if entry["session"] == name)
        where = f" ({name})" if len(names) > 1 else ""
        parts.append(f"From {told}{where}.")
    parts += [f"{entry['text']}." for entry in needed if entry["state"] != "shown"]
    return " ".join([*parts, DECIDES])
