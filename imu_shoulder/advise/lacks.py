"""What a set lacks of the criteria, and for which reason: the first thing first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from imu_shoulder.advise import Criteria
from imu_shoulder.assess.faults import FAULTS
from imu_shoulder.assess.words import counted, rep_list
from imu_shoulder.drills import Drill

Entry = Mapping[str, Any]
Reason = Literal["pain", "dose", "scored", "caution", "clean", "below"]
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Lack:
    """One thing a set lacks. reason: dose is said of reps that were clean, only too few. text: what there was."""

    reason: Reason
    wanted: str
    text: str


@dataclass(frozen=True, slots=True)
class Counts:
    """Reps of a lifting arm; of an arm that holds, its one hold. asked: of the dose. by_plan: whether one asked it."""

    done: int
    scored: int
    clean: int
    asked: int
    by_plan: bool


def counts_of(entry: Entry) -> Counts:
    """Reps that could not be scored are not clean ones."""
    by_plan = entry["asked"].get("by") == "plan"
    if entry["role"] == "hold":
        judged = [criterion for criterion in entry["criteria"] if criterion["met"] or criterion["missed"]]
        kept = not any(criterion["missed"] for criterion in judged)
        return Counts(1, int(bool(judged)), int(bool(judged) and kept), 1, by_plan)
    done, clean, scored = (entry["done"][key] or 0 for key in ("reps", "clean", "scored"))
    return Counts(done, scored, clean, entry["asked"]["reps"] or done, by_plan)


def lacks(entry: Entry, criteria: Criteria, ceiling: float, drill: Drill | None = None) -> list[Lack]:
    """All that one set lacks, in the order in which a coach would look at it. drill: whose cautions are looked at."""
    found = counts_of(entry)
    where, holds = f"set {entry['set']}", entry["role"] == "hold"
    out = []
    pain = entry.get("pain")
    if criteria.pain_within_ceiling and (pain is None or pain > ceiling):
        out.append(Lack("pain", "pain rated and within the ceiling", f"{where}: {_pain(pain)}"))
    share = max(criteria.done_at_least or 0.0, criteria.clean_at_least or 0.0)
    wanted = "the asked reps" if found.by_plan else "the usual dose of reps"
    few = criteria.done_at_least is not None and found.done < criteria.done_at_least * found.asked - ROUNDING
    unclean = criteria.clean_at_least is not None and (
        not found.asked or found.clean < criteria.clean_at_least * found.asked - ROUNDING
    )
    # Reps that were clean and too few are a matter of the dose, those that were lost of the sensors.
    clean_enough = found.clean >= (criteria.clean_at_least or 0.0) * found.scored - ROUNDING
    lost = found.scored < found.done
    if few or (unclean and clean_enough and not lost):
        whole = f"all of {wanted}" if share == 1.0 else wanted
        out.append(Lack("dose", whole, f"{where}: {found.done} of {found.asked}"))
    if unclean and lost and clean_enough:
        out.append(Lack("scored", "reps that can be scored", f"{where}: {found.scored} of {found.done}"))
    cautioned = _cautioned(entry, drill)
    out += [Lack("caution", f"no {label}", f"{where}, {reps}") for label, reps in cautioned]
    if unclean and not clean_enough and criteria.clean_at_least is not None:
        if holds:
            out.append(Lack("clean", "the hold kept for the whole set", f"{where}: not kept"))
        else:
            wanted = f"at least {criteria.clean_at_least * 100:.0f} % of the reps clean"
            out.append(Lack("clean", wanted, f"{where}: {found.clean} of {found.scored}"))
    below = criteria.clean_below
    if below is not None and (not found.scored or found.clean >= below * found.scored - ROUNDING):
        of_scored = f"{found.clean} of {counted(found.scored, 'scored rep')} clean"
        out.append(Lack("below", f"under {below * 100:.0f} % clean", f"{where}: {of_scored}"))
    return out


def _pain(pain: float | None) -> str:
    return "not rated" if pain is None else f"{pain:g} of 10"


def _cautioned(entry: Entry, drill: Drill | None) -> list[tuple[str, str]]:
    """Faults of the set of which the drill's cautions speak, and their reps."""
    found = [(FAULTS[own["name"]], own["reps"]) for own in entry.get("faults") or [] if own["name"] in FAULTS]
    return [(fault.label, rep_list(reps)) for fault, reps in found if fault.cautions_in(drill)]
