"""The stages over a stream: chunks and marks go in, judged reps come out. A live session and a file's causal form.

The result does not depend on how the stream was cut: what looks at the past does so every so many rows of the common
grid, and a mark takes effect between two rows of it. The state can be pickled, and goes on as if it had not been.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Any

import numpy as np

from imu_shoulder.align import Align
from imu_shoulder.analysis import AnalysedSet, Params
from imu_shoulder.angles.joint import ArmAngles, arm_angles, skin_of
from imu_shoulder.angles.plausible import Beyond
from imu_shoulder.angles.scapula import BladeSeat, seat_blade
from imu_shoulder.angles.skin import SkinShare
from imu_shoulder.calibrate.calibration import calibrate
from imu_shoulder.calibrate.model import Calibration
from imu_shoulder.calibrate.mounting import Stretch, mounting_findings, stretch_of
from imu_shoulder.calibrate.pose import Pose, find_pose
from imu_shoulder.calibrate.slip import slip_findings, slips_of_arm
from imu_shoulder.calibrate.slip_model import Slip
from imu_shoulder.calibrate.slip_pulses import PulseWatch
from imu_shoulder.calibrate.store import StoredCalibration, reuse
from imu_shoulder.drills import Drill
from imu_shoulder.engine.asked import Asked
from imu_shoulder.engine.blade import BladeReps, blade_columns, ups_from_pose
from imu_shoulder.engine.judging import seen_by
from imu_shoulder.engine.memory import Memory
from imu_shoulder.engine.order import Part, Stages
from imu_shoulder.engine.running import RunningSet, without_slipped
from imu_shoulder.errors import CalibrationError
from imu_shoulder.model import SIDES, Aligned, Event, Finding, FloatArray, SensorStream, Side, Track, limbs_of
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.keeping import QUIET_S, KeptHeading, keep_headings
from imu_shoulder.orient.stream import OrientStream
from imu_shoulder.segment.unguided import counting_track

# The past is looked at every LOOK_S of rows: for stillness, quiet moments, slips and ended reps every so many looks.
LOOK_S = 0.1
STILLNESS_LOOKS, MOMENT_LOOKS, CUT_LOOKS, SLIP_LOOKS = 5, 3, 1, 100
SAME_SLIP_S = 1.0
MOVEMENTS = ("elbow_bends", "forward_raises")

Kept = Mapping[Side, Mapping[str, Attitude]]
# Told of all rows that have angles: time_s, tracks, attitudes, those of each arm with headings kept, the arms' angles,
# and the calibration by which.
Record = Callable[
    [FloatArray, Mapping[str, Track], Mapping[str, Attitude], Kept, Mapping[Side, ArmAngles], Calibration], None
]


@dataclass(frozen=True, slots=True)
class _Mark:
    """An event that begins or ends. drill, asked, number: of a set, see `Stream.begin`."""

    time_s: float
    begins: Event | None = None
    drill: Drill | None = None
    asked: Mapping[Side, Drill] | None = None
    number: int | None = None


class Stream(Stages):
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
        self._align = Align(params.align, rates_hz)
        self.rate_hz = self._align.rate_hz
        self._look_rows = max(1, round(LOOK_S * self.rate_hz))
        self._orient = OrientStream(list(rates_hz), self.rate_hz, params.orient)
        self._memory = Memory(list(rates_hz), params.stream.keep_s)
        self._attitudes: Mapping[str, Attitude] = {}
        self._rows = 0
        self.grid_s: float | None = None
        self._marks: list[_Mark] = []
        # The event that goes on, its number, and when it began.
        self.open: Event | None = None
        self._opened: _Mark | None = None
        self._block = -1
        self._began = 0
        self.events: list[Event] = []
        self.pose: Pose | None = None
        self.pose_error: CalibrationError | None = None
        self.calibration: Calibration | None = None
        self._headings: dict[Side, KeptHeading] = {}
        self._skin: dict[Side, SkinShare] = {}
        self._seats: dict[Side, BladeSeat | None] = {}
        self._blades = BladeReps()
        self._pulses: dict[Side, PulseWatch] = {}
        self.slips: list[Slip] = []
        self._suspected: dict[Side, list[Slip]] = {}
        self._stretches: list[Stretch] = []
        self._beyond = Beyond()
        self.running: RunningSet | None = None
        self._closed: RunningSet | None = None
        self.sets: list[AnalysedSet] = []
        self._set_number = 0
        # The arms whose angles are wanted outside sets; in a set all are.
        self.wanted: Collection[Side] = SIDES
        self.newest: Mapping[Side, ArmAngles] = {}

    # What goes in.

    @property
    def newest_s(self) -> float | None:
        """Time of the newest sample; the grid is a little behind it."""
        return self._align.newest_s

    @property
    def mark_s(self) -> float:
        """The time of a mark that is made now: after all rows so far, before the next."""
        return 0.0 if self.grid_s is None else self.grid_s + 0.5 / self.rate_hz

    def push(self, chunk: Mapping[str, SensorStream]) -> None:
        """Take in samples. Raises RecordingError for wrong units."""
        self._take(self._align.push(chunk))

    def finish(self) -> None:
        """The stream is over: so is what still goes on."""
        self._take(self._align.finish())
        for mark in [*self._marks]:
            self._marks.remove(mark)
            if mark.begins is None:
                self._mark(replace(mark, time_s=min(mark.time_s, self.mark_s)))
        if self.open is not None:
            self._mark(_Mark(self.mark_s))

    def begin(
        self,
        event: Event,
        drill: Drill | None = None,
        asked: Mapping[Side, Drill] | None = None,
        number: int | None = None,
    ) -> None:
        """An event begins at its onset, or now if that is over. Its duration does not count: `end` says when.

        drill, asked: of a set, where they are not what the stream was made with; asked: of each arm where that is told
        apart. number: of a set, where it is not one more than the last one's.
        """
        self._put(_Mark(event.onset_s, event, drill, asked, number))

    def end(self, time_s: float | None = None) -> None:
        """What goes on, or what begins next, is over at time_s. Without a time: now, whatever was said before."""
        if time_s is None and self._marks and self._marks[0].begins is None:
            del self._marks[0]
        self._put(_Mark(self.mark_s if time_s is None else time_s))

    def drop(self) -> None:
        """What goes on was no good: as if it had not begun. A set cannot be dropped."""
        if self.open is not None and self.running is None:
            self.open, self._block = None, -1

    def take_pose(self, event: Event) -> None:
        """Start from a stillness that is over. Raises CalibrationError if it cannot be used."""
        time_s, attitudes, tracks = self._orient.start()
        pose = find_pose(time_s, attitudes, [event], None, self._params.calibrate)
        self._memory.begin_anew()
        self._memory.append(time_s, attitudes, tracks)
        self.pose, self.pose_error, self.events = pose, None, [event]
        self._headings, self._pulses, self.slips, self._suspected, self._stretches = {}, {}, [], {}, []
        for side in SIDES:
            worn = [p for p in limbs_of(side) if p in pose.earth_from_sensor]
            if not worn:
                continue
            seen = {p: a for p, a in attitudes.items() if p in pose.earth_from_sensor}
            heading = KeptHeading(side, seen, self.rate_hz, self._params.heading)
            rows = self._memory.since(-inf)[(time_s >= event.onset_s) & (time_s <= event.end_s)]
            in_pose = self._memory.attitudes(rows, self._orient.biases)
            heading.begin(rows[:, 0], in_pose, (event.onset_s + event.end_s) / 2)
            self._headings[side] = heading
            if len(worn) == 2:
                self._pulses[side] = PulseWatch(self.rate_hz, pose.end_s, self._params.slip)
        self._memory.keep(event.onset_s, event.end_s)
        self._calibrate_anew()
        if self.record is not None:
            kept = self._kept(time_s, attitudes, SIDES)
            arms = {side: self._angles_of(side, own, attitudes) for side, own in kept.items() if self._knows(side)}
            assert self.calibration is not None
            self.record(time_s, tracks, attitudes, kept, arms, self.calibration)

    # What can be asked.

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was noticed so far about how the sensors sit."""
        return (
            *mounting_findings(self._stretches, self._asked.drills, self._params.mounting),
            *slip_findings(self.slips),
            *self._beyond.findings(),
        )

    def raw_since(self, start_s: float) -> tuple[FloatArray, list[Track]]:
        """The last seconds of the common grid, before any filter."""
        return self._orient.raw_since(start_s)

    def attitudes_since(self, start_s: float) -> tuple[FloatArray, dict[str, Attitude]]:
        """Remembered attitudes, headings as the filters have them."""
        rows = self._memory.since(start_s)
        return rows[:, 0], self._memory.attitudes(rows, self._orient.biases)

    def calibration_with(self, events: Sequence[Event]) -> Calibration:
        """What a calibration by these events, some of which may still go on, would be."""
        assert self.pose is not None
        rows = self._memory.all_rows(1 / self.rate_hz)
        kept = self._kept(rows[:, 0], self._memory.attitudes(rows, self._orient.biases), SIDES)
        return self._calibration_of(rows[:, 0], kept, events)

    # The stages, in the order of `Stages.advance`.

    def orient(self, part: Part) -> Mapping[str, Attitude]:
        if not len(part.time_s):
            return {}
        attitudes = self._attitudes = self._orient.push(part.time_s, part.tracks)
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
        faced_anew = False
        for heading in self._headings.values():
            since = self.attitudes_since
            if heading.due(self.grid_s, self._block) and heading.is_quiet(since(self.grid_s - QUIET_S)[1]):
                time_s, own = since(heading.wants_from(self.grid_s))
                began_s = -inf if self.open is None else self.open.onset_s
                faced_anew |= heading.look(time_s, own, self._block, began_s)
        if faced_anew:
            self._see_set_anew(part)

    def find_slips(self, part: Part) -> None:
        if not self._pulses:
            return
        turned = any(event.trial_type == "set" for event in (*part.began, *part.ended))
        if turned or (part.looks and self._due(SLIP_LOOKS)):
            for side, watch in self._pulses.items():
                time_s, attitudes = self.attitudes_since(watch.wants_from_s)
                watch.look(time_s, [attitudes[placement] for placement in limbs_of(side)])
        if turned:
            self._judge_slips()

    def keep_headings(self, part: Part, attitudes: Mapping[str, Attitude]) -> Kept:
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

    def work_out_angles(self, part: Part, kept: Kept) -> Mapping[Side, ArmAngles]:
        if not kept:
            return {}
        self.newest = {s: self._angles_of(s, own, self._attitudes) for s, own in kept.items() if self._knows(s)}
        if self.record is not None and self.newest:
            assert self.calibration is not None
            self.record(part.time_s, part.tracks, self._attitudes, kept, self.newest, self.calibration)
        return self.newest

    def cut_and_judge_sets(self, part: Part, arms: Mapping[Side, ArmAngles]) -> None:
        if self.running is not None and any(event.trial_type == "set" for event in part.ended):
            self._close_set(part)
        for event in part.began:
            if event.trial_type == "set":
                self._open_set(event)
        if self.running is None:
            return
        self._push_set(part.time_s, arms, part.tracks)
        if part.looks and self._due(CUT_LOOKS) and len(part.time_s):
            self.running.cut(float(part.time_s[-1]))

    def check_mounting(self, part: Part) -> None:
        if self.pose is None:
            return
        for event in part.ended:
            rows = self._memory.since(event.onset_s)
            own = rows[:, 0], self.rate_hz, self._memory.tracks(rows), self._memory.attitudes(rows, self._orient.biases)
            stretch = stretch_of(event, self._set_number, *own, self._params.mounting)
            self._stretches += [] if stretch is None else [stretch]

    def __getstate__(self) -> dict[str, Any]:
        """Who listens is not part of the state."""
        return {**self.__dict__, "record": None}

    # How they do it.

    def _take(self, aligned: Aligned) -> None:
        """The rows in parts that end where the past is looked at or where a mark lies."""
        first, count = 0, len(aligned.time_s)
        self._apply_marks(float(aligned.time_s[0]) if count else None)
        while first < count:
            last = min(count, first + self._look_rows - self._rows % self._look_rows)
            for mark in self._marks:
                place = int(np.searchsorted(aligned.time_s, mark.time_s - 1e-9 if mark.begins else mark.time_s + 1e-9))
                last = min(last, place) if place > first else last
            rows = slice(first, last)
            tracks = {p: _rows_of(track, rows) for p, track in aligned.tracks.items()}
            self._rows += last - first
            self.grid_s = float(aligned.time_s[last - 1])
            self.advance(Part(aligned.time_s[rows], tracks, looks=self._rows % self._look_rows == 0))
            first = last
            self._apply_marks(self.grid_s + 1 / self.rate_hz)

    def _due(self, every: int) -> bool:
        return self._rows // self._look_rows % every == 0

    def _put(self, mark: _Mark) -> None:
        self._marks.append(mark)
        self._apply_marks(None if self.grid_s is None else self.grid_s + 1 / self.rate_hz)

    def _apply_marks(self, next_s: float | None) -> None:
        """Those before the next row, in the order in which they were made. next_s: its time."""
        while self._marks and next_s is not None:
            mark = self._marks[0]
            if mark.begins is None and mark.time_s + 1e-9 >= next_s:
                return
            if mark.begins is not None and mark.time_s - 1e-9 > next_s:
                return
            self._marks.pop(0)
            self._mark(mark)

    def _mark(self, mark: _Mark) -> None:
        empty = {p: _rows_of(track, slice(0, 0)) for p, track in self._nothing.items()}
        began: tuple[Event, ...] = ()
        ended: tuple[Event, ...] = ()
        if self.open is not None:
            # What begins ends what went on.
            event = replace(self.open, duration_s=max(mark.time_s - self.open.onset_s, 0.0))
            ended = (event,)
            if event.trial_type != "neutral_pose":
                self.events.append(event)
            self.open, self._block = None, -1
        if mark.begins is not None:
            self._began += 1
            if mark.begins.trial_type == "set":
                self._set_number = self._set_number + 1 if mark.number is None else mark.number
            began, self._opened = (mark.begins,), mark
            self.open = mark.begins
            self._block = -1 if mark.begins.trial_type == "neutral_pose" else self._began
        if began or ended:
            self.advance(Part(np.empty(0), empty, began, ended, looks=False))

    @property
    def _nothing(self) -> dict[str, Track]:
        _, tracks = self._orient.raw_since(inf)
        return {track.placement: track for track in tracks}

    def _kept(
        self, time_s: FloatArray, attitudes: Mapping[str, Attitude], sides: Collection[Side]
    ) -> dict[Side, dict[str, Attitude]]:
        return keep_headings([h for side, h in self._headings.items() if side in sides], time_s, attitudes)

    def _slipped_s(self, side: Side) -> float:
        return min((slip.time_s for slip in self.slips if slip.placement.startswith(side)), default=inf)

    def _calibration_of(self, time_s: FloatArray, kept: Kept, events: Sequence[Event]) -> Calibration:
        assert self.pose is not None
        seated = {
            side: {p: replace(a, valid=a.valid & (time_s < self._slipped_s(side))) for p, a in own.items()}
            for side, own in kept.items()
        }
        found = calibrate(time_s, self.rate_hz, seated, events, self.pose)
        return found if self._stored is None else reuse(self._stored, found, self.pose)

    def _calibrate_anew(self) -> None:
        """By the events so far, and by what is remembered since."""
        assert self.pose is not None
        rows = self._memory.all_rows(1 / self.rate_hz)
        attitudes = self._memory.attitudes(rows, self._orient.biases)
        kept = self._kept(rows[:, 0], attitudes, SIDES)
        self.calibration = self._calibration_of(rows[:, 0], kept, self.events)
        for side, arm in self.calibration.arms.items():
            self._skin[side] = skin_of(arm, kept[side], self.rate_hz, self._params.angles)
            ups = ups_from_pose(side, attitudes, self.pose)
            if ups is not None and arm.upper_arm is not None:
                found = arm_angles(arm, kept[side], self._skin[side], self._params.angles)
                seat = seat_blade(*ups, found.angles["elevation_deg"], self.rate_hz, self._params.angles.scapula)
                self._seats[side] = seat or self._seats.get(side)

    def _knows(self, side: Side) -> bool:
        return self.calibration is not None and side in self.calibration.arms

    def _angles_of(self, side: Side, kept: Mapping[str, Attitude], attitudes: Mapping[str, Attitude]) -> ArmAngles:
        """attitudes: of all sensors, as the filters have them, on the same rows."""
        assert self.calibration is not None
        assert self.pose is not None
        found = arm_angles(self.calibration.arms[side], kept, self._skin[side], self._params.angles)
        seat = self._seats.get(side)
        ups = None if seat is None else ups_from_pose(side, attitudes, self.pose)
        return found if ups is None else blade_columns(found, seat, ups, self._params)

    def _judge_slips(self) -> None:
        assert self.pose is not None
        for side, watch in self._pulses.items():
            moments = self._headings[side].moments
            if moments is None or side in {slip.placement.split("_")[0] for slip in self.slips}:
                continue
            found = slips_of_arm(side, watch.pulses, moments, self.events, self.pose, self._params.slip)
            before = self._suspected.get(side, [])
            sure = [s for s in found if s.evidence > self._params.slip.sure_evidence or _again(s, before)]
            self._suspected[side] = found
            if sure:
                self.slips.append(min(sure, key=lambda slip: slip.time_s))
                self._headings[side].end_at(self._slipped_s(side))
                self._leave_out(side, self._slipped_s(side))

    def _leave_out(self, side: Side, slipped_s: float) -> None:
        """Reps that ended after a slip are not scored, those of sets that are over included."""
        for own in (self.running, self._closed):
            if own is not None:
                own.slip(side, slipped_s)
        self.sets = [
            replace(own, judged=tuple(without_slipped(rep, slipped_s) for rep in own.judged))
            if own.arm_set.side == side
            else own
            for own in self.sets
        ]

    def _open_set(self, event: Event) -> None:
        assert self._opened is not None
        number = self._set_number
        if self._asked.is_apart(event):
            return
        drill, own = self._opened.drill, self._opened.asked or {}
        if drill is None:
            drill, own = self._asked.of(number, event)
        self.running = RunningSet(number, event, drill, own, self.rate_hz, self._params, self._blades)
        for side in SIDES:
            if self._slipped_s(side) < inf:
                self.running.slip(side, self._slipped_s(side))

    def _push_set(self, time_s: FloatArray, arms: Mapping[Side, ArmAngles], tracks: Mapping[str, Track]) -> None:
        assert self.running is not None
        if self.calibration is None or not len(time_s):
            return
        own = self.calibration.arms
        seen = {side: seen_by(own[side], tracks, len(time_s)) for side in arms}
        self.running.push(time_s, arms, seen, {side: counting_track(tracks, side) for side in arms})

    def _see_set_anew(self, part: Part) -> None:
        """It became known which way the person faces: what was seen of the set so far is seen otherwise."""
        if self.running is None or not self.running.restart():
            return
        rows = self._memory.since(self.running.event.onset_s)
        # The part's own rows come with it.
        rows = rows[: len(rows) - len(part.time_s)]
        if not len(rows):
            return
        time_s, tracks = rows[:, 0], self._memory.tracks(rows)
        attitudes = self._memory.attitudes(rows, self._orient.biases)
        kept = self._kept(time_s, attitudes, SIDES)
        arms = {side: self._angles_of(side, own, attitudes) for side, own in kept.items() if self._knows(side)}
        self._push_set(time_s, arms, tracks)

    def _close_set(self, part: Part) -> None:
        assert self.running is not None
        event = next(event for event in part.ended if event.trial_type == "set")
        closed = self.running.close(event.end_s)
        for found in closed:
            time_s, columns = self.running.rows_of(found.arm_set.side)
            self._beyond.look(found.arm_set.side, time_s, columns, self.running.rate_hz)
        self.sets += closed
        self._closed, self.running = self.running, None


def _again(slip: Slip, before: Sequence[Slip]) -> bool:
    """Whether a slip was found before, with the moments up to then."""
    return any(slip.placement == own.placement and abs(slip.time_s - own.time_s) < SAME_SLIP_S for own in before)


def _rows_of(track: Track, rows: slice) -> Track:
    return Track(track.placement, track.acc_m_s2[rows], track.gyr_rad_s[rows], track.valid[rows], track.clipped[rows])
