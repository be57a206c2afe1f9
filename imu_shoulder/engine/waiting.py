"""Rows of a stream that went through the filters and wait for the other stages, as a few rows cost as much as many."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from imu_shoulder.model import FloatArray, Track
from imu_shoulder.orient.attitude import Attitude, joined


@dataclass(frozen=True, slots=True)
class Filtered:
    """time_s: (n,). tracks, attitudes: by placement; no attitudes before the filters were started."""

    time_s: FloatArray
    tracks: Mapping[str, Track]
    attitudes: Mapping[str, Attitude]


class Waiting:
    """newest: of what was put in last, also when it waits no longer; None before any."""

    def __init__(self) -> None:
        self._parts: list[Filtered] = []
        self.newest: Filtered | None = None

    def put(self, time_s: FloatArray, tracks: Mapping[str, Track], attitudes: Mapping[str, Attitude]) -> None:
        self.newest = Filtered(time_s, tracks, attitudes)
        self._parts.append(self.newest)

    def take(self) -> Filtered | None:
        """All that waits, as one; None where nothing does."""
        parts, self._parts = self._parts, []
        if len(parts) < 2:
            return parts[0] if parts else None
        first = parts[0]
        return Filtered(
            np.concatenate([own.time_s for own in parts]),
            {placement: joined_tracks([own.tracks[placement] for own in parts]) for placement in first.tracks},
            {placement: joined([own.attitudes[placement] for own in parts]) for placement in first.attitudes},
        )


def joined_tracks(tracks: Sequence[Track]) -> Track:
    """One sensor's rows, one behind the other."""
    names = ("acc_m_s2", "gyr_rad_s", "valid", "clipped")
    acc, gyr, valid, clipped = (np.concatenate([getattr(track, name) for track in tracks]) for name in names)
    return Track(tracks[0].placement, acc, gyr, valid, clipped)
