"""What the coach changes on the pages: each change is checked, kept with who and when, and answered in a sentence."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from typing import Any

from imu_shoulder.errors import ParameterError
from imu_shoulder.history import sessions as stored
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.people import Profile, add_athlete, find_athlete, set_profile
from imu_shoulder.history.plans import plan_version, put_plan
from imu_shoulder.history.remarks import add_note, decide, overrule
from imu_shoulder.history.sessions import add_manual, dose_line, rate_next_morning, remove_session
from imu_shoulder.model import SIDES
from imu_shoulder.review import editor
from imu_shoulder.review.desk import Desk

# What was typed, by field. Every one is a text but for the plan's.
Typed = Mapping[str, Any]
# Given the desk, the number in the address and what was typed; the answer's JSON.
Change = Callable[[Desk, int, Typed], dict[str, Any]]


def _text(typed: Typed, key: str) -> str:
    value = typed.get(key, "")
    if not isinstance(value, str):
        raise ParameterError(f"a text as {key}", f"it is {type(value).__name__}", "reload the page")
    return value


def _whole(typed: Typed, key: str) -> int | None:
    text = _text(typed, key).strip()
    if not text:
        return None
    if not (text.isascii() and text.isdecimal() and len(text) <= 9):
        raise ParameterError(f"a whole number as {key}", f"it is {text[:40]!r}", "correct it")
    return int(text)


def _rating(typed: Typed, key: str) -> float | None:
    text = _text(typed, key).strip().replace(",", ".")
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        raise ParameterError("a number from 0 to 10", f"it is {text[:40]!r}", "correct it") from None


def new_athlete(desk: Desk, _: int, typed: Typed) -> dict[str, Any]:
    """A new athlete, of a name that nobody has: sessions of two persons would else be one person's."""
    name = _text(typed, "name")
    with contextlib.suppress(StoreError):
        there = find_athlete(desk.store, name)
        do = "open that page from the list, or give this one other initials"
        raise ParameterError("a name that nobody has yet", f"{there.name} is there already", do)
    return {"to": f"/athletes/{add_athlete(desk.store, name).id}"}


def note(desk: Desk, athlete_id: int, typed: Typed) -> dict[str, Any]:
    """About an athlete, a session or a set. What an athlete said is written down by the coach, and marked so."""
    side = _text(typed, "side")
    if side not in ("", *SIDES):
        raise ParameterError(f"a side out of {', '.join(SIDES)}", f"it is {side[:40]!r}", "reload the page")
    find_athlete(desk.store, athlete_id)
    where = (_whole(typed, "session"), _whole(typed, "set"), side or None)
    add_note(desk.store, athlete_id, _text(typed, "text"), desk.who, _text(typed, "author") or "coach", *where)
    return {}


def profile(desk: Desk, athlete_id: int, typed: Typed) -> dict[str, Any]:
    """What the practitioner sets of an athlete."""
    before = find_athlete(desk.store, athlete_id).profile
    ceiling = _rating(typed, "pain_ceiling")
    new = Profile(
        _text(typed, "dominant_side") or None,
        _text(typed, "involved_side") or None,
        _text(typed, "after_surgery"),
        _text(typed, "instability"),
        before.pain_ceiling if ceiling is None else ceiling,
        _text(typed, "age_band") or None,
    )
    set_profile(desk.store, athlete_id, new, desk.who)
    return {}


def check_plan(desk: Desk, athlete_id: int, typed: Typed) -> dict[str, Any]:
    """What the plan's reader says of what is typed so far; nothing is kept."""
    return _checked(desk, athlete_id, typed).as_json()


def _checked(desk: Desk, athlete_id: int, typed: Typed) -> editor.Checked:
    """With what the newest version has beside the form's fields."""
    newest = plan_version(desk.store, athlete_id)
    kept = {} if newest is None else editor.kept_keys(newest.toml)
    return editor.check(find_athlete(desk.store, athlete_id).name, typed, kept)


def save_plan(desk: Desk, athlete_id: int, typed: Typed) -> dict[str, Any]:
    """A new version of the plan."""
    found = _checked(desk, athlete_id, typed)
    if found.error:
        raise ParameterError("a plan without a mistake", found.error, "correct it, then save")
    version = put_plan(desk.store, athlete_id, found.text, desk.who, _text(typed, "why"))
    return {"to": f"/athletes/{athlete_id}/plan?saved={version.number}", "version": version.number}


def verdict(desk: Desk, session_id: int, typed: Typed) -> dict[str, Any]:
    """What the coach says of a rep in place of the program, whose verdict and values stay."""
    number, rep = _whole(typed, "set"), _whole(typed, "rep")
    if number is None or rep is None:
        raise ParameterError("a set and a rep", "one is missing", "choose the rep")
    side, fault = _text(typed, "side"), _text(typed, "fault")
    own = [one for one in stored.sets(desk.store, session_id) if (one["number"], one["side"]) == (number, side)]
    if not any(found["number"] == rep for one in own for found in stored.reps(desk.store, one["id"])):
        raise ParameterError("a rep of this set", f"rep {rep} of set {number} is none", "choose one of the table")
    says, why = _text(typed, "says"), _text(typed, "why")
    overrule(desk.store, session_id, number, side, rep, says, why, desk.who, fault)
    return {}


def decision(desk: Desk, session_id: int, typed: Typed) -> dict[str, Any]:
    """Advice accepted or declined. The entry is taken from the session, not from the page."""
    drill, side = _text(typed, "drill"), _text(typed, "side")
    advice = (stored.session(desk.store, session_id)["summary"] or {}).get("advice") or []
    entry = next((own for own in advice if (own["drill"], own["side"]) == (drill, side)), None)
    if entry is None:
        raise ParameterError("advice of this session", "there is none on this drill and arm", "reload the page")
    decide(desk.store, session_id, drill, side, entry, _text(typed, "decision"), _text(typed, "why"), desk.who)
    return {}


def morning(desk: Desk, session_id: int, typed: Typed) -> dict[str, Any]:
    """Pain on the morning after a session."""
    rate_next_morning(desk.store, session_id, _rating(typed, "pain"))
    return {}


def remove(desk: Desk, session_id: int, typed: Typed) -> dict[str, Any]:
    """A session taken out that should not be there."""
    row = remove_session(desk.store, session_id, _text(typed, "why"), desk.who)
    return {"to": f"/athletes/{row['athlete_id']}"}


def by_hand(desk: Desk, athlete_id: int, typed: Typed) -> dict[str, Any]:
    """A session that no sensor saw."""
    name = find_athlete(desk.store, athlete_id).name
    dose = [dose_line(line) for line in _text(typed, "dose").splitlines() if line.strip()]
    rated = {"pain": _rating(typed, "pain"), "effort": _rating(typed, "effort")}
    when = _text(typed, "start").strip()
    add_manual(desk.store, name, when, _text(typed, "done"), dose, **rated, note=_text(typed, "note"))
    return {}


def link(desk: Desk, athlete_id: int, _: Typed) -> dict[str, Any]:
    """A one-time link that lets a device read the athlete's own page."""
    find_athlete(desk.store, athlete_id)
    found = desk.link_to(f"/own/{athlete_id}")
    if found is None:
        raise ParameterError("--host, so that other devices can come", "it was not given", "start review with --host")
    return {"link": found}


# Under which address, with the number in it.
CHANGES: Mapping[str, Change] = {
    "/athletes": new_athlete,
    "/athletes/{number:number}/notes": note,
    "/athletes/{number:number}/profile": profile,
    "/athletes/{number:number}/plan/check": check_plan,
    "/athletes/{number:number}/plan": save_plan,
    "/athletes/{number:number}/by_hand": by_hand,
    "/athletes/{number:number}/link": link,
    "/sessions/{number:number}/verdicts": verdict,
    "/sessions/{number:number}/decisions": decision,
    "/sessions/{number:number}/morning": morning,
    "/sessions/{number:number}/remove": remove,
}
