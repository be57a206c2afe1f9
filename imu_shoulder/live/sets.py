"""A set while it goes on: the file's own segmentation on what was seen so far, reps frozen as they end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from imu_shoulder.analysis import AnalysedSet
from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.angles.lean import drill_stance, off_upright, upright_only
from imu_shoulder.assess.judge import JudgedRep, judge_set
from imu_shoulder.drills import Drill
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.rows import Rows
from imu_shoulder.live.stations import StationWatch
from imu_shoulder.live.watch import ArmWatch
from imu_shoulder.model import BoolArray, Event, FloatArray, Side
from imu_shoulder.segment.model import ArmSet, Rep
from imu_shoulder.segment.sets import segment_set
from imu_shoulder.segment.stations import posture_names

# What counts on the way to a rep's number: a false start does not.
ATTEMPTS = ("rep", "partial")
AROUND_S = 2.0
LAST_HOLDS = 5
# Where no rep can end, the set is cut into reps this seldom.
SELDOM_S = 1.0
# After a rep may have ended it is cut as often for so long: by then the rep is final.
AFTER_S = 0.7


@dataclass(frozen=True, slots=True)
class FinalRep:
    """A rep that will not change any more. known_s: when it became final."""

    judged: JudgedRep
    known_s: float


@dataclass(frozen=True, slots=True)
class Told:
    """What the final reps of an arm say to the athlete: the last holds, the faults of the last rep, reps not seen."""

    holds_s: tuple[float, ...] = ()
    hold_sds_deg: tuple[float, ...] = ()
    faults: tuple[str, ...] = ()
    unseen: tuple[int, ...] = ()


NOTHING_TOLD = Told()


def _told(final: Sequence[FinalRep]) -> Told:
    judged = [rep.judged for rep in final]
    last = [j.values for j in judged if j.rep.kind == "rep"][-LAST_HOLDS:]
    return Told(
        tuple(round(v["hold_s"], 1) for v in last if np.isfinite(v["hold_s"])),
        tuple(v["hold_sd_deg"] for v in last),
        judged[-1].faults,
        tuple(j.number for j in judged if j.excluded == "gap"),
    )


class _Arm:
    """One arm's rows: time, seen, clipped, then the angles by name."""

    def __init__(self, names: Sequence[str]) -> None:
        self.names = tuple(names)
        self.rows = Rows(3 + len(self.names))

    def columns(self, table: FloatArray) -> dict[str, FloatArray]:
        return {name: table[:, 3 + k] for k, name in enumerate(self.names)}


class LiveSet:
    """One set of one or both arms. asked: the drill with the dose of each lifting arm."""

    def __init__(
        self, number: int, event: Event, drill: Drill, asked: Mapping[Side, Drill], rate_hz: float, params: LiveParams
    ) -> None:
        self.number, self.event, self.drill, self.asked = number, event, drill, asked
        self._step = max(1, round(rate_hz / params.grid_hz))
        self.rate_hz = rate_hz / self._step
        self._params = params
        self._arms: dict[Side, _Arm] = {}
        self.watches: dict[Side, ArmWatch] = {}
        self.final: dict[Side, list[FinalRep]] = {}
        self.told: dict[Side, Told] = {}
        self.events: dict[str, dict[str, Any]] = {}
        self.shown: dict[Side, int] = {}
        self._row = 0
        self._cut_s = self._ending_s = -np.inf
        # When all that had been lowered by then was final.
        self._settled_s: dict[Side, float] = {}

    def restart(self) -> bool:
        """Forget all rows, to be given them anew. False where a rep is final already: that stays."""
        if any(self.final.values()):
            return False
        self._arms, self.watches, self._row = {}, {}, 0
        return True

    def push(
        self,
        time_s: FloatArray,
        arms: Mapping[Side, ArmAngles],
        seen: Mapping[Side, BoolArray],
        clipped: Mapping[Side, BoolArray],
    ) -> None:
        """New rows of the common grid, inside the set."""
        take = slice((-self._row) % self._step, None, self._step)
        self._row += len(time_s)
        stance, leant_deg = drill_stance(self.drill), self._params.flow.angles.leant_deg
        for side, arm in arms.items():
            arm = upright_only(arm, off_upright(arm, stance, leant_deg))
            columns = {**arm.angles, **arm.hidden}
            kept = self._arms.setdefault(side, _Arm(list(columns)))
            parts = [time_s, seen[side], clipped[side], *(columns[name] for name in kept.names)]
            kept.rows.append(np.array(parts)[:, take].T)
            self._watch(side, kept, time_s[take])

    def cut(self, now_s: float) -> None:
        """Cut the set into reps, if it is time, and freeze those that have ended."""
        if any(map(self._may_end, self.watches)):
            self._ending_s = now_s
        every_s = self._params.segment_s if now_s - self._ending_s < AFTER_S else SELDOM_S
        if now_s - self._cut_s < every_s or not self._arms:
            return
        self._cut_s = now_s
        for arm_set in self._segmented(now_s):
            self._update(arm_set, now_s, ended=False)

    def _may_end(self, side: Side) -> bool:
        """Whether a rep of this arm may be ending: it was lowered, and what came of that is not final yet."""
        watch = self.watches[side]
        if isinstance(watch, StationWatch):
            return True
        if watch.role != "lift" or watch.phase in ("lift", "hold"):
            return False
        if watch.phase == "lower":
            return watch.is_back
        return watch.phase == "unseen" or watch.lowered_s > self._settled_s.get(side, -np.inf)

    def close(self, now_s: float) -> list[AnalysedSet]:
        """The set is over: what is left ends with it. Gives each arm judged over the whole set."""
        self.event = replace(self.event, duration_s=now_s - self.event.onset_s)
        if not self._arms:
            return []
        for arm_set in self._segmented(now_s):
            self._update(arm_set, now_s, ended=True)
        out = []
        for arm_set in self._sets(self.event):
            # What was counted stays as it was counted.
            reps = arm_set.reps
            if arm_set.role == "lift":
                reps = tuple(final.judged.rep for final in self.final.get(arm_set.side, []))
            drill = self.asked.get(arm_set.side, arm_set.drill)
            arm_set = replace(arm_set, drill=drill, reps=reps)
            out.append(AnalysedSet(arm_set, self._judged(arm_set, self._arms[arm_set.side].rows.table)))
        return out

    def counted(self, side: Side) -> int:
        return self.shown.get(side, 0)

    def _watch(self, side: Side, kept: _Arm, time_s: FloatArray) -> None:
        name = next((n for n in (f"{self.drill.leading_angle}_deg", "forearm_elevation_deg") if n in kept.names), None)
        if name is None or not len(time_s):
            return
        if side not in self.watches:
            lifting = self.drill.arms == "each" or self.event.side in (side, "both", None)
            several = len(self.drill.stations) > 1 and {f"{n}_deg" for n in posture_names(self.drill)} <= {*kept.names}
            kind = StationWatch if several else ArmWatch
            self.watches[side] = kind(self.drill, "lift" if lifting else "hold", self.rate_hz, self._params)
        watch, new = self.watches[side], kept.rows.table[-len(time_s) :]
        angles = new[:, 3 + kept.names.index(name)].tolist()
        if not isinstance(watch, StationWatch):
            for time, angle in zip(time_s.tolist(), angles, strict=True):
                watch.push(time, angle)
            return
        postures = new[:, [3 + kept.names.index(f"{n}_deg") for n in watch.needs]].tolist()
        for time, angle, posture in zip(time_s.tolist(), angles, postures, strict=True):
            watch.posture(tuple(posture))
            watch.push(time, angle)

    def _segmented(self, now_s: float) -> list[ArmSet]:
        """The lifting arms' reps in the newest stretch of the set. It begins in a rest, where a rep ended."""
        ended = [final.judged.rep.end_s for finals in self.final.values() for final in finals]
        from_s = max([end for end in ended if end < now_s - self._params.window_s], default=self.event.onset_s)
        event = replace(self.event, onset_s=from_s, duration_s=now_s - from_s)
        return [arm_set for arm_set in self._sets(event) if arm_set.role == "lift"]

    def _sets(self, event: Event) -> tuple[ArmSet, ...]:
        tables = {side: arm.rows.since(event.onset_s) for side, arm in self._arms.items()}
        count = min(len(table) for table in tables.values())
        time_s = next(iter(tables.values()))[:count, 0]
        if count < 3:
            return ()
        arms = {side: _as_angles(side, arm.columns(tables[side][:count])) for side, arm in self._arms.items()}
        return segment_set(self.number, event, self.drill, time_s, self.rate_hz, arms, self._params.flow.segment)

    def _update(self, arm_set: ArmSet, now_s: float, *, ended: bool) -> None:
        params, side = self._params, arm_set.side
        final = self.final.setdefault(side, [])
        frozen_s = final[-1].judged.rep.end_s if final else -np.inf
        fresh = [r for r in arm_set.reps if r.kind in ATTEMPTS and (r.top_start_s + r.top_end_s) / 2 > frozen_s]
        pauses = any(pause.way == "down" for pause in self.drill.pauses)
        share = params.paused_share if pauses else params.returned_share
        number = len(final)
        counted = sum(f.judged.rep.kind == "rep" for f in final)
        still_final = True
        for k, rep in enumerate(fresh):
            back = rep.end_deg - rep.start_deg <= share * max(rep.arc_deg, 0.0)
            age_s = now_s - rep.end_s
            over = ended or k + 1 < len(fresh) or (age_s >= params.settled_s and (back or age_s >= params.stuck_s))
            number += 1
            name = f"{self.number}-{side}-{number}"
            if still_final and over:
                judged = self._freeze(arm_set, rep, number)
                final.append(FinalRep(judged, now_s))
                self.told[side] = _told(final)
                self.events[name] = self._event(name, side, judged, now_s)
                counted += rep.kind == "rep"
                continue
            still_final = False
            self.events[name] = _provisional(name, side, self.number, number, rep)
            counted += rep.kind == "rep" and back and age_s >= params.counted_s
        if still_final and fresh:
            self._settled_s[side] = now_s
        kept = {f"{self.number}-{side}-{k + 1}" for k in range(number)}
        for name in [n for n, e in self.events.items() if e["side"] == side and not e["final"] and n not in kept]:
            del self.events[name]
        # What was shown as counted is not taken back while the rep is still coming to rest.
        self.shown[side] = max(self.shown.get(side, 0), counted)

    def _freeze(self, arm_set: ArmSet, rep: Rep, number: int) -> JudgedRep:
        """Measure and judge the rep against its drill, with as much around it as the measures' filters look at."""
        whole = self._arms[arm_set.side].rows.since(arm_set.start_s)
        first = int(np.searchsorted(whole[:, 0], rep.start_s - AROUND_S))
        table, curve = whole[first : len(arm_set.curve_deg)], arm_set.curve_deg[first:]
        drill = self.asked.get(arm_set.side, self.drill)
        near = replace(arm_set, drill=drill, rows=(0, len(table)), curve_deg=curve, reps=(rep,))
        return replace(self._judged(near, table)[0], number=number)

    def _judged(self, arm_set: ArmSet, table: FloatArray) -> tuple[JudgedRep, ...]:
        arm = self._arms[arm_set.side]
        seen, clipped = table[:, 1] > 0, table[:, 2] > 0
        columns = arm.columns(table)
        return judge_set(arm_set, table[:, 0], self.rate_hz, columns, seen, clipped, self._params.flow.judge)

    def _event(self, name: str, side: Side, judged: JudgedRep, now_s: float) -> dict[str, Any]:
        out = _provisional(name, side, self.number, judged.number, judged.rep)
        hold_s = judged.values["hold_s"]
        return {
            **out,
            "final": True,
            "known_s": now_s,
            "hold_s": float(hold_s) if np.isfinite(hold_s) else None,
            "faults": list(judged.faults),
            "excluded": judged.excluded,
        }


def _provisional(name: str, side: Side, set_number: int, number: int, rep: Rep) -> dict[str, Any]:
    return {
        "id": name,
        "final": False,
        "set": set_number,
        "side": side,
        "rep": number,
        "kind": rep.kind,
        "start_s": rep.start_s,
        "top_start_s": rep.top_start_s,
        "top_end_s": rep.top_end_s,
        "end_s": rep.end_s,
        "top_deg": rep.top_deg,
    }


def _as_angles(side: Side, columns: Mapping[str, FloatArray]) -> ArmAngles:
    from imu_shoulder.angles.skin import SkinShare

    nothing = np.empty(0)
    return ArmAngles(side, "gravity", columns, nothing, SkinShare(1.0, 0.0, 0.0))
