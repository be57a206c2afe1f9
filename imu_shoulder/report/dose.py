"""How much was done of what was asked, arm by arm: sets as well as reps, and where some are missing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from imu_shoulder.assess.words import counted

Entry = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class ArmDose:
    """The dose of one drill and arm. sets, reps: of the dose, reps of one set.

    done: number and reps of each set that was done, of those that the dose has; reps None where no sensor saw them.
    asked: whether a plan asked the dose; else it is the drill's usual one. unseen_s: of the sets, for want of
    data.
    """

    title: str
    side: str
    sets: int
    reps: int
    done: tuple[tuple[int, int | None], ...]
    asked: bool
    unseen_s: float = 0.0

    @property
    def reps_done(self) -> int:
        """What one set has too many makes up for no other set."""
        return sum(min(reps or 0, self.reps) for _, reps in self.done)

    @property
    def reps_of_all(self) -> int:
        return self.sets * self.reps

    @property
    def missing(self) -> float:
        """The share of the reps that was not done, or not seen."""
        return 1.0 - self.reps_done / self.reps_of_all

    @property
    def text(self) -> str:
        """Where it stands: `1 of 2 sets, 8 of 20 reps (set 3: 8 of 10)`."""
        if not self.done:
            return f"skipped ({counted(self.sets, 'set')} of {counted(self.reps, 'rep')})"
        seen = [reps for _, reps in self.done if reps is not None]
        parts = [] if len(self.done) == self.sets else [f"{len(self.done)} of {counted(self.sets, 'set')}"]
        parts.append(f"{self.reps_done} of {counted(self.reps_of_all, 'rep')}" if seen else "reps not seen")
        if self.unseen_s:
            parts.append(f"{self.unseen_s:.0f} s not seen, so that more may have been done")
        where = ", ".join(self._short()) if self.asked else ""
        return ", ".join(parts) + (f" ({where})" if where else "")

    def _short(self) -> list[str]:
        """The sets that were done with fewer reps than asked, or were not seen."""
        several = self.sets > 1
        return [
            f"set {number}" + ("" if reps is not None and not several else f": {_seen(reps, self.reps)}")
            for number, reps in self.done
            if reps is None or reps < self.reps
        ]


def _seen(reps: int | None, asked: int) -> str:
    return "not seen" if reps is None else f"{reps} of {asked}"


def doses(summary: Mapping[str, Any]) -> list[ArmDose]:
    """Of each drill and arm of the plan, in its order; without a plan, of each that was done."""
    plan = summary.get("plan")
    if plan and plan.get("drills") is not None:
        return [dose for item in plan["drills"] for dose in _planned(item)]
    found: dict[tuple[str, str], list[Entry]] = {}
    for entry in sorted(summary["sets"], key=lambda entry: (entry["set"], entry["side"] != "right")):
        if entry.get("role") != "hold" and entry.get("drill") and entry["asked"].get("reps"):
            found.setdefault((entry["drill"], entry["side"]), []).append(entry)
    return [_usual(entries) for entries in found.values()]


def _planned(item: Mapping[str, Any]) -> list[ArmDose]:
    return [
        arm_dose(item["title"], side, item["asked"]["sets"], reps, [d for d in item["done"] if d["side"] == side])
        for side, reps in item["asked"]["reps"].items()
    ]


def arm_dose(title: str, side: str, sets: int, reps: int, done: Sequence[Mapping[str, Any]]) -> ArmDose:
    """A dose that a plan asked. done: `set` and `reps` of each set that counts for it."""
    return ArmDose(title, side, sets, reps, tuple((d["set"], d["reps"]) for d in done), True, _unseen_s(done))


def _usual(entries: Sequence[Entry]) -> ArmDose:
    asked = entries[0]["asked"]
    sets = asked.get("sets") or len(entries)
    done = tuple((entry["set"], entry["done"].get("reps")) for entry in entries)[:sets]
    title = str(entries[0].get("title") or entries[0]["drill"])
    return ArmDose(title, entries[0]["side"], sets, asked["reps"], done, asked.get("by") == "plan", _unseen_s(entries))


def _unseen_s(sets: Sequence[Mapping[str, Any]]) -> float:
    return float(sum(entry.get("unseen_s") or 0.0 for entry in sets))


def list_of(short: Sequence[ArmDose], most: int, *, more: bool = True) -> str:
    """The doses that lack most, most of all first, and how many more there are. Two arms with the same are one."""
    arms: dict[tuple[str, str], list[ArmDose]] = {}
    for dose in sorted(short, key=lambda dose: -dose.missing):
        arms.setdefault((dose.title, dose.text), []).append(dose)
    named = [f"{title}, {_arms(found)}: {text}" for (title, text), found in arms.items()]
    others = [f"and {len(named) - most} more"] if more and len(named) > most else []
    return "; ".join([*named[:most], *others])


def _arms(doses: Sequence[ArmDose]) -> str:
    return f"{doses[0].side} arm" if len(doses) == 1 else "each arm"
