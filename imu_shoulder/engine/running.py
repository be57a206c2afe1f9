"""A set while it goes on: the file's own segmentation on what was seen so far, reps judged and frozen as they end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from imu_shoulder.analysis import AnalysedSet, Params
from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.angles.lean import UNSAID, drill_stance, off_upright, upright_only
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.drills import Drill
from imu_shoulder.engine.blade import BladeReps
from imu_shoulder.engine.judging import OF_THE_OTHER_ARM, Seen, judge_arm_set, judge_next_rep
from imu_shoulder.engine.posture_watch import PostureWatch
from imu_shoulder.engine.spread import Spread
from imu_shoulder.engine.watch import ArmWatch
from imu_shoulder.model import SIDES, WRIST, BoolArray, Event, FloatArray, Side, Track, on_arm
from imu_shoulder.rows import Rows
from imu_shoulder.segment.model import ArmSet, Rep, unseen_stretches
from imu_shoulder.segment.sets import heading_sd_deg, held_while, leading_curve, leading_name, segment_set
from imu_shoulder.segment.station_reps import posture_names
from imu_shoulder.segment.unguided import ANGLE, counting_track, marked_set

# What counts on the way to a rep's number: a false start does not.
ATTEMPTS = ("rep", "partial")
# Where no rep can end, the set is cut into reps this seldom.
SELDOM_S = 1.0
# After a rep may have ended it is cut as often for so long: by then the rep is final.
AFTER_S = 0.7
# A final rep that goes on for longer than this after all is judged once more.
GOES_ON_S = 0.5


@dataclass(frozen=True, slots=True)
class FinalRep:
    """A rep that was told. known_s: when it was. revised: why it was judged once more, empty for never."""

    judged: JudgedRep
    known_s: float
    revised: str = ""


class _Arm:
    """One arm's rows: time, seen, clipped, then the angles by name; and, to count by, its sensor's samples."""

    def __init__(self, names: Sequence[str], *, counts: bool) -> None:
        self.names = tuple(names)
        self.rows = Rows(3 + len(self.names))
        # Time, acceleration and rate, valid and clipped of an arm whose sensors do not show what the drill asks.
        self.counting = Rows(9) if counts else None

    def columns(self, table: FloatArray) -> dict[str, FloatArray]:
        return {name: table[:, 3 + k] for k, name in enumerate(self.names)}


class RunningSet:
    """One set of one or both arms. asked: the drill with the dose of each lifting arm."""

    def __init__(
        self,
        number: int,
        event: Event,
        drill: Drill | None,
        asked: Mapping[Side, Drill],
        rate_hz: float,
        params: Params,
        blades: BladeReps,
    ) -> None:
        self.number, self.event, self.drill, self.asked = number, event, drill, asked
        self._step = max(1, round(rate_hz / params.stream.grid_hz))
        self.rate_hz = rate_hz / self._step
        self._params, self._blades = params, blades
        self._stance = UNSAID if drill is None else drill_stance(drill)
        self.spread = Spread(params, self._stance)
        self._arms: dict[Side, _Arm] = {}
        self.watches: dict[Side, ArmWatch] = {}
        self.final: dict[Side, list[FinalRep]] = {}
        # What has begun and is not final yet, by arm.
        self.open: dict[Side, list[Rep]] = {}
        self.shown: dict[Side, int] = {}
        self.slipped_s: dict[Side, float] = {}
        # Of each arm: its role, the angle it is cut by, and what its elevation is about.
        self.told_by: dict[Side, tuple[str, str, str]] = {}
        # How often `final` and `open` were looked at and may have changed.
        self.changes = 0
        self._row = 0
        self._cut_s = self._ending_s = -inf
        # When all that had been lowered by then was final.
        self._settled_s: dict[Side, float] = {}

    @property
    def sides(self) -> tuple[Side, ...]:
        """The arms whose angles the set needs."""
        alone = self.drill is not None and self.drill.arms == "each" and self.event.side in SIDES
        return tuple(side for side in SIDES if not alone or side == self.event.side)

    @property
    def told(self) -> int:
        """How many reps are final."""
        return sum(map(len, self.final.values()))

    def restart(self) -> None:
        """Forget all rows, to be given them anew. What was told stays."""
        self._arms, self.watches, self._row = {}, {}, 0
        self.spread.restart()

    def push(
        self,
        time_s: FloatArray,
        arms: Mapping[Side, ArmAngles],
        seen: Mapping[Side, tuple[BoolArray, BoolArray]],
        tracks: Mapping[str, Track],
    ) -> None:
        """New rows of the common grid, inside the set. seen: and clipped. tracks: of all sensors, to count by."""
        take = slice((-self._row) % self._step, None, self._step)
        self._row += len(time_s)
        for side, arm in arms.items():
            arm = upright_only(arm, off_upright(arm, self._stance, self._params.angles.leant_deg))
            columns = {**arm.angles, **arm.hidden}
            if side not in self._arms:
                named = self.event.side in (side, "both", None)
                shows = self.drill is not None and leading_curve(arm, self.drill, slice(None)) is not None
                if not shows and not named:
                    continue
                self._arms[side] = _Arm(list(columns), counts=not shows)
                role = "lift" if named or self.drill is None or self.drill.arms == "each" else "hold"
                angle = (leading_name(arm.angles, self.drill) if shows and self.drill is not None else None) or ANGLE
                self.told_by[side] = role, angle, arm.reference_of(slice(None))
            kept = self._arms[side]
            missing = np.full(len(time_s), np.nan)
            parts = [time_s, *seen[side], *(columns.get(name, missing) for name in kept.names)]
            kept.rows.append(np.concatenate(parts).reshape(len(parts), -1)[:, take].T)
            if kept.counting is not None:
                own = counting_track(tracks, side)
                table = np.column_stack([time_s, own.acc_m_s2, own.gyr_rad_s, own.valid, own.clipped])
                kept.counting.append(table[take])
            else:
                self._watch(side, kept, time_s[take])

    def cut(self, now_s: float) -> None:
        """Cut the set into reps, if it is time, and freeze those that have ended."""
        if any(map(self._may_end, self.watches)):
            self._ending_s = now_s
        every_s = self._params.stream.segment_s if now_s - self._ending_s < AFTER_S else SELDOM_S
        # Half a row of slack: times are sums.
        if now_s - self._cut_s < every_s - 0.5 / self.rate_hz or not self.watches:
            return
        self._cut_s = now_s
        for arm_set in self._segmented(now_s, ended=False):
            self._update(arm_set, now_s, ended=False)

    def _may_end(self, side: Side) -> bool:
        """Whether a rep of this arm may be ending: it was lowered, and what came of that is not final yet."""
        watch = self.watches[side]
        if isinstance(watch, PostureWatch):
            return True
        if watch.role != "lift" or watch.phase in ("lift", "hold"):
            return False
        if watch.phase == "lower":
            return watch.is_back
        return watch.phase == "unseen" or watch.lowered_s > self._settled_s.get(side, -inf)

    def close(self, end_s: float) -> list[AnalysedSet]:
        """The set is over: what is left ends with it. What was counted stays as it was counted."""
        self.event = replace(self.event, duration_s=end_s - self.event.onset_s)
        for arm_set in self._segmented(end_s, ended=True):
            self._update(arm_set, end_s, ended=True)
        self.open = {}
        self.changes += 1
        out = []
        guided = self._sets(self.event)
        for arm_set in guided:
            side = arm_set.side
            arm_set = replace(arm_set, drill=self.drill_of(side), unseen=self._unseen(arm_set))
            if arm_set.role == "lift":
                judged = tuple(final.judged for final in self.final.get(side, []))
                arm_set = replace(arm_set, reps=tuple(own.rep for own in judged))
            else:
                lifted = [f.judged.rep for finals in self.final.values() for f in finals if f.judged.rep.kind == "rep"]
                time_s = self._arms[side].rows.time_s[slice(*arm_set.rows)]
                arm_set = replace(arm_set, reps=held_while(lifted, time_s, arm_set.curve_deg, self.event))
                judged = judge_arm_set(
                    arm_set, self._seen(side, arm_set.start_s, (-inf, inf)), self._params.judge, self._slipped(side)
                )
                self.final[side] = [FinalRep(own, end_s) for own in judged]
            out.append(AnalysedSet(arm_set, judged))
        return out + [self._counted_only(side, arm) for side, arm in self._arms.items() if arm.counting is not None]

    def recent(self, from_s: float) -> tuple[FloatArray, dict[Side, ArmAngles]]:
        """The rows (N,) from a time on, and the angles of each arm that has any."""
        shown = {side: arm for side, arm in self._arms.items() if arm.counting is None}
        tables = {side: arm.rows.since(from_s) for side, arm in shown.items()}
        count = min(map(len, tables.values()), default=0)
        arms = {side: _as_angles(side, arm.columns(tables[side][:count])) for side, arm in shown.items()}
        return (next(iter(tables.values()))[:count, 0] if tables else np.empty(0)), arms

    def drill_of(self, side: Side) -> Drill | None:
        """The drill with the dose of this arm."""
        return self.asked.get(side, self.drill)

    def counted(self, side: Side) -> int:
        return self.shown.get(side, 0)

    def slip(self, side: Side, slipped_s: float) -> None:
        """A sensor of the arm turned on its strap: reps that ended later are not scored, those told so far included."""
        self.slipped_s[side] = slipped_s
        self.changes += 1
        for place, final in enumerate(self.final.get(side, [])):
            judged = without_slipped(final.judged, slipped_s)
            if judged is not final.judged:
                self.final[side][place] = FinalRep(judged, final.known_s, "a sensor had slipped")

    def _slipped(self, side: Side) -> float:
        return self.slipped_s.get(side, inf)

    def _watch(self, side: Side, kept: _Arm, time_s: FloatArray) -> None:
        if not len(time_s):
            return
        role, name, _ = self.told_by[side]
        new = kept.rows.table[-len(time_s) :]
        if side not in self.watches:
            assert self.drill is not None
            several = self.drill.by_stations and {f"{n}_deg" for n in posture_names(self.drill)} <= {*kept.names}
            kind = PostureWatch if several else ArmWatch
            lost_deg = heading_sd_deg(_as_angles(side, kept.columns(new)), slice(None))
            faces = lost_deg <= self._params.segment.heading_sd_deg
            told_by = self.drill if faces else self.drill.facing_anywhere()
            self.watches[side] = kind(told_by, role, self.rate_hz, self._params.stream)
        watch = self.watches[side]
        angles = new[:, 3 + kept.names.index(f"{name}_deg")].tolist()
        if not isinstance(watch, PostureWatch):
            for time, angle in zip(time_s.tolist(), angles, strict=True):
                watch.push(time, angle)
            return
        postures = new[:, [3 + kept.names.index(f"{n}_deg") for n in watch.needs]].tolist()
        for time, angle, posture in zip(time_s.tolist(), angles, postures, strict=True):
            watch.posture(tuple(posture))
            watch.push(time, angle)

    def _segmented(self, now_s: float, *, ended: bool) -> list[ArmSet]:
        """The lifting arms' reps in the newest stretch of the set. It begins in a rest, where a rep ended."""
        ends_s = [final.judged.rep.end_s for finals in self.final.values() for final in finals]
        window_s = self._params.stream.window_s
        from_s = max([end for end in ends_s if end < now_s - window_s], default=self.event.onset_s)
        event = replace(self.event, onset_s=from_s, duration_s=now_s - from_s)
        marks = from_s == self.event.onset_s, ended
        return [arm_set for arm_set in self._sets(event, marks) if arm_set.role == "lift"]

    def _sets(self, event: Event, marks: tuple[bool, bool] = (True, True)) -> tuple[ArmSet, ...]:
        """marks: whether the event begins and ends where the set does."""
        shown = {side: arm for side, arm in self._arms.items() if arm.counting is None}
        if self.drill is None or not shown:
            return ()
        tables = {side: arm.rows.since(event.onset_s) for side, arm in shown.items()}
        count = min(len(table) for table in tables.values())
        time_s = next(iter(tables.values()))[:count, 0]
        if count < 3:
            return ()
        arms = {side: _as_angles(side, arm.columns(tables[side][:count])) for side, arm in shown.items()}
        return segment_set(self.number, event, self.drill, time_s, self.rate_hz, arms, self._params.segment, marks)

    def _update(self, arm_set: ArmSet, now_s: float, *, ended: bool) -> None:
        self.changes += 1
        params, side = self._params.stream, arm_set.side
        final = self.final.setdefault(side, [])
        if final:
            self._judge_again(arm_set, final, now_s, ended=ended)
        frozen_s = final[-1].judged.rep.end_s if final else -inf
        fresh = [r for r in arm_set.reps if _middle_s(r) > frozen_s and not (final and _holds(r, final[-1]))]
        drill = self.drill_of(side)
        pauses = drill is not None and any(pause.way == "down" for pause in drill.pauses)
        share = params.paused_share if pauses else params.returned_share
        counted = sum(f.judged.rep.kind == "rep" for f in final)
        self.open[side] = []
        waiting: list[Rep] = []
        still_final = True
        for k, rep in enumerate(fresh):
            if rep.kind not in ATTEMPTS:
                # Seldom what it seems while it goes on: it is told with the rep after it.
                waiting.append(rep)
                continue
            back = rep.end_deg - rep.start_deg <= share * max(rep.arc_deg, 0.0)
            age_s = now_s - rep.end_s
            more = any(later.kind in ATTEMPTS for later in fresh[k + 1 :])
            over = ended or more or (age_s >= params.settled_s and (back or age_s >= params.stuck_s))
            counted += rep.kind == "rep" and (over or (back and age_s >= params.counted_s))
            still_final &= over
            if still_final:
                for own in (*waiting, rep):
                    final.append(FinalRep(self._freeze(arm_set, own, final), now_s))
                waiting = []
            else:
                self.open[side].append(rep)
        if ended:
            final += [FinalRep(self._freeze(arm_set, own, final), now_s) for own in waiting]
        if still_final and fresh:
            self._settled_s[side] = now_s
        # What was shown as counted is not taken back while the rep is still coming to rest.
        self.shown[side] = max(self.shown.get(side, 0), counted)

    def _judge_again(self, arm_set: ArmSet, final: list[FinalRep], now_s: float, *, ended: bool) -> None:
        """A rep that was told and then went on: a hold that was left and taken up again. It stays one rep."""
        last = final[-1]
        again = next((r for r in arm_set.reps if _holds(r, last)), None)
        if again is None or again.end_s < last.judged.rep.end_s + GOES_ON_S:
            return
        if ended or now_s - again.end_s >= self._params.stream.settled_s:
            final.pop()
            judged = self._freeze(arm_set, again, final)
            final.append(FinalRep(judged, last.known_s, "the rep went on after it was told"))

    def _freeze(self, arm_set: ArmSet, rep: Rep, final: Sequence[FinalRep]) -> JudgedRep:
        """Measure and judge the rep against its drill, by the stretch of the set that was looked at."""
        side = arm_set.side
        seen = self._seen(side, arm_set.start_s, (rep.start_s, rep.end_s), len(arm_set.curve_deg))
        drill = self.drill_of(side)
        own = replace(arm_set, drill=drill, rows=(0, len(arm_set.curve_deg)), reps=(rep,))
        name = "" if drill is None else drill.id
        seen = replace(
            seen, columns={**seen.columns, **self._blades.columns(side, name, rep, seen.time_s, seen.columns)}
        )
        number = 1 + sum(f.judged.rep.kind in ATTEMPTS for f in final)
        before = [f.judged.rep for f in final]
        return judge_next_rep(own, seen, rep, number, before, self._params.judge, self._slipped(side))

    def _seen(self, side: Side, start_s: float, judged_s: tuple[float, float], count: int | None = None) -> Seen:
        """The rows from start_s on. judged_s: for when it is said how well the angles are known."""
        arm, other = self._arms[side], next((own for name, own in self._arms.items() if name != side), None)
        table = arm.rows.since(start_s)[:count]
        beside = None
        if other is not None:
            told = other.columns(other.rows.since(start_s)[: len(table)])
            beside = {name: told[name] for name in OF_THE_OTHER_ARM if name in told}
        columns = {**arm.columns(table), **self.spread.columns(side, table[:, 0], judged_s)}
        return Seen(table[:, 0], self.rate_hz, columns, table[:, 1] > 0, table[:, 2] > 0, beside)

    def _unseen(self, arm_set: ArmSet) -> tuple[tuple[float, float], ...]:
        """The stretches in which no data showed the angle that the set is cut by."""
        table = self._arms[arm_set.side].rows.since(self.event.onset_s)[: len(arm_set.curve_deg)]
        return unseen_stretches(table[:, 0], (table[:, 1] > 0) | np.isfinite(arm_set.curve_deg))

    def _counted_only(self, side: Side, arm: _Arm) -> AnalysedSet:
        assert arm.counting is not None
        table = arm.counting.table
        own = Track(on_arm(side, WRIST), table[:, 1:4], table[:, 4:7], table[:, 7] > 0, table[:, 8] > 0)
        span_s = self.event.onset_s, self.event.end_s
        arm_set = marked_set(self.number, self.drill_of(side), side, own, table[:, 0], self.rate_hz, span_s)
        judged = judge_arm_set(arm_set, self._seen(side, -inf, (-inf, inf)), self._params.judge, self._slipped(side))
        self.final[side] = [FinalRep(rep, span_s[1]) for rep in judged]
        return AnalysedSet(arm_set, judged)


def without_slipped(judged: JudgedRep, slipped_s: float) -> JudgedRep:
    """The rep as it is; not scored, if it ended after a sensor of its arm had slipped."""
    if judged.rep.end_s <= slipped_s or judged.excluded == "sensor_slip":
        return judged
    return replace(judged, excluded="sensor_slip", faults=())


def _middle_s(rep: Rep) -> float:
    return (rep.top_start_s + rep.top_end_s) / 2


def _holds(rep: Rep, final: FinalRep) -> bool:
    """Whether a rep takes in the top of one that was told."""
    return rep.kind in ATTEMPTS and rep.start_s < _middle_s(final.judged.rep) < rep.end_s


def _as_angles(side: Side, columns: Mapping[str, FloatArray]) -> ArmAngles:
    return ArmAngles(side, "gravity", columns, np.empty(0), SkinShare(1.0, 0.0, 0.0))
