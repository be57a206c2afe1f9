"""Performs one set: its reps, holds and faults, and notes what truly happened."""

from __future__ import annotations

from collections.abc import Mapping

from imu_shoulder.drills import load_shipped
from imu_shoulder.model import SIDES, Event, Side
from imu_shoulder.simulate.deviations import IN_HOLD, Deviation, deviated_start, deviated_stations, trunk_deg
from imu_shoulder.simulate.motions import MOTIONS, Posture, turned_hand
from imu_shoulder.simulate.script import SetScript, other_side
from imu_shoulder.simulate.stage import Attempt, Stage

WANDER_HZ = (0.2, 1.5)
TREMOR_HZ = (8.0, 12.0)
SHRUG_DEG = 12.0
FALSE_START_SHARE = 0.08
LIE_DOWN_S = 3.0
# When an arm that bounces leaves its hold, in shares of it, and how long one bounce takes.
BOUNCES, BOUNCE_S = (0.3, 0.65), 1.0


class SetPerformance:
    """One set on a stage. number: 1-based among the sets of the recording."""

    def __init__(self, stage: Stage, script: SetScript, number: int) -> None:
        self._stage = stage
        self._line = stage.line
        self._script = script
        self._number = number
        self._drill = load_shipped(script.drill)
        self._motion = MOTIONS[script.drill]
        self._holder = other_side(script.side) if self._drill.arms == "hold_and_lift" else None
        self._tremor_deg = stage.athlete.tremor_deg if script.tremor_deg is None else script.tremor_deg

    def perform(self) -> None:
        stage, script = self._stage, self._script
        if self._motion.lying:
            self._lie(-90.0 if script.side == "right" else 90.0, -0.8)
        starts = {side: self._starts(side) for side in script.sides}
        held_from_s = self._raise_both_first() if self._holder is not None else 0.0
        for side in script.sides:
            stage.go(side, starts[side][0], stage.now_s, 2.0)
        stage.now_s += 2.2
        onset_s = stage.now_s
        begin_s = end_s = onset_s + float(stage.rng.uniform(1.0, 2.0))
        for rep in range(1, script.rep_count + 1):
            working = [side for side in script.sides if rep <= script.reps_of(side)]
            end_s = max(self._rep(side, rep, begin_s, *starts[side][rep - 1 : rep + 1]) for side in working)
            self._lean(rep, begin_s, end_s)
            if self._holder is not None and "hold_broken" in self._holder_faults(rep):
                self._break(f"{self._holder}.elevation", (begin_s + end_s) / 2, 2.0, 35.0)
            self._deviate_holder(rep, begin_s, end_s)
            begin_s = end_s + stage.times(script.rest_s, 0.15)
        stage.now_s = end_s + float(stage.rng.uniform(1.0, 2.0))
        lasts_s = stage.now_s - onset_s
        stage.events.append(
            Event(onset_s, lasts_s, "set", script.drill, script.side, script.pain, script.load_kg, script.note)
        )
        if self._holder is not None:
            self._end_hold(self._holder, held_from_s)
        stage.now_s += 0.3
        stage.go_both(stage.relaxed(), 2.0)
        if self._motion.lying:
            self._lie(0.0, 0.0)

    def _lie(self, lying_deg: float, height_m: float) -> None:
        tilt_deg = lying_deg + (self._stage.normal(4) if lying_deg else 0.0)
        self._line.move("trunk.lying", self._stage.now_s, LIE_DOWN_S, tilt_deg)
        self._line.move("trunk.z", self._stage.now_s, LIE_DOWN_S, height_m)
        self._stage.now_s += LIE_DOWN_S + 0.5

    def _holder_faults(self, rep: int) -> tuple[str, ...]:
        by_rep = self._script.faults_by_side.get(self._holder, {}) if self._holder else {}
        return by_rep.get(rep, ())

    def _starts(self, side: Side) -> list[Posture]:
        """The start posture before each rep and after the last, (reps + 1,)."""
        script, motion, normal = self._script, self._motion, self._stage.normal
        found: list[Posture] = []
        for rep in range(1, script.rep_count + 2):
            posture = {name: value + normal(1.5) for name, value in motion.start.items()}
            posture["rotation"] += script.start_rotation_deg
            if rep > script.rep_count / 2 + 1:
                posture[motion.arc] += script.start_shift_deg
            if rep <= script.rep_count and "start_missed" in script.faults_of(side, rep):
                posture |= {name: value + normal(1.5) for name, value in motion.missed.items()}
            found.append(deviated_start(posture, self._deviations(min(rep, script.rep_count))))
        return found

    def _deviations(self, rep: int) -> tuple[Deviation, ...]:
        return self._script.deviations.get(rep, ())

    def _stations(
        self, side: Side, rep: int, faults: tuple[str, ...], start: Posture
    ) -> list[tuple[str, str, Posture]]:
        """Name, leading channel of the way there and posture of each station, in the order they are visited."""
        script, motion, normal = self._script, self._motion, self._stage.normal
        hand_deg = self._stage.athlete.hand_deg if self._drill.form.of("thumb_up") else 0.0
        asked = [turned_hand(posture, hand_deg) for posture in motion.stations]
        postures = [{name: value + normal(2.0) for name, value in posture.items()} for posture in asked]
        before = motion.stations[-2] if len(postures) > 1 else motion.start
        goal_deg = motion.stations[-1][motion.arc] if script.top_deg is None else script.top_deg
        share = 1 - script.fade * (rep - 1) / max(script.reps_of(side) - 1, 1)
        if "short_arc" in faults:
            share *= motion.short_share
        top = postures[-1]
        top[motion.arc] = before[motion.arc] + share * (goal_deg - before[motion.arc]) + normal(2.0)
        if "over_arc" in faults:
            top[motion.arc] = motion.over_deg + normal(2.0)
        if side == "left":
            top[motion.arc] -= script.uneven_deg
        if "thumb_down" in faults:
            top |= {name: value + normal(3.0) for name, value in motion.thumb_down.items()}
        if "elbow_off" in faults:
            top["elbow"] += motion.elbow_off_deg
        if "plane_off" in faults:
            top["plane"] += motion.plane_off_deg
            top["rotation"] -= 0.6 * motion.plane_off_deg  # the thumb is kept up
        names = [station.name for station in self._drill.stations]
        carrying_deg = self._stage.athlete.carrying_deg
        done = deviated_stations(zip(names, postures, strict=True), start, self._deviations(rep), carrying_deg)
        visited: list[tuple[str, str, Posture]] = list(zip(names, motion.legs, done, strict=True))
        if "order_wrong" in faults:
            visited[-2], visited[-1] = visited[-1], visited[-2]
        if "station_skipped" in faults:
            del visited[1]
        return visited

    def _rep(self, side: Side, rep: int, begin_s: float, start: Posture, back_to: Posture) -> float:
        """One rep of one arm from `start`; returns when it has come to `back_to`."""
        stage, script, drill = self._stage, self._script, self._drill
        faults = script.faults_of(side, rep)
        # Two arms never start at quite the same moment.
        at_s = begin_s + (abs(stage.normal(0.08)) if side == "left" and script.side == "both" else 0.0)
        if "false_start" in faults:
            at_s = 1.0 + self._break_off(side, rep, at_s, start, start, FALSE_START_SHARE, "false_start")
        if "partial" in faults:
            return self._break_off(side, rep, at_s, start, back_to, self._motion.partial_share, "partial")
        lift_s, lower_s = script.lift_s, script.lower_s
        if "too_fast" in faults:
            lift_s, lower_s = 0.55 * drill.lift_at_least_s, 0.55 * drill.lower_at_least_s
        start_s = at_s
        stations = self._stations(side, rep, faults, start)
        times: list[tuple[str, float, float]] = []
        for name, leg, posture in stations:
            arrives_s = self._way(side, "up", start, posture, at_s, stage.times(lift_s), leg)
            at_s = arrives_s + self._hold_s(name, faults)
            self._hold(f"{side}.{leg}", side, arrives_s, at_s, faults, last=name == stations[-1][0])
            times.append((name, arrives_s, at_s))
        self._deviate_hold(side, rep, {"start": start, **{name: posture for name, _, posture in stations}}, times[-1])
        if "order_wrong" not in faults:
            for (_, _, posture), (_, leg, _) in zip(stations[-2::-1], stations[:0:-1], strict=True):
                duration_s = stage.times(lower_s)
                stage.go(side, posture, at_s, duration_s, leg)
                at_s += duration_s + stage.times(0.15)
        at_s = self._way(side, "down", stations[0][2], back_to, at_s, stage.times(lower_s), stations[0][1])
        if "shrug" in faults:
            stage.there_and_back(f"{side}.shrug", start_s, times[0][1], times[-1][2], at_s, SHRUG_DEG)
        top = next((t for t in times if t[0] == drill.top.name), times[-1])
        told = tuple(fault for fault in faults if fault != "false_start")
        self._note(side, rep, (start_s, top[1], top[2], at_s), "lift", told, True, tuple(times))
        return at_s

    def _way(
        self, side: Side, way: str, from_: Posture, to: Posture, at_s: float, duration_s: float, leg: str
    ) -> float:
        """Move to a posture, with the pauses of that way; duration_s: the moving alone. Returns when it is reached."""
        moved = 0.0
        for pause in self._script.pauses:
            if pause.way != way:
                continue
            share = pause.share if way == "up" else 1 - pause.share
            part_way = {name: from_[name] + share * (value - from_[name]) for name, value in to.items()}
            self._stage.go(side, part_way, at_s, (share - moved) * duration_s, leg)
            at_s += (share - moved) * duration_s + self._stage.times(pause.stay_s, 0.05)
            moved = share
        self._stage.go(side, to, at_s, (1 - moved) * duration_s, leg)
        return at_s + (1 - moved) * duration_s

    def _break_off(
        self, side: Side, rep: int, at_s: float, start: Posture, back_to: Posture, share: float, name: str
    ) -> float:
        """Set out for the first station, give up, go back; returns when that ends."""
        stage, script, leg = self._stage, self._script, self._motion.legs[0]
        there = {angle: value + share * (self._motion.stations[0][angle] - value) for angle, value in start.items()}
        gives_up_s = at_s + stage.times(0.7 * script.lift_s)
        turns_s = gives_up_s + stage.times(0.3)
        end_s = turns_s + stage.times(0.7 * script.lower_s)
        stage.go(side, there, at_s, gives_up_s - at_s, leg)
        stage.go(side, back_to, turns_s, end_s - turns_s, leg)
        self._note(side, rep, (at_s, gives_up_s, turns_s, end_s), "lift", (name,), False, ())
        return end_s

    def _note(
        self,
        side: Side,
        rep: int,
        times_s: tuple[float, float, float, float],
        role: str,
        faults: tuple[str, ...],
        counts: bool,
        stations: tuple[tuple[str, float, float], ...],
    ) -> None:
        self._stage.attempts.append(
            Attempt(self._number, self._drill.id, side, rep, *times_s, role, faults, counts, stations)
        )

    # Holds and the trunk.

    def _hold_s(self, station: str, faults: tuple[str, ...]) -> float:
        stage = self._stage
        asked_s = next(s.hold_s for s in self._drill.stations if s.name == station)
        if self._script.hold_s is not None:
            lasts_s = stage.times(self._script.hold_s, 0.05)
        elif asked_s > 0:
            lasts_s = asked_s * (1.17 + stage.normal(0.05))
        else:
            lasts_s = stage.times(self._motion.pause_s, 0.15)
        return lasts_s * 0.4 if "hold_short" in faults else lasts_s

    def _hold(
        self, channel: str, side: Side, start_s: float, end_s: float, faults: tuple[str, ...], last: bool
    ) -> None:
        """What a hold looks like: wander, tremor, and at the last station drift, sag or a break."""
        lasts_s = end_s - start_s
        if lasts_s < 0.8:
            return
        if self._holder is None:
            self._unsteady(channel, side, start_s, lasts_s)
            if last:
                self._sink(channel, start_s, lasts_s)
        if last and "hold_broken" in faults:
            arc_deg = abs(self._line.target(channel) - self._motion.start[self._motion.arc])
            self._break(channel, start_s + 0.5 * lasts_s, min(2.0, 0.6 * lasts_s), max(28.0, 0.55 * arc_deg))

    def _unsteady(self, channel: str, side: Side, start_s: float, lasts_s: float) -> None:
        seed, script = self._stage.seed, self._script
        self._line.noise(channel, start_s, lasts_s, self._tremor_deg, TREMOR_HZ, seed())
        self._line.noise(channel, start_s, lasts_s, script.hold_wander_deg, WANDER_HZ, seed())
        self._line.noise(f"{side}.rotation", start_s, lasts_s, script.rotation_wander_deg, WANDER_HZ, seed())

    def _sink(self, channel: str, start_s: float, lasts_s: float) -> None:
        if self._script.hold_drift_deg_s != 0:
            self._line.ramp(channel, start_s, lasts_s, self._script.hold_drift_deg_s * lasts_s)
        if self._script.hold_sag_deg != 0:
            sagged_deg = self._line.target(channel) - self._script.hold_sag_deg
            self._line.move(channel, start_s + 0.6 * lasts_s, 0.4 * lasts_s, sagged_deg)

    def _break(self, channel: str, middle_s: float, lasts_s: float, by_deg: float) -> None:
        held_deg = self._line.target(channel)
        self._line.move(channel, middle_s - lasts_s / 2, 0.35 * lasts_s, held_deg - by_deg)
        self._line.move(channel, middle_s + 0.15 * lasts_s, 0.35 * lasts_s, held_deg)

    def _deviate_hold(
        self, side: Side, rep: int, places: Mapping[str, Posture], stay: tuple[str, float, float]
    ) -> None:
        """Over the last station's hold into another posture; or twice out of it and back."""
        name, arrives_s, leaves_s = stay
        lasts_s = leaves_s - arrives_s
        for deviation in self._deviations(rep):
            if deviation.at not in IN_HOLD:
                continue
            held = {angle: self._line.target(f"{side}.{angle}") for angle in places[name]}
            there = deviation.put_in(held, None if deviation.above is None else places[deviation.above])
            for angle, by_deg in ((angle, there[angle] - held[angle]) for angle in held):
                if by_deg and deviation.at == "hold":
                    self._line.ramp(f"{side}.{angle}", arrives_s, lasts_s, by_deg)
                elif by_deg:
                    for out_s in (arrives_s + share * lasts_s for share in BOUNCES):
                        turns_s, back_s = out_s + BOUNCE_S / 2, out_s + BOUNCE_S
                        self._stage.there_and_back(f"{side}.{angle}", out_s, turns_s, turns_s, back_s, by_deg)

    def _deviate_holder(self, rep: int, begin_s: float, end_s: float) -> None:
        for deviation in self._deviations(rep):
            if deviation.at == "holder" and self._holder is not None:
                held = {angle: self._line.target(f"{self._holder}.{angle}") for angle in self._motion.start}
                self._stage.go(self._holder, deviation.put_in(held), begin_s, end_s - begin_s, "elevation")

    def _lean(self, rep: int, begin_s: float, end_s: float) -> None:
        """Everyone leans a little with a lift; the fault leans away from the working arm, or back with both."""
        stage, script = self._stage, self._script
        moved = any("trunk_moved" in script.faults_of(side, rep) for side in script.sides)
        of_rep = [a for a in stage.attempts if (a.set, a.rep) == (self._number, rep) and "false_start" not in a.faults]
        there_s, leave_s = min(a.top_start_s for a in of_rep), max(a.top_end_s for a in of_rep)
        small = 0.0 if self._motion.lying else stage.athlete.variation
        sideways_deg, backward_deg = (small * (0.8 + stage.normal(0.8)) for _ in range(2))
        if moved:
            far_deg = (self._drill.form.trunk_deg or 0.0) + 4.5 + stage.normal(0.5)
            sideways_deg, backward_deg = (sideways_deg, far_deg) if script.side == "both" else (far_deg, backward_deg)
        away = -1.0 if script.side == "right" else 1.0
        more_deg = trunk_deg(self._deviations(rep))
        sideways_deg, backward_deg = sideways_deg + more_deg["lean_away"], backward_deg + more_deg["lean_back"]
        if more_deg["turn_out"]:
            stage.there_and_back("trunk.turn", begin_s, there_s, leave_s, end_s, away * more_deg["turn_out"])
        stage.there_and_back("trunk.lean_right", begin_s, there_s, leave_s, end_s, away * sideways_deg)
        stage.there_and_back("trunk.lean_forward", begin_s, there_s, leave_s, end_s, -backward_deg)

    # Hold and lift: one arm stays up.

    def _raise_both_first(self) -> float:
        """Both arms go up, the holder stays. Returns when they set out."""
        stage, normal = self._stage, self._stage.normal
        for side in SIDES:
            stage.go(side, self._motion.start, stage.now_s, 1.5)
        begin_s = stage.now_s + 1.8
        for side in SIDES:
            up = {name: value + normal(2.0) for name, value in self._motion.stations[0].items()}
            stage.go(side, up, begin_s, self._script.lift_s, "elevation")
        stage.now_s = begin_s + self._script.lift_s + 0.8
        return begin_s

    def _end_hold(self, holder: Side, begin_s: float) -> None:
        """The holder's unsteadiness over the whole hold, then its lowering, and the truth about it."""
        stage, lower_s = self._stage, self._script.lower_s
        arrived_s, leaves_s = begin_s + self._script.lift_s, stage.now_s + 0.5
        self._unsteady(f"{holder}.elevation", holder, arrived_s, leaves_s - arrived_s)
        self._sink(f"{holder}.elevation", arrived_s, leaves_s - arrived_s)
        stage.go(holder, stage.relaxed(), leaves_s, lower_s, "elevation")
        stage.now_s = leaves_s + lower_s
        broken = any("hold_broken" in self._holder_faults(rep) for rep in range(1, self._script.rep_count + 1))
        faults = ("hold_broken",) if broken else ()
        times_s = (begin_s, arrived_s, leaves_s, stage.now_s)
        self._note(holder, 1, times_s, "hold", faults, True, (("top", arrived_s, leaves_s),))
