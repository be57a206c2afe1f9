"""Rules against sessions: what may be said about each drill and arm, and from which reps. No line is a clearance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import ceil
from typing import Any

from imu_shoulder.advise import Criteria, Rule, Rules
from imu_shoulder.advise.history import Summary
from imu_shoulder.advise.lacks import Entry, Lack, counts_of, lacks
from imu_shoulder.advise.steps import steps_down, steps_up
from imu_shoulder.assess.words import counted, done_of, joined, rep_list
from imu_shoulder.drills import Drill, load_shipped, shipped_ids
from imu_shoulder.report.pain import BEFORE

LIMITS_FIRST = "The surgeon's and the practitioner's limits come first."
DECIDES = "The practitioner decides."
SAID = {
    "criteria_met": "meets the criteria set",
    "stay": "stay at this step",
    "step_back": "step back",
    "stop": "stop",
}
SHOWN = {
    "shown": "{title} was shown clean with this arm",
    "short": "{title} was done clean with this arm, but with too few reps",
    "unscored": "{title} was done with this arm, but too many reps could not be scored",
    "not_clean": "{title} is not clean yet with this arm",
    "not_seen": "{title} was not shown with this arm in the sessions given",
}
# Of a drill that should be clean before another one: what keeps the other from the next step.
BLOCKING = ("short", "unscored", "not_clean")


def advise(
    sessions: Sequence[Summary], drills: Mapping[str, Drill], rules: Rules, *, limits_first: bool = False
) -> list[dict[str, Any]]:
    """The `advice` of the summary: one line per drill and arm of the latest session, in the order of its sets.

    An arm that holds has a line of its own. sessions: summaries from the latest back. drills: those of the latest
    session by id, with what was asked. limits_first: whether the plan tells of surgery or an instability.
    """
    now = sessions[0]
    lines = dict.fromkeys((entry["drill"], entry["side"], entry["role"]) for entry in now["sets"] if _judged(entry))
    out = [_line(drills[drill], side, role, sessions, rules) for drill, side, role in lines]
    return [_limited(line) for line in out] if limits_first else out


def _limited(line: dict[str, Any]) -> dict[str, Any]:
    """Whose limits come before any rule; the drills that follow are then not for the rules to name."""
    whom, _, rest = line["text"].partition(". ")
    rest = rest if line["advice"] != "criteria_met" else rest.replace(_following(line["next"]), "")
    return {**line, "text": f"{whom}. {LIMITS_FIRST} {rest}", "next": []}


def _following(drills: Sequence[str]) -> str:
    return f"Drills that follow: {joined(map(_title, drills))}. " if drills else ""


def _judged(entry: Entry) -> bool:
    return bool(entry["judged"]) and entry["drill"] is not None


def _sets(session: Summary, drill: str, side: str, role: str = "lift") -> list[Entry]:
    return [e for e in session["sets"] if (e["drill"], e["side"], e["role"]) == (drill, side, role) and _judged(e)]


def _line(drill: Drill, side: str, role: str, sessions: Sequence[Summary], rules: Rules) -> dict[str, Any]:
    pain = sessions[0]["pain"]
    with_drill = [found for session in sessions if (found := _sets(session, drill.id, side, role))]
    needed = [_prerequisite(name, side, sessions, rules.prerequisite, pain["ceiling"]) for name in drill.clean_before]
    blocked = [entry for entry in needed if entry["state"] in BLOCKING]
    rule = next(
        rule
        for rule in rules.rules
        if _met(rule, with_drill, pain["ceiling"], drill) and not (rule.advice == "criteria_met" and blocked)
    )
    advice = "stop" if pain["over"] else rule.advice
    met = rules.of("criteria_met")
    because = [
        _because(session, entry, rule.each_set, pain["ceiling"], drill)
        for session in [s for s in sessions if _sets(s, drill.id, side, role)][: max(rule.sessions, 1)]
        for entry in _sets(session, drill.id, side, role)
    ]
    missing = [] if met is None or advice != "stay" else _missing(met, with_drill, pain["ceiling"], drill, blocked)
    steps: list[str] = []
    if advice == "criteria_met":
        steps = steps_up(drill, _usual(drill), with_drill[0][-1])
    elif advice == "step_back":
        steps = steps_down(drill, with_drill[0][-1])
    return {
        "drill": drill.id,
        "title": drill.title,
        "side": side,
        "role": role,
        "advice": advice,
        "rule": "pain over the ceiling" if advice == "stop" else rule.text,
        "because": because,
        "prerequisites": needed,
        "missing": missing,
        "steps": steps,
        "next": list(drill.followed_by),
        "next_takes": None if met is None else met.text,
        "text": _text(
            drill, f"{side} arm{', holding' * (role == 'hold')}", advice, because, needed, missing, steps, pain
        ),
    }


def _usual(drill: Drill) -> Drill:
    """The drill as it is shipped, or as the user's file has it."""
    return load_shipped(drill.id) if drill.id in shipped_ids() else drill


def _needed_sets(rule: Rule, sets: Sequence[Entry]) -> int:
    """How many sets of one session must show it: no more than a plan asks, and of those that it asks their share."""
    asked: int | None = next((entry["asked"]["sets"] for entry in sets if entry["asked"].get("by") == "plan"), None)
    if asked is None:
        return rule.sets
    share = 0.0 if rule.each_set is None else rule.each_set.done_at_least or 0.0
    return max(min(rule.sets, asked), ceil(share * asked - 1e-9))


def _met(rule: Rule, with_drill: Sequence[Sequence[Entry]], ceiling: float, drill: Drill | None = None) -> bool:
    """with_drill: the sets of the drill and arm, session by session from the latest back."""
    if rule.each_set is None:
        return True
    if len(with_drill) < rule.sessions:
        return False
    cautions_of = drill if rule.advice == "criteria_met" else None
    for sets in with_drill[: rule.sessions]:
        met = sum(not lacks(entry, rule.each_set, ceiling, cautions_of) for entry in sets)
        too_many = rule.other_sets_at_most is not None and len(sets) - met > rule.other_sets_at_most
        if met < _needed_sets(rule, sets) or too_many:
            return False
    return True


def _missing(
    rule: Rule, with_drill: Sequence[Sequence[Entry]], ceiling: float, drill: Drill, blocked: Sequence[Entry]
) -> list[str]:
    """What the next step lacks, the first thing first: pain, sets, reps, cautions, clean reps, drills before, sessions.

    Looked for in the latest session, else in the one before it that falls short.
    """
    assert rule.each_set is not None
    out: list[str] = []
    for sets in with_drill[: rule.sessions]:
        found = [lack for entry in sets for lack in lacks(entry, rule.each_set, ceiling, drill)]
        needed = _needed_sets(rule, sets)
        few = [f"{counted(needed, 'set')} in a session ({len(sets)} done)"] if len(sets) < needed else []
        out = [*_named(found, ("pain",)), *few, *_named(found, ("dose", "scored", "caution", "clean"))]
        if out:
            break
    out += [
        f"{entry['title']} {'with all its reps' if entry['state'] == 'short' else 'clean'} first" for entry in blocked
    ]
    more = rule.sessions - len(with_drill)
    if more > 0:
        out.append(f"the same in {counted(more, 'session')} more")
    return out


def _named(found: Sequence[Lack], reasons: Sequence[str]) -> list[str]:
    by_wanted: dict[str, list[str]] = {}
    for lack in sorted((lack for lack in found if lack.reason in reasons), key=lambda lack: reasons.index(lack.reason)):
        by_wanted.setdefault(lack.wanted, []).append(lack.text)
    return [f"{wanted} ({'; '.join(texts)})" for wanted, texts in by_wanted.items()]


def _because(
    session: Summary, entry: Entry, criteria: Criteria | None, ceiling: float, drill: Drill | None
) -> dict[str, Any]:
    """The reps of one set that a line of advice comes from."""
    scored = sorted({rep for c in entry["criteria"] for key in ("met", "missed", "unknown") for rep in c[key]})
    missed = sorted({rep for c in entry["criteria"] for rep in c["missed"]})
    pain = entry.get("pain")
    text = f"set {entry['set']}: {_holding(entry) if entry['role'] == 'hold' else _reps(entry, missed)}"
    return {
        "session": session["recording"]["name"],
        "start": session["recording"]["start"],
        "set": entry["set"],
        "reps": scored,
        "clean": [rep for rep in scored if rep not in missed],
        "missed": missed,
        "pain": pain,
        "met": None if criteria is None else not lacks(entry, criteria, ceiling, drill),
        "text": text + (", pain not rated" if pain is None else f", pain {pain:g}"),
    }


def _reps(entry: Entry, missed: Sequence[int]) -> str:
    done = entry["done"]
    text = done_of(done["reps"], entry["asked"]["reps"], asked=entry["asked"].get("by") == "plan")
    text += f", {done['clean']} clean" + (f" ({rep_list(missed)} not)" if missed else "")
    lost = (done["reps"] or 0) - (done["scored"] or 0)
    return text + (f", {lost} not scored" if lost > 0 else "")


def _holding(entry: Entry) -> str:
    found, held = counts_of(entry), entry.get("holding") or {}
    moved_deg = held.get("moved_deg")
    sank = f", sank by {-moved_deg:.0f} deg" if moved_deg is not None and moved_deg <= -0.5 else ""
    return ("hold not seen" if not found.scored else "hold kept" if found.clean else "hold not kept") + sank


def _prerequisite(name: str, side: str, sessions: Sequence[Summary], rule: Rule, ceiling: float) -> dict[str, Any]:
    """Whether a drill that should be clean before another one was shown clean, when it was last done.

    The dose is no reason to call it not clean.
    """
    last = [session for session in sessions if _sets(session, name, side)][:1]
    sets = [_sets(session, name, side) for session in last]
    state = "not_seen" if not last else "shown" if _met(rule, sets, ceiling) else _why(rule, sets[0], ceiling)
    because = [_because(s, entry, rule.each_set, ceiling, None) for s in last for entry in _sets(s, name, side)]
    title = _title(name)
    return {"drill": name, "title": title, "state": state, "because": because, "text": SHOWN[state].format(title=title)}


def _why(rule: Rule, sets: Sequence[Entry], ceiling: float) -> str:
    """The state of a drill that falls short: not clean only where reps of it were not."""
    reasons = {lack.reason for entry in sets for lack in lacks(entry, rule.each_set or Criteria(), ceiling)}
    if reasons & {"clean", "below"}:
        return "not_clean"
    return "unscored" if "scored" in reasons else "short"


def _title(drill_id: str) -> str:
    return load_shipped(drill_id).title if drill_id in shipped_ids() else drill_id


def _text(
    drill: Drill,
    arm: str,
    advice: str,
    because: Sequence[Mapping[str, Any]],
    needed: Sequence[Mapping[str, Any]],
    missing: Sequence[str],
    steps: Sequence[str],
    pain: Mapping[str, Any],
) -> str:
    parts = [f"{drill.title}, {arm}: {SAID[advice]}."]
    if advice == "stop":
        over = ", ".join(f"in set {number}" if number != BEFORE else "before the first set" for number in pain["over"])
        parts += [f"Pain was over the ceiling of {pain['ceiling']:g} of 10 {over}.", "Ask the practitioner first."]
        return " ".join([*parts, DECIDES])
    if advice == "criteria_met":
        parts.append(f"Steps to choose from, one at a time: {'; '.join(steps)}.")
        parts += filter(None, [_following(drill.followed_by).strip()])
    if advice == "step_back":
        parts.append(f"Steps to choose from: {'; '.join(steps)}.")
        parts += [f"Before it comes: {joined(map(_title, drill.clean_before))}."] if drill.clean_before else []
    if missing:
        parts.append(f"Missing first: {missing[0]}.")
        parts += [f"Then: {'; '.join(missing[1:])}."] if missing[1:] else []
    names = list(dict.fromkeys(entry["session"] for entry in because))
    for name in names:
        told = "; ".join(entry["text"] for entry in because if entry["session"] == name)
        where = f" ({name})" if len(names) > 1 else ""
        parts.append(f"From {told}{where}.")
    parts += [f"{entry['text']}." for entry in needed if entry["state"] != "shown"]
    return " ".join([*parts, DECIDES])
