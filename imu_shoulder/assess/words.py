"""The words of a set: one headline and one thing to change. Plain, and traceable to rep numbers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from typing import Any

from imu_shoulder.assess.exclusions import EXCLUSIONS
from imu_shoulder.assess.faults import RAISED
from imu_shoulder.assess.judge import JudgedRep, clean
from imu_shoulder.drills import Drill, load_shipped, shipped_ids

# Before any advice to an arm that is to hold while the other one lifts: to hold on would be the opposite of the drill.
HOLDER_SINKS = "Lower both arms when the holding arm starts to sink"


def joined(items: Iterable[object]) -> str:
    """`1`, `1 and 2`, `1, 2 and 3`."""
    texts = [str(item) for item in items]
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}" if texts else ""


def counted(count: int, one: str, many: str | None = None) -> str:
    """`1 rep`, `2 reps`."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def titled(drill: Drill) -> str:
    """The drill's title, with its direction where that is not the one that is usual in it."""
    usual = load_shipped(drill.id).direction if drill.id in shipped_ids() else ""
    return drill.title + (f", {drill.direction}" if drill.direction not in ("", usual) else "")


@cache
def drill_title(drill: str, direction: str = "") -> str:
    """A drill by its title, with a direction that is not its usual one; one of a user's own by its id."""
    if drill not in shipped_ids():
        text = drill.replace("_", " ")
        return text[:1].upper() + text[1:]
    own = load_shipped(drill)
    return titled(own.towards(direction) if direction in own.directions else own)


def done_of(done: int, dose: int | None, *, asked: bool) -> str:
    """Reps against their dose: `5 of 8 reps` where it was asked, else `5 reps (usual dose 8)`."""
    if dose is None:
        return counted(done, "rep")
    return f"{done} of {counted(dose, 'rep')}" if asked else f"{counted(done, 'rep')} (usual dose {dose})"


def rep_list(numbers: Sequence[int]) -> str:
    """ "rep 4", "reps 2 and 7", "reps 1 to 3 and 8"."""
    pieces: list[str] = []
    k = 0
    while k < len(numbers):
        last = k
        while last + 1 < len(numbers) and numbers[last + 1] == numbers[last] + 1:
            last += 1
        if last - k >= 2:
            pieces.append(f"{numbers[k]} to {numbers[last]}")
        else:
            pieces += [str(n) for n in numbers[k : last + 1]]
        k = last + 1
    return f"{'rep' if len(numbers) == 1 else 'reps'} {joined(pieces)}"


def excluded(judged: JudgedRep) -> str:
    """Why an attempt could not be scored."""
    before = "Before rep" if judged.excluded == "false_start" else "Rep"
    return f"{before} {judged.number}: {EXCLUSIONS[judged.excluded].text}."


def headline(
    drill: Drill | None,
    judged: Sequence[JudgedRep],
    asked: int | None,
    median_hold_s: float | None,
    unseen_s: float = 0.0,
) -> str:
    """What was done, in one or two short sentences. asked: the dose of reps, of a plan or the drill's usual one.

    unseen_s: of the set, for want of data: what was done then is not known.
    """
    scored = [j for j in judged if not j.excluded]
    lost = [j for j in judged if j.excluded and not EXCLUSIONS[j.excluded].given_up]
    done = len(scored) + len(lost)
    if not done:
        if unseen_s:
            return f"The arm was not seen for {unseen_s:.0f} s: what was done then is not known. No rep was seen."
        return "No rep was found in this set."
    count = done_of(done, asked, asked=drill is not None and drill.dose.asked)
    if unseen_s:
        count = f"{counted(done, 'rep')} seen"
    parts = [f"{count}, {len(clean(judged))} clean." if drill is not None and scored else f"{count}."]
    if drill is not None and drill.top.hold_s > 0 and not drill.by_stations and median_hold_s is not None:
        parts.append(f"Held {median_hold_s:.1f} s of {drill.top.hold_s:g} s (median).")
    if lost:
        parts.append(f"{len(lost)} could not be scored.")
    attempts = [j for j in judged if j.excluded and EXCLUSIONS[j.excluded].given_up]
    if attempts:
        parts.append(f"{len(attempts)} started but not finished.")
    if unseen_s:
        parts.append(f"The arm was not seen for {unseen_s:.0f} s: reps done then are not counted and not missing.")
    return " ".join(parts)


def change(drill: Drill | None, judged: Sequence[JudgedRep]) -> str:
    """The one thing to change next time, with the reps it comes from; empty when nothing was missed.

    A fault of the athlete goes before trouble with a sensor. A fault of which the drill's cautions speak brings them
    along, and goes before one whose advice asks the arm for more.
    """
    scored = [j for j in judged if not j.excluded]
    by_fault = {fault: [j.number for j in scored if fault.name in j.faults] for fault in RAISED}
    present = [fault for fault, numbers in by_fault.items() if numbers]
    if not present:
        by_reason = {own: [j.number for j in judged if j.excluded == own.name] for own in EXCLUSIONS.values()}
        told = (f"{own.advice}: {rep_list(numbers)}." for own, numbers in by_reason.items() if own.advice and numbers)
        return next(told, "")
    # The most frequent fault leads; among equals the first in a coach's order.
    worst = max(present, key=lambda fault: len(by_fault[fault]))
    if worst.asks_more:
        worst = next((fault for fault in present if fault.cautions_in(drill)), worst)
    return " ".join([f"{worst.advice}: {rep_list(by_fault[worst])}.", *worst.cautions_in(drill)])


def holder_change(judged: Sequence[JudgedRep]) -> str:
    """The same for the arm that holds throughout: it has no reps to name."""
    scored = [j for j in judged if not j.excluded]
    if any(map(sank, scored)):
        return f"{HOLDER_SINKS}."
    faults = {fault for j in scored for fault in j.faults}
    return next((f"{fault.advice}." for fault in RAISED if fault.name in faults), "")


def faults_by_rep(judged: Sequence[JudgedRep]) -> list[dict[str, Any]]:
    """Each fault that scored reps show, with their numbers: the most frequent first, then in a coach's order."""
    scored = [j for j in judged if not j.excluded]
    found = [{"name": own.name, "reps": [j.number for j in scored if own.name in j.faults]} for own in RAISED]
    return sorted((entry for entry in found if entry["reps"]), key=lambda entry: -len(entry["reps"]))


def sank(judged: JudgedRep) -> bool:
    """Whether a holding arm stayed under its band, or left its hold downward."""
    dropped = "hold_broken" in judged.faults and not judged.values["break_deg"] > 0
    return dropped or "short_arc" in judged.faults
