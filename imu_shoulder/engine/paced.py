"""When a stream's stages go through which rows: chunks and marks in the order in which they take effect.

Each push goes through the filters at once, so that the newest attitudes can be glanced at; everything else waits for
the next look, LOOK_S at most: a few rows cost as much as many. The result does not depend on how the stream was cut:
what looks at the past does so every so many rows of the common grid, and a mark takes effect between two rows of it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import inf

from imu_shoulder.align.stream import Align
from imu_shoulder.analysis import Params
from imu_shoulder.drills import Drill
from imu_shoulder.engine.marks import Mark, Marks
from imu_shoulder.engine.order import Part, Stages
from imu_shoulder.model import Aligned, Event, FloatArray, SensorStream, Side, Track
from imu_shoulder.orient.attitude import Attitude
from imu_shoulder.orient.stream import Filtered, OrientStream

# The past is looked at every LOOK_S of rows.
LOOK_S = 0.24


class Paced(Stages):
    """push() samples, begin() and end() what is done. grid_s: time of the newest row of the common grid.

    open: the event that goes on. events: those that are over.
    """

    def __init__(self, rates_hz: Mapping[str, float], params: Params) -> None:
        """rates_hz: of each sensor expected."""
        self._align = Align(params.align, rates_hz)
        self.rate_hz = self._align.rate_hz
        self._look_rows = max(1, round(LOOK_S * self.rate_hz))
        self._orient = OrientStream(list(rates_hz), self.rate_hz, params.orient, list(rates_hz.values()))
        # Rows that went through the filters and wait for the other stages; and the newest of all.
        self._waiting: list[Filtered] = []
        self._newest: Filtered | None = None
        # Of the rows that go through the stages now.
        self._attitudes: Mapping[str, Attitude] = {}
        self._rows = self._began = self._set_number = 0
        self.grid_s: float | None = None
        self._marks = Marks()
        self._over = False
        self.open: Event | None = None
        # The mark with which the latest event began, and the number of the one that goes on, -1 for none.
        self._opened: Mark | None = None
        self._block = -1
        self.events: list[Event] = []

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
        self._over = True
        self._take(self._align.finish())
        self._catch_up()
        for mark in self._marks.left_ends():
            self._mark(replace(mark, time_s=min(mark.time_s, self.mark_s)))
        if self.open is not None:
            self._mark(Mark(self.mark_s))

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
        self._put(Mark(event.onset_s, event, drill, asked, number))

    def end(self, time_s: float | None = None) -> None:
        """What goes on, or what begins next, is over at time_s. Without a time: now, whatever was said before."""
        if time_s is None:
            self._marks.take_back_end()
        self._put(Mark(self.mark_s if time_s is None else time_s))

    def raw_since(self, start_s: float) -> tuple[FloatArray, list[Track]]:
        """The last seconds of the common grid, before any filter."""
        return self._orient.raw_since(start_s)

    # How it does it.

    def _take(self, aligned: Aligned) -> None:
        """The rows in parts that end where the past is looked at or where a mark lies."""
        first, count = 0, len(aligned.time_s)
        self._apply_marks(float(aligned.time_s[0]) if count else None)
        while first < count:
            last = min(count, first + self._look_rows - self._rows % self._look_rows)
            last = self._marks.first_in(aligned.time_s, first, last)
            time_s, part = aligned.time_s[first:last], slice(first, last)
            tracks = aligned.tracks if last - first == count else {p: t.at(part) for p, t in aligned.tracks.items()}
            self._rows += last - first
            self.grid_s = float(time_s[-1])
            self._newest = self._orient.push(time_s, tracks)
            self._waiting.append(self._newest)
            if self._rows % self._look_rows == 0:
                self._catch_up(looks=True)
            first = last
            self._apply_marks(self.grid_s + 1 / self.rate_hz)

    def _catch_up(self, *, looks: bool = False) -> None:
        """Take the rows that wait through the stages."""
        if self._waiting:
            rows, self._waiting = Filtered.joined(self._waiting), []
            self._attitudes = rows.attitudes
            self.advance(Part(rows.time_s, rows.tracks, looks=looks))

    def _due(self, every: int) -> bool:
        return self._rows // self._look_rows % every == 0

    def _put(self, mark: Mark) -> None:
        self._marks.put(mark)
        self._apply_marks(None if self.grid_s is None else self.grid_s + 1 / self.rate_hz)

    def _apply_marks(self, next_s: float | None) -> None:
        """Those before the next row. next_s: its time."""
        for mark in self._marks.due(next_s):
            self._catch_up()
            self._mark(mark)

    def _mark(self, mark: Mark) -> None:
        # What begins ends what went on.
        ended = tuple(self._open_until(mark.time_s))
        self.events += [event for event in ended if event.trial_type != "neutral_pose"]
        self.open, self._block = None, -1
        began: tuple[Event, ...] = ()
        if mark.begins is not None:
            self._began += 1
            if mark.begins.trial_type == "set":
                self._set_number = self._set_number + 1 if mark.number is None else mark.number
            began, self._opened = (mark.begins,), mark
            self.open = mark.begins
            self._block = -1 if mark.begins.trial_type == "neutral_pose" else self._began
        if began or ended:
            time_s, tracks = self._orient.raw_since(inf)  # no row
            self.advance(Part(time_s, {track.placement: track for track in tracks}, began, ended, looks=False))

    def _so_far(self) -> list[Event]:
        """The events, with the one that goes on until now."""
        return [*self.events, *self._open_until(self.mark_s)]

    def _open_until(self, end_s: float) -> list[Event]:
        """The event that goes on, if one does, as if it ended then."""
        return [replace(own, duration_s=max(end_s - own.onset_s, 0.0)) for own in (self.open,) if own is not None]
