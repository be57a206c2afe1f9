"""All that a stream said of a finished recording, row by row: what a file's causal form is written from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.angles.lean import asked_stance, off_upright, upright_only
from imu_shoulder.angles.uncertainty import angle_sd
from imu_shoulder.calibrate.model import Calibration
from imu_shoulder.drills import Drill
from imu_shoulder.engine.asked import Asked
from imu_shoulder.engine.seating import Kept
from imu_shoulder.engine.stream import Stream
from imu_shoulder.model import SIDES, Aligned, Event, FloatArray, IntArray, Recording, Side, Track
from imu_shoulder.orient.attitude import Attitude, joined
from imu_shoulder.segment.model import ArmSet, rows_between
from imu_shoulder.segment.sets import leading_curve


@dataclass(frozen=True, slots=True)
class _Piece:
    """Consecutive rows. calibration: by which their angles were worked out."""

    time_s: FloatArray
    tracks: Mapping[str, Track]
    attitudes: Mapping[str, Attitude]
    kept: Kept
    arms: Mapping[Side, ArmAngles]
    calibration: Calibration


class Recorded:
    """Give it to a Stream as `record`; ask for the analysis when the stream has finished."""

    def __init__(self, params: Params) -> None:
        self._params = params
        self._pieces: list[_Piece] = []

    def __call__(
        self,
        time_s: FloatArray,
        tracks: Mapping[str, Track],
        attitudes: Mapping[str, Attitude],
        kept: Kept,
        arms: Mapping[Side, ArmAngles],
        calibration: Calibration,
    ) -> None:
        if len(time_s):
            self._pieces.append(_Piece(time_s, tracks, attitudes, kept, arms, calibration))

    def analysis(self, recording: Recording, aligned: Aligned, stream: Stream, asked: Asked) -> Analysis:
        """aligned: the recording as all of it shows it, for its quality. The rows begin shortly before the pose."""
        assert stream.calibration is not None
        stretches = self._stretches(stream.rate_hz, recording.events, asked.drills)
        time_s = np.concatenate([own.time_s for own in stretches])
        tracks = {p: _joined_tracks([own.tracks[p] for own in stretches]) for p in stretches[0].tracks}
        attitudes = {p: joined([own.attitudes[p] for own in stretches]) for p in stretches[0].attitudes}
        counts = [len(own.time_s) for own in stretches]
        arms = {
            side: _joined_arms([own.arms.get(side) for own in stretches], counts)
            for side in SIDES
            if side in stream.calibration.arms
        }
        on_grid = Aligned(stream.rate_hz, time_s, tracks, aligned.findings, aligned.quality)
        sets = tuple(replace(own, arm_set=_on_grid(own.arm_set, arms, time_s)) for own in stream.sets)
        # What all of the recording says of rows says it with their exact times.
        known = {(finding.placement, finding.code) for finding in aligned.findings}
        findings = tuple(f for f in stream.findings if (f.placement, f.code) not in known)
        return Analysis(
            recording, self._params, on_grid, attitudes, stream.calibration, arms, sets, findings, asked.apart
        )

    def _stretches(self, rate_hz: float, events: Sequence[Event], drills: Mapping[str, Drill]) -> list[_Piece]:
        """The pieces joined as long as one calibration held, with the angles' standard deviations."""
        groups: list[list[_Piece]] = []
        for piece in self._pieces:
            if groups and groups[-1][0].calibration is piece.calibration:
                groups[-1].append(piece)
            else:
                groups.append([piece])
        self._pieces = []
        stretches = map(_joined_pieces, groups)
        return [self._with_sd(piece, rate_hz, asked_stance(piece.time_s, events, drills)) for piece in stretches]

    def _with_sd(self, piece: _Piece, rate_hz: float, stance: IntArray) -> _Piece:
        params = self._params
        arms = {}
        for side, arm in piece.arms.items():
            seat = piece.calibration.arms[side]
            sd = angle_sd(arm, seat, piece.kept[side], rate_hz, stance, params.angles, params.uncertainty)
            arm = replace(arm, sd={**sd, **arm.sd})
            arms[side] = upright_only(arm, off_upright(arm, stance, params.angles.leant_deg))
        return replace(piece, arms=arms)


def _joined_pieces(pieces: Sequence[_Piece]) -> _Piece:
    first = pieces[0]
    counts = [len(piece.time_s) for piece in pieces]
    return _Piece(
        np.concatenate([piece.time_s for piece in pieces]),
        {p: _joined_tracks([piece.tracks[p] for piece in pieces]) for p in first.tracks},
        {p: joined([piece.attitudes[p] for piece in pieces]) for p in first.attitudes},
        {side: {p: joined([piece.kept[side][p] for piece in pieces]) for p in own} for side, own in first.kept.items()},
        {side: _joined_arms([piece.arms[side] for piece in pieces], counts) for side in first.arms},
        first.calibration,
    )


def _joined_tracks(tracks: Sequence[Track]) -> Track:
    acc, gyr, valid, clipped = (
        np.concatenate([getattr(track, name) for track in tracks])
        for name in ("acc_m_s2", "gyr_rad_s", "valid", "clipped")
    )
    return Track(tracks[0].placement, acc, gyr, valid, clipped)


def _joined_arms(arms: Sequence[ArmAngles | None], counts: Sequence[int]) -> ArmAngles:
    """One behind the other, counts rows each; a column is empty where it was not known yet."""
    known = [arm for arm in arms if arm is not None]

    def table(name: str) -> dict[str, FloatArray]:
        columns = dict.fromkeys(column for arm in known for column in getattr(arm, name))
        return {
            column: np.concatenate(
                [
                    np.full(count, np.nan)
                    if arm is None or column not in getattr(arm, name)
                    else getattr(arm, name)[column]
                    for arm, count in zip(arms, counts, strict=True)
                ]
            )
            for column in columns
        }

    from_forearm = [
        np.full(count, np.nan) if arm is None else arm.rotation_from_forearm
        for arm, count in zip(arms, counts, strict=True)
    ]
    return replace(
        known[-1],
        angles=table("angles"),
        sd=table("sd"),
        hidden=table("hidden"),
        rotation_from_forearm=np.concatenate(from_forearm),
        scapula_reference=next((arm.scapula_reference for arm in reversed(known) if arm.scapula_reference), ""),
    )


def _on_grid(arm_set: ArmSet, arms: Mapping[Side, ArmAngles], time_s: FloatArray) -> ArmSet:
    """The set with its rows in the whole grid (M,), and its curve on all of them."""
    rows = rows_between(time_s, arm_set.start_s, arm_set.end_s)
    found = (
        None
        if arm_set.counted_only or arm_set.drill is None
        else leading_curve(arms[arm_set.side], arm_set.drill, rows)
    )
    if found is not None:
        curve = found[1]
    elif len(arm_set.curve_deg):
        own_s = np.linspace(arm_set.start_s, arm_set.end_s, len(arm_set.curve_deg))
        curve = np.interp(time_s[rows], own_s, arm_set.curve_deg)
    else:
        curve = np.full(rows.stop - rows.start, np.nan)
    return replace(arm_set, rows=(rows.start, rows.stop), curve_deg=curve)
