"""Who needs attention first, and why, in words: from the latest sessions and the statements of change. Clears nobody.

Sources. Which reasons there are, their order and their limits are ours.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from imu_shoulder.assess.words import counted, drill_title, joined
from imu_shoulder.history.change import State
from imu_shoulder.review.standing import Stand
from imu_shoulder.review.words import changed, day, days_since, of_ten

# Days without a session after which an athlete has not been seen for long.
UNSEEN_DAYS = 7
# Share of the asked reps under which a dose is not done, and over how many of the latest sessions it is looked at.
DONE_SHARE, DOSE_SESSIONS = 0.8, 3
# So many sessions in a row without sensors are worth a word.
WITHOUT_SENSORS = 2
# Sessions under which an athlete is new; no more are looked at.
FEW_SESSIONS = 5
# From the most pressing on; the word stands on the page before its sentences.
KINDS: Mapping[str, str] = {
    "pain": "Pain",
    "fell_back": "Fell back",
    "unseen": "Not seen",
    "ahead": "Date ahead",
    "dose": "Dose not done",
    "sides": "Sides apart",
    "sensors": "No sensors",
    "no_plan": "No plan",
    "criteria": "Criteria met",
    "better": "Better",
    "new": "New",
    "nothing": "Nothing new",
}


@dataclass(frozen=True, slots=True)
class Reason:
    """One thing to know of an athlete. kind: of KINDS."""

    kind: str
    text: str

    @property
    def word(self) -> str:
        return KINDS[self.kind]

    @property
    def place(self) -> int:
        return list(KINDS).index(self.kind)


@dataclass(frozen=True, slots=True)
class Recent:
    """What the latest sessions of an athlete say. row: of the roster's query. latest: of `RECENT`, the latest first."""

    row: Mapping[str, Any]
    latest: Sequence[Mapping[str, Any]]


def reasons(recent: Recent, stand: Stand, today: date) -> list[Reason]:
    """All of one athlete, the most pressing first; one that says that there is nothing where there is none."""
    row = recent.row
    if row["session_id"] is None:
        text = "No session yet." if row["plan_number"] else "No session and no plan yet."
        return [Reason("new" if row["plan_number"] else "no_plan", text)]
    found = [
        *_pain(row),
        *_fell_back(stand),
        *_unseen(row, today),
        *_ahead(row, today),
        *_dose(recent.latest),
        *(Reason("sides", text) for text in stand.apart),
        *_sensors(recent.latest),
        *([] if row["plan_number"] else [Reason("no_plan", "No plan yet: nothing says what is asked.")]),
        *_criteria(row, stand, today),
        *_better(stand),
        *_new(recent.latest),
    ]
    return found or [Reason("nothing", _nothing(row))]


def _nothing(row: Mapping[str, Any]) -> str:
    """What was looked for and not found; pain that nobody rated is never taken for none."""
    pain = "; pain was not rated" if row["pain_highest"] is None else ", no pain over the ceiling"
    return f"No change beyond chance, no missed dose{pain}."


def _pain(row: Mapping[str, Any]) -> list[Reason]:
    found = []
    if row["pain_over"]:  # over that of its plan, which need not be the profile's
        text = f"{of_ten(row['pain_highest'])} in the last session, over the ceiling. Ask before the next one."
        found.append(Reason("pain", text))
    morning = row["pain_next_morning"]
    if morning is not None and morning > row["pain_ceiling"]:
        over = f"the ceiling is {row['pain_ceiling']:g}"
        found.append(Reason("pain", f"{of_ten(morning)} on the morning after the last session; {over}."))
    return found


def _fell_back(stand: Stand) -> list[Reason]:
    return [Reason("fell_back", f"{text}.") for text in _by_arm(stand, "worse")]


def _better(stand: Stand) -> list[Reason]:
    return [Reason("better", f"{text}.") for text in _by_arm(stand, "better")]


def _by_arm(stand: Stand, state: State) -> list[str]:
    """What changed so, one sentence for each drill and arm."""
    found: dict[tuple[str, str], list[str]] = {}
    for one in stand.said:
        if one.statement.state == state:
            found.setdefault((one.title, one.side), []).append(changed(one.statement))
    return [f"{title}, {side} arm: {joined(told)}" for (title, side), told in found.items()]


def _unseen(row: Mapping[str, Any], today: date) -> list[Reason]:
    days = days_since(row["start_utc"], today)
    return [Reason("unseen", f"Nothing known for {counted(days, 'day')}.")] if days > UNSEEN_DAYS else []


def _ahead(row: Mapping[str, Any], today: date) -> list[Reason]:
    """As long as a session is dated so, nobody is called unseen. A day ahead is another zone's."""
    if days_since(row["start_utc"], today) >= -1:
        return []
    said = f"The last session is dated {day(row['start_utc'])}, ahead of this computer's clock."
    return [Reason("ahead", f"{said} Set the clock right, or take the session out on its page.")]


def _dose(latest: Sequence[Mapping[str, Any]]) -> list[Reason]:
    if latest and latest[0]["done"] == "no":
        return [Reason("dose", "Said that the last session was not done.")]
    if latest and latest[0]["done"] == "partly":
        return [Reason("dose", "Said that the last session was done in part.")]
    # Without a plan nobody asked for anything.
    planned = [
        own for own in latest[:DOSE_SESSIONS] if own["kind"] == "recorded" and own["plan_version_id"] is not None
    ]
    counts = [(own["reps_done"], own["reps_asked"]) for own in planned]
    known = [(done, asked) for done, asked in counts if done is not None and asked]
    done, asked = (sum(column) for column in zip(*known, strict=True)) if known else (0, 0)
    if not asked or done >= DONE_SHARE * asked:
        return []
    where = "the last session" if len(known) == 1 else f"the last {len(known)} sessions"
    return [Reason("dose", f"{done} of {asked} asked reps done in {where}.")]


def _sensors(latest: Sequence[Mapping[str, Any]]) -> list[Reason]:
    count = next((k for k, session in enumerate(latest) if session["kind"] == "recorded"), len(latest))
    if count < WITHOUT_SENSORS or latest[0]["done"] == "no":
        return []
    return [Reason("sensors", f"Did the last {counted(count, 'session')} without sensors.")]


def _criteria(row: Mapping[str, Any], stand: Stand, today: date) -> list[Reason]:
    """None after a session without sensors, or one that is long ago: what was met then says little of now."""
    late = row["kind"] != "recorded" or days_since(row["start_utc"], today) > UNSEEN_DAYS
    if row["pain_over"] or late or not stand.criteria:
        return []
    told = joined([f"{drill_title(drill)}, {side} arm" for drill, side in stand.criteria])
    first = "Limits after surgery or instability come first. " if row["after_surgery"] or row["instability"] else ""
    return [Reason("criteria", f"{first}{told}: meets the criteria set. You decide.")]


def _new(latest: Sequence[Mapping[str, Any]]) -> list[Reason]:
    if len(latest) >= FEW_SESSIONS:
        return []
    return [Reason("new", f"{counted(len(latest), 'session')} so far: too little to say.")]


def order(reasons_of: Sequence[Reason]) -> tuple[int, ...]:
    """Whom to look at first: by the most pressing reason, then the next one."""
    return (*(reason.place for reason in reasons_of), len(KINDS))
