"""Where recordings come from: folders, foreign CSV files, replay. A live sensor keeps the same Protocol."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from imu_shoulder.errors import ParameterError
from imu_shoulder.model import Event, FloatArray, Recording, SensorStream


@dataclass(frozen=True, slots=True)
class Chunk:
    """What arrived since the last chunk: samples by placement, and events that began. Either may be empty."""

    streams: Mapping[str, SensorStream]
    events: tuple[Event, ...] = ()


class Source(Protocol):
    """Anything that yields sensor data in order of time."""

    @property
    def rates_hz(self) -> Mapping[str, float]:
        """Declared sample rate of each sensor that will come, by placement."""
        ...

    def chunks(self) -> Iterator[Chunk]:
        """The chunks in order; ends when the source does."""
        ...


@dataclass(frozen=True, slots=True)
class RecordingSource:
    """Replays a recording in chunks of chunk_s seconds of its clock, as fast as they are taken."""

    recording: Recording
    chunk_s: float = 0.1

    def __post_init__(self) -> None:
        if not self.chunk_s > 0:
            raise ParameterError("chunk_s over 0", f"it is {self.chunk_s:g}", "give a length in seconds")

    @property
    def rates_hz(self) -> Mapping[str, float]:
        return {placement: stream.declared_rate_hz for placement, stream in self.recording.streams.items()}

    def chunks(self) -> Iterator[Chunk]:
        streams = self.recording.streams
        elapsed = {placement: _elapsed_s(stream.time_s) for placement, stream in streams.items()}
        start_s = min(float(times[0]) for times in elapsed.values())
        end_s = max(float(times[-1]) for times in elapsed.values())
        edges = start_s + self.chunk_s * np.arange(1, int((end_s - start_s) / self.chunk_s) + 2)
        ends = {placement: times.searchsorted(edges).tolist() for placement, times in elapsed.items()}
        done = dict.fromkeys(streams, 0)
        told = -np.inf
        for k, edge in enumerate(edges):
            cut = {}
            for placement, stream in streams.items():
                end = ends[placement][k]
                if end > done[placement]:
                    cut[placement] = _rows(stream, done[placement], end)
                    done[placement] = end
            last = np.inf if edge == edges[-1] else edge
            begun = tuple(event for event in self.recording.events if told <= event.onset_s < last)
            told = last
            yield Chunk(cut, begun)


def _elapsed_s(time_s: FloatArray) -> FloatArray:
    """Stamps that never fall, so that a clock that was set back still replays in the order of its rows."""
    forward = np.maximum(np.diff(time_s), 0.0)
    return np.concatenate([time_s[:1], time_s[0] + np.cumsum(forward)])


def _rows(stream: SensorStream, start: int, end: int) -> SensorStream:
    rows = slice(start, end)
    # A live page plays hundreds a second: `replace`, which goes through all fields by name, takes twice as long.
    return SensorStream(
        stream.placement,
        stream.time_s[rows],
        stream.acc_m_s2[rows],
        stream.gyr_rad_s[rows],
        stream.declared_rate_hz,
        None if stream.mag is None else stream.mag[rows],
        stream.acc_range_m_s2,
        stream.gyr_range_rad_s,
    )
