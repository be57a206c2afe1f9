"""The flow: a recording goes in, sets and angles come out. Every command that computes calls this, nothing else."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace

from imu_shoulder.align import align_recording
from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.calibrate.model import Calibration
from imu_shoulder.calibrate.pose import NO_POSE
from imu_shoulder.calibrate.store import StoredCalibration, require_same_parameters
from imu_shoulder.drills import Drill
from imu_shoulder.engine.asked import Asked, asked_in
from imu_shoulder.engine.order import Part
from imu_shoulder.engine.whole import Whole
from imu_shoulder.errors import CalibrationError, RecordingError
from imu_shoulder.model import ARM_SEGMENTS, SIDES, Aligned, Recording, Side, on_arm

Progress = Callable[[str], None]
# A finished recording is pushed through the stream in pieces of this length; it does not matter how long.
CHUNK_S = 1.0


def analyse(
    recording: Recording,
    params: Params | None = None,
    drills: Mapping[str, Drill] | None = None,
    progress: Progress = lambda stage: None,
    asked: Mapping[int, Mapping[Side, Drill]] | None = None,
    apart: Collection[str] = (),
    stored: StoredCalibration | None = None,
    aligned: Aligned | None = None,
) -> Analysis:
    """Run every stage over a finished recording.

    drills: the user's own drills by id, looked at before the shipped ones. progress: told each stage's name.
    asked: what a plan asks of a set, by its number among the set events (from 1) and arm, in place of the drill's own.
    apart: drill names of set events that are no drill, such as range tests: no set is made of them.
    stored: an earlier recording's calibration, for the arms that have no calibration movements in this one.
    aligned: the recording on one clock, where it is there already.
    Raises ShoulderError when the recording, a drill or the calibration cannot be used.
    """
    params = params or Params()
    if stored is not None:
        require_same_parameters(stored, params.changed)
    require_worn(recording)
    if aligned is None:
        progress("align")
        aligned = align_recording(recording, params.align)
    if recording.lacks_marks:
        from imu_shoulder.propose import proposed  # takes its time to be imported

        recording = proposed(recording, drills=drills, params=params, aligned=aligned)
    wanted = asked_in(recording.events, drills, asked, apart)
    if params.afterwards:
        return _afterwards(recording, aligned, params, wanted, progress, stored)
    return _causally(recording, aligned, params, wanted, progress, stored)


def require_worn(recording: Recording) -> None:
    """Raises RecordingError where every set was done by an arm that wore no sensor."""
    sets = [event for event in recording.events if event.trial_type == "set"]
    worn = {side for side in SIDES if any(on_arm(side, segment) in recording.streams for segment in ARM_SEGMENTS)}
    bare = [event for event in sets if event.side in SIDES and event.side not in worn]
    if sets and len(bare) == len(sets):
        arms = " and ".join(side for side in SIDES if any(event.side == side for event in bare))
        raise RecordingError(
            f"a sensor on the {arms} arm, which every set of events.tsv names",
            f"sensors sat on {', '.join(recording.streams)}",
            "correct placement in recording.toml, or side in events.tsv",
        )


def _afterwards(
    recording: Recording,
    aligned: Aligned,
    params: Params,
    asked: Asked,
    progress: Progress,
    stored: StoredCalibration | None,
) -> Analysis:
    whole = Whole(aligned, params, asked, stored, progress)
    whole.advance(Part(aligned.time_s, aligned.tracks, recording.events, recording.events))
    return Analysis(
        recording,
        params,
        aligned,
        whole.attitudes,
        _by_whom(whole.calibration, recording),
        whole.arms,
        tuple(whole.sets),
        whole.findings,
        asked.apart,
        "" if whole.pose is not None else str(CalibrationError(*NO_POSE)),
    )


def _by_whom(calibration: Calibration | None, recording: Recording) -> Calibration | None:
    """The calibration, which says whether somebody marked its pose."""
    is_proposed = any(own.kind == "neutral_pose" for own in recording.proposals or ())
    return calibration if calibration is None else replace(calibration, pose_was_marked=not is_proposed)


def _causally(
    recording: Recording,
    aligned: Aligned,
    params: Params,
    asked: Asked,
    progress: Progress,
    stored: StoredCalibration | None,
) -> Analysis:
    """As a live session had it. What that cannot have, such as clocks repaired by all of a recording, is left out."""
    # Takes its time to be imported, and a usual analysis needs none of it.
    from imu_shoulder.engine.recorded import Recorded
    from imu_shoulder.engine.stream import Stream
    from imu_shoulder.sources import RecordingSource

    progress("stream")
    source = RecordingSource(recording, CHUNK_S)
    recorded = Recorded(params)
    stream = Stream(source.rates_hz, params, asked, stored, recorded)
    for event in sorted(recording.events, key=lambda event: event.onset_s):
        stream.begin(event)
        stream.end(event.end_s)
    for chunk in source.chunks():
        stream.push(chunk.streams)
    stream.finish()
    if stream.pose is None or stream.calibration is None:
        if not any(event.trial_type == "neutral_pose" for event in recording.events):
            # Counting without a pose looks at past and future alike.
            return _afterwards(recording, aligned, params, asked, progress, stored)
        raise stream.pose_error or CalibrationError(
            "a neutral pose before the first set",
            "the recording ends before one was over",
            "mark the stretch in which the person stands still",
        )
    analysis = recorded.analysis(recording, aligned, stream, asked)
    return replace(analysis, calibration=_by_whom(analysis.calibration, recording))
