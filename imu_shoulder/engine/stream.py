"""The stages over a stream: chunks and marks go in, judged reps come out. A live session and a file's causal form.

When they go through which rows is the business of `paced`. The state can be pickled, and goes on as if it had not been.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import partial
from math import inf, nan
from typing import Any

from imu_shoulder.analysis import AnalysedSet, Params
from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.assess.unseen import unjoined_findings
from imu_shoulder.calibrate.calibration import calibrate
from imu_shoulder.calibrate.model import Calibration
from imu_shoulder.calibrate.mounting import stretch_of
from imu_shoulder.calibrate.pose import Pose, find_pose
from imu_shoulder.calibrate.slip import slip_findings
from imu_shoulder.calibrate.store import StoredCalibration, reuse
from imu_shoulder.engine.asked import Asked
from imu_shoulder.engine.memory import Memory
from imu_shoulder.engine.mounting_watch import MountingWatch
from imu_shoulder.engine.order import Part
from imu_shoulder.engine.paced import Paced
from imu_shoulder.engine.running import RunningSet
from imu_shoulder.engine.seating import Kept, Record, Seating, before
from imu_shoulder.engine.sets import Sets
from imu_shoulder.engine.slip_watch import SlipWatch
from imu_shoulder.errors import CalibrationError
from imu_shoulder.model import SIDES, Event, Finding, FloatArray, Side, limbs_of
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.keeping import QUIET_S, KeptHeading, keep_headings

# At how many looks the past is looked at for what these are named after; at every one for ended reps.
STILLNESS_LOOKS, MOMENT_LOOKS, SLIP_LOOKS = 5, 2, 40
MOVEMENTS = ("elbow_bends", "forward_raises", "bends_at_shoulder_height")


class Stream(Paced):
    """push() samples, begin() and end() what is done; then read calibration, `running` and `sets`."""

    def __init__(
        self,
        rates_hz: Mapping[str, float],
        params: Params,
        asked: Asked | None = None,
        stored: StoredCalibration | None = None,
        record: Record | None = None,
    ) -> None:
        """rates_hz: of each sensor expected. stored: as of Whole. record: told of all rows, for who keeps them."""
        self._params, self._asked, self._stored, self.record = params, asked or Asked(), stored, record
        super().__init__(rates_hz, params)
        self._memory = Memory(list(rates_hz), params.stream.keep_s)
        self._now: Kept = {}
        self.pose: Pose | None = None
        self.pose_error: CalibrationError | None = None
        self._seating, self._slips = Seating(self.rate_hz, params), SlipWatch(params.slip)
        self._headings: dict[Side, KeptHeading] = {}
        self._mounting = MountingWatch(self._asked.drills, params.mounting, params.align.disagree)
        self._sets = Sets(self.rate_hz, params)
        # The arms whose angles are wanted outside sets; in a set all are.
        self.wanted: Collection[Side] = SIDES
        self.newest: Mapping[Side, ArmAngles] = {}

    @property
    def calibration(self) -> Calibration | None:
        """The latest; None before the pose."""
        return self._seating.calibration

    @property
    def running(self) -> RunningSet | None:
        """The set that goes on."""
        return self._sets.running

    @property
    def sets(self) -> list[AnalysedSet]:
        """Of each arm, those that are over."""
        return self._sets.done

    def drop(self) -> None:
        """What goes on was no good: as if it had not begun. A set cannot be dropped."""
        self._catch_up()
        if self.open is not None and self.running is None:
            self.open, self._block = None, -1

    def take_pose(self, event: Event) -> None:
        """Start from a stillness that is over. Raises CalibrationError if it cannot be used."""
        self._catch_up()
        time_s, attitudes, tracks = self._orient.start()
        pose = find_pose(time_s, attitudes, [event], None, self._params.calibrate, tracks)
        self._memory.begin_anew()
        self._memory.append(time_s, attitudes, tracks)
        self.pose, self.pose_error, self.events = pose, None, [event]
        self._headings = {}
        self._mounting.begin()
        seen = {p: a for p, a in attitudes.items() if p in pose.earth_from_sensor}
        rows = self._memory.since(-inf)[(time_s >= event.onset_s) & (time_s <= event.end_s)]
        in_pose = self._memory.attitudes(rows, self._orient.biases)
        both: list[Side] = []
        for side in SIDES:
            worn = [p for p in limbs_of(side) if p in seen]
            if not worn:
                continue
            heading = KeptHeading(side, seen, self.rate_hz, self._params.heading)
            heading.begin(rows[:, 0], in_pose, (event.onset_s + event.end_s) / 2)
            self._headings[side] = heading
            both += [side] if len(worn) == 2 else []
        self._slips.begin(both, self.rate_hz, pose)
        self._memory.keep(event.onset_s, event.end_s)
        self._calibrate_anew()
        if self.record is not None:
            kept = self._kept(time_s, attitudes, SIDES)
            assert self.calibration is not None
            self.record(time_s, tracks, attitudes, kept, self._seating.angles(kept, attitudes), self.calibration)

    # What can be asked.

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was noticed so far about how the sensors sit, and what they do not show."""
        return (
            *self._align.unfit,
            *self._mounting.findings,
            *slip_findings(self._slips.found),
            *self._sets.findings(),
            # Before, the next movement or set may still join them.
            *(unjoined_findings(self.calibration) if self._over or self.sets else ()),
        )

    def attitudes_since(self, start_s: float) -> tuple[FloatArray, dict[str, Attitude]]:
        """Remembered attitudes, headings as the filters have them."""
        self._catch_up()
        return (rows := self._memory.since(start_s))[:, 0], self._memory.attitudes(rows, self._orient.biases)

    def calibration_with(self, events: Sequence[Event]) -> Calibration:
        """What a calibration by these events, some of which may still go on, would be."""
        self._catch_up()
        time_s, _, kept = self._known(self._memory.all_rows())
        return self._calibration_of(time_s, kept, events)

    def glance(self, side: Side, name: str) -> float:
        """An angle, as "elevation", in the newest row, in degrees; NaN where it is not known. What is remembered, cut
        and judged has it up to a look later.
        """
        newest = self._newest
        if newest is None or not newest.attitudes or side not in self._headings:
            return nan
        kept = partial(self._kept, newest.time_s, newest.attitudes, (side,), with_sd=False)
        return self._seating.glance(side, name, newest.attitudes, kept)

    # The stages, in the order of `Stages.advance`.
    def orient(self, part: Part) -> Mapping[str, Attitude]:
        if not len(part.time_s):
            return {}
        attitudes = self._attitudes
        if part.looks and self._due(STILLNESS_LOOKS):
            self._orient.look()
        if attitudes:
            self._memory.append(part.time_s, attitudes, part.tracks)
        return attitudes

    def find_pose(self, part: Part, attitudes: Mapping[str, Attitude]) -> None:
        for event in part.ended:
            if event.trial_type == "neutral_pose" and self.pose is None:
                try:
                    self.take_pose(event)
                except CalibrationError as error:
                    self.pose_error = error

    def find_quiet_moments(self, part: Part, attitudes: Mapping[str, Attitude]) -> None:
        if not (part.looks and attitudes and self._due(MOMENT_LOOKS)):
            return
        assert self.grid_s is not None
        due = [heading for heading in self._headings.values() if heading.due(self.grid_s, self._block)]
        faced_anew, newest = False, self.attitudes_since(self.grid_s - QUIET_S)[1] if due else {}
        for heading in (own for own in due if own.is_quiet(newest)):
            time_s, own = self.attitudes_since(heading.wants_from(self.grid_s))
            began_s = -inf if self.open is None else self.open.onset_s
            faced_anew |= heading.look(time_s, own, self._block, began_s)
        if faced_anew and self.running is not None and not self.running.told:
            self._see_set_anew(part)

    def find_slips(self, part: Part) -> None:
        if not part.looks or self.pose is None:
            return
        if self._due(SLIP_LOOKS):
            self._slips.look(self.attitudes_since)
        if self._due(MOMENT_LOOKS):
            for side in self._slips.judge(self.attitudes_since, self.mark_s, self._headings, self._so_far, self.pose):
                self._headings[side].end_at(self._slips.slipped_s(side))
                self._sets.leave_out(side, self._slips.slipped_s(side))

    def keep_headings(self, part: Part, attitudes: Mapping[str, Attitude]) -> dict[Side, dict[str, Attitude]]:
        if not attitudes:
            return {}
        sides = SIDES if self.running is not None or self.record is not None else self.wanted
        return self._kept(part.time_s, attitudes, sides)

    def calibrate(self, part: Part, kept: Kept) -> None:
        if self.pose is None:
            return
        moved = [event for event in part.ended if event.trial_type in MOVEMENTS]
        for event in moved:
            self._memory.keep(event.onset_s, event.end_s)
        if moved or any(event.trial_type == "set" for event in part.began):
            self._calibrate_anew()
        if part.looks and self._sets.has_doubled() and self._calibrate_anew(in_set=True):
            self._see_set_anew(part)

    def work_out_angles(self, part: Part, kept: Kept) -> Mapping[Side, ArmAngles]:
        if not kept:
            return {}
        self._now = kept
        if self.running is not None and self.record is None:
            # The other arm says how well the body's direction is known; its angles nobody asks for.
            kept = {side: kept[side] for side in kept if side in (*self.running.sides, *self.wanted)}
        self.newest = self._seating.angles(kept, self._attitudes)
        if self.record is not None and self.newest and self.calibration is not None:
            self.record(part.time_s, part.tracks, self._attitudes, kept, self.newest, self.calibration)
        return self.newest

    def cut_and_judge_sets(self, part: Part, arms: Mapping[Side, ArmAngles]) -> None:
        for event in part.ended:
            if event.trial_type == "set":
                self._sets.close(event)
        for event in part.began:
            if event.trial_type == "set" and not self._asked.is_apart(event):
                self._open_set(event)
        self._sets.push(part.time_s, arms, part.tracks, self.calibration, self._now)
        if self.running is not None and part.looks and len(part.time_s):
            self.running.cut(float(part.time_s[-1]))

    def check_mounting(self, part: Part) -> None:
        if self.pose is None:
            return
        for event in part.ended:
            time_s, attitudes, kept = self._known(rows := self._memory.since(event.onset_s))
            own = self.rate_hz, self._memory.tracks(rows), attitudes, self._params.mounting
            self._mounting.take(
                stretch_of(event, self._set_number, time_s, *own), [] if self.record else list(attitudes)
            )
            if event.trial_type == "set" and self.calibration is not None and not self._asked.is_apart(event):
                self._sets.check_reach(time_s, self._seating.angles(kept, attitudes), kept, self.calibration)
        self._mounting.look(self._memory, self._orient.biases, self.rate_hz, self.events, looks=part.looks)

    def __getstate__(self) -> dict[str, Any]:
        """Who listens is not part of the state."""
        return {**self.__dict__, "record": None}

    # How they do it.

    def _kept(
        self,
        time_s: FloatArray,
        attitudes: Mapping[str, Attitude],
        sides: Collection[Side],
        *,
        with_sd: bool = True,
    ) -> dict[Side, dict[str, Attitude]]:
        if self.pose is None:
            return {}
        headings = [h for side, h in self._headings.items() if side in sides]
        return keep_headings(headings, time_s, attitudes, self.pose.end_s, with_sd=with_sd)

    def _calibration_of(self, time_s: FloatArray, kept: Kept, events: Sequence[Event]) -> Calibration:
        assert self.pose is not None
        seated = {side: before(self._slips.slipped_s(side), time_s, own) for side, own in kept.items()}
        found = calibrate(time_s, self.rate_hz, seated, events, self.pose, self._params.heading.shared)
        return found if self._stored is None else reuse(self._stored, found, self.pose)

    def _calibrate_anew(self, *, in_set: bool = False) -> bool:
        """By the events so far, and by what is remembered since. in_set: only where that makes the same surer."""
        assert self.pose is not None
        time_s, attitudes, kept = self._known(self._memory.all_rows())
        found = self._calibration_of(time_s, kept, self._so_far())
        takes = not in_set or self._seating.is_refined_by(found)
        if takes:
            self._seating.take(found, kept, attitudes, self.pose)
        return takes

    def _known(self, rows: FloatArray) -> tuple[FloatArray, dict[str, Attitude], Kept]:
        """Of remembered rows: time_s, attitudes, and those of each arm with headings kept."""
        attitudes = self._memory.attitudes(rows, self._orient.biases)
        return rows[:, 0], attitudes, self._kept(rows[:, 0], attitudes, SIDES)

    def _open_set(self, event: Event) -> None:
        assert self._opened is not None
        drill, own = self._opened.drill, self._opened.asked or {}
        if drill is None:
            drill, own = self._asked.of(self._set_number, event)
        self._sets.open(self._set_number, event, drill, own, {side: self._slips.slipped_s(side) for side in SIDES})

    def _see_set_anew(self, part: Part) -> None:
        """It became known how the person faces or how a sensor sits: the set before this part is seen otherwise."""
        assert self.running is not None
        self.running.restart()
        rows = self._memory.since(self.running.event.onset_s)[: -len(part.time_s) or None]
        if len(rows):
            time_s, attitudes, kept = self._known(rows)
            arms, tracks = self._seating.angles(kept, attitudes), self._memory.tracks(rows)
            self._sets.push(time_s, arms, tracks, self.calibration, kept)
