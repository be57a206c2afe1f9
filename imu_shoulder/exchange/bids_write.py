"""Recordings as a Motion-BIDS data set: Brain Imaging Data Structure, specification 1.10, motion.md.

Every sensor is a tracking system of its own, because each has its own clock and its own samples: one motion.tsv without
header whose first channel, LATENCY, is the sample's time. Joint angles, if given, are one more.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from imu_shoulder import __version__
from imu_shoulder.analysis import Params
from imu_shoulder.files import make_folders, whole_folder, write_text
from imu_shoulder.identity import Shared, label
from imu_shoulder.model import SIDES, FloatArray, SensorStream
from imu_shoulder.sources.events import events_tsv
from imu_shoulder.validate.origin import as_json, origin

BIDS_VERSION = "1.10.0"
ANGLES = "jointangles"
CHANNEL_TYPES = ("ACCEL", "ANGACCEL", "GYRO", "JNTANG", "LATENCY", "MAGN", "MISC", "ORNT", "POS", "VEL")
FRAMES = {
    "sensor": "The sensor's own axes as printed on it or in its data sheet; they move with the body part.",
    "segment": "Joint angles between trunk, upper arm and forearm as docs/coordinates.md defines them; pronation is "
    "counted from the thumb pointing forward.",
}
EVENT_COLUMNS: Mapping[str, Mapping[str, Any]] = {
    "trial_type": {
        "Description": "What the athlete was doing.",
        "Levels": {
            "neutral_pose": "Standing still, arm hanging, thumb forward.",
            "elbow_bends": "Bends of the elbow with the upper arm still.",
            "forward_raises": "Raises of the straight arm to the front.",
            "bends_at_shoulder_height": "Bends of the elbow with the upper arm held at shoulder height.",
            "set": "One set of the drill named in column drill.",
        },
    },
    "drill": {"Description": "Id of the drill of a set."},
    "side": {"Description": "Working arm.", "Levels": {s: f"{s.capitalize()}." for s in ("right", "left", "both")}},
    "pain": {"Description": "Pain from 0 to 10 as the athlete said it."},
    "effort": {"Description": "How hard the set was, from 0 to 10, as the athlete said it."},
    **{
        f"{side}_{name}": {"Description": f"Of the {side} arm in a live set: {text}."}
        for side in SIDES
        for name, text in (
            ("counted", "reps counted while it went on"),
            ("extra", "how many of them were more than asked"),
            ("corrected", "reps more or less than counted, by hand"),
        )
    },
    "load_kg": {"Description": "Load in the hand.", "Units": "kg"},
    "note": {"Description": "Free text."},
    "direction": {"Description": "Direction of the raise, as the drill names it."},
}


@dataclass(frozen=True, slots=True)
class Exported:
    """One recording to export. angles: the table of angles.parquet, or None for raw channels only."""

    shared: Shared
    angles: pd.DataFrame | None = None


def write_bids(
    exported: Sequence[Exported], out: Path, task: str = "shoulderwarmup", params: Params | None = None
) -> None:
    """Write a data set into a new or empty folder; each recording is one session of its participant.

    params: what the angles were worked out with; None without any.
    Raises OutputError where the folder has files or cannot be written, ParameterError for a task without letters.
    """
    task = label(task)
    with whole_folder(out) as scratch:
        _write_top([one.shared for one in exported], params, scratch)
        for one in exported:
            _write_session(one, scratch / f"sub-{one.shared.participant}" / f"ses-{one.shared.session}", task)


def _write_top(shared: Sequence[Shared], params: Params | None, out: Path) -> None:
    _json(
        out / "dataset_description.json",
        {
            "Name": "Shoulder warm-up drills",
            "BIDSVersion": BIDS_VERSION,
            "DatasetType": "raw",
            "GeneratedBy": [{"Name": "imu-shoulder", "Version": __version__}],
        },
    )
    write_text(
        out / "README",
        "Inertial sensors on the arms during shoulder warm-up drills.\n\n"
        f"Recordings: {len(shared)}, each a session of its participant, numbered by their start.\n"
        "Each tracking system is one sensor, its tracked point the place it was worn; tracksys-jointangles,\n"
        "where there is one, holds angles computed from them. Channel LATENCY is the time of each sample since\n"
        "acq_time in scans.tsv. Accelerometers measure specific force: at rest +9.8 m/s^2 upward.\n\n"
        "Nothing here clears anyone for anything; it is not medical data of a medical device.\n",
    )
    rows = {f"sub-{one.participant}": "n/a" if one.athlete is None else one.athlete for one in shared}
    _tsv(out / "participants.tsv", pd.DataFrame({"participant_id": list(rows), "athlete": list(rows.values())}))
    make_folders(out / "code")
    used = ({}, {}) if params is None else (asdict(params), params.changed)
    came_from = origin([one.recording for one in shared], *used)
    write_text(out / "code" / "origin.json", as_json(came_from))
    _json(out / "participants.json", {"athlete": {"Description": "Initials as in the recording, n/a if withheld."}})


def _write_session(one: Exported, folder: Path, task: str) -> None:
    recording, motion = one.shared.recording, folder / "motion"
    make_folders(motion)
    scans = []
    session = f"sub-{one.shared.participant}_ses-{one.shared.session}"
    stem = f"{session}_task-{task}"
    for stream in recording.streams.values():
        system = "".join(part if k == 0 else part.capitalize() for k, part in enumerate(stream.placement.split("_")))
        scans.append(_write_system(motion, f"{stem}_tracksys-{system}", task, _sensor_table(stream), _sensor(stream)))
    if one.angles is not None:
        table, head = _angle_table(one.angles)
        scans.append(_write_system(motion, f"{stem}_tracksys-{ANGLES}", task, table, head))
    if recording.events:
        write_text(motion / f"{stem}_events.tsv", events_tsv(recording.events))
        used = events_tsv(recording.events).split("\n", 1)[0].split("\t")
        _json(motion / f"{stem}_events.json", {k: v for k, v in EVENT_COLUMNS.items() if k in used})
    _tsv(
        folder / f"{session}_scans.tsv",
        pd.DataFrame(
            {
                "filename": [f"motion/{name}" for name in scans],
                "acq_time": _acq_time(recording.start),
                "start": recording.start,
            }
        ),
    )
    _json(
        folder / f"{session}_scans.json",
        {
            "start": {"Description": "Start with the time zone as it was written, second 0 of the recording's clock."},
        },
    )


def _sensor_table(stream: SensorStream) -> tuple[pd.DataFrame, FloatArray]:
    """channels.tsv and the samples (N, C)."""
    kinds = [("acc", "ACCEL", "m/s^2", stream.acc_m_s2), ("gyr", "GYRO", "rad/s", stream.gyr_rad_s)]
    if stream.mag is not None:
        kinds.append(("mag", "MAGN", "n/a", stream.mag))
    rows = [("latency", "n/a", "LATENCY", "n/a", "s", "n/a")]
    for short, kind, unit, _ in kinds:
        rows += [(f"{short}_{axis}", axis, kind, stream.placement, unit, "sensor") for axis in "xyz"]
    return _channels(rows), np.hstack([stream.time_s[:, None], *(values for *_, values in kinds)])


def _channels(rows: Sequence[tuple[str, ...]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["name", "component", "type", "tracked_point", "units", "reference_frame"])


def _sensor(stream: SensorStream) -> dict[str, Any]:
    head: dict[str, Any] = {
        "TrackingSystemName": f"IMU {stream.placement.replace('_', ' ')}",
        "SamplingFrequency": stream.declared_rate_hz,
        "TrackedPointsCount": 1,
    }
    if stream.acc_range_m_s2 is not None:
        head["AccelerometerRange"] = stream.acc_range_m_s2
    if stream.gyr_range_rad_s is not None:
        head["GyroscopeRange"] = stream.gyr_range_rad_s
    return head


def _angle_table(angles: pd.DataFrame) -> tuple[tuple[pd.DataFrame, FloatArray], dict[str, Any]]:
    names = [c for c in angles.columns if c != "time_s" and pd.api.types.is_float_dtype(angles[c])]
    rows = [("latency", "n/a", "LATENCY", "n/a", "s", "n/a")]
    rows += [(c, "n/a", "MISC" if c.endswith("_sd") else "JNTANG", _joint(c), "deg", "segment") for c in names]
    time_s = angles["time_s"].to_numpy(dtype=np.float64)
    head = {
        "TrackingSystemName": "Joint angles computed by imu-shoulder",
        "SamplingFrequency": round(1 / float(np.median(np.diff(time_s))), 6),
        "TrackedPointsCount": len({row[3] for row in rows[1:]}),
    }
    return (_channels(rows), np.column_stack([time_s, angles[names].to_numpy(dtype=np.float64)])), head


def _joint(column: str) -> str:
    side = column.split("_", 1)[0]
    if "trunk" in column:
        return "trunk"
    return f"{side}_{'elbow' if any(part in column for part in ('elbow', 'forearm', 'thumb')) else 'shoulder'}"


def _write_system(
    motion: Path, stem: str, task: str, table: tuple[pd.DataFrame, FloatArray], head: Mapping[str, Any]
) -> str:
    channels, samples = table
    counts = channels["type"].value_counts()
    duration_s = float(samples[-1, 0] - samples[0, 0])
    _tsv(motion / f"{stem}_channels.tsv", channels)
    frames = {
        frame: {"Description": FRAMES[frame]} for frame in channels["reference_frame"].unique() if frame in FRAMES
    }
    _json(
        motion / f"{stem}_channels.json",
        {"reference_frame": {"Description": "Frame in which a channel is given.", "Levels": frames}},
    )
    _json(
        motion / f"{stem}_motion.json",
        {
            "TaskName": task,
            "TaskDescription": "Shoulder stability drills in the warm-up, with calibration movements.",
            **head,
            "SamplingFrequencyEffective": (len(samples) - 1) / duration_s
            if duration_s > 0
            else head["SamplingFrequency"],
            "RecordingType": "continuous",
            "RecordingDuration": duration_s,
            "MotionChannelCount": len(channels),
            **{f"{kind}ChannelCount": int(counts.get(kind, 0)) for kind in CHANNEL_TYPES},
            "MissingValues": "n/a",
        },
    )
    columns = [np.char.mod("%.6f", samples[:, 0])]
    for k in range(1, samples.shape[1]):
        text = np.char.mod("%.9g", samples[:, k])
        columns.append(np.where(np.isfinite(samples[:, k]), text, "n/a"))
    lines = "\n".join("\t".join(row) for row in zip(*columns, strict=True))
    name = f"{stem}_motion.tsv"
    write_text(motion / name, lines + "\n")
    return name


def _acq_time(start: str) -> str:
    """BIDS' date and time: UTC with Z where the zone is known, else local without one."""
    moment = datetime.fromisoformat(start)
    if moment.tzinfo is None:
        return moment.isoformat(timespec="microseconds")
    return moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def _tsv(path: Path, table: pd.DataFrame) -> None:
    write_text(path, table.to_csv(sep="\t", index=False, na_rep="n/a", lineterminator="\n"))


def _json(path: Path, values: Mapping[str, Any]) -> None:
    write_text(path, json.dumps(values, indent=2, ensure_ascii=False) + "\n")
