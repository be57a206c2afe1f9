"""The draft of a column map: files looked at, sensors put together, what cannot be seen asked."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import combinations
from pathlib import Path, PurePath

import numpy as np

from imu_shoulder.align.apart import LEAST_S, Turning, clocks_apart
from imu_shoulder.align.upside import Upright, upside_down
from imu_shoulder.draft import names as said
from imu_shoulder.draft.look import Looked, look
from imu_shoulder.draft.pairs import Pair, pairs_of
from imu_shoulder.draft.parts import Part, parts_of
from imu_shoulder.draft.questions import Answers, Question
from imu_shoulder.draft.sensors import Draft, accelerometer, accelerometer_axes, drafted, gyroscope
from imu_shoulder.errors import ColumnMapError, RecordingError
from imu_shoulder.limits import MAX_ITEMS
from imu_shoulder.model import PLACEMENTS, limb_words
from imu_shoulder.sources.opened import is_zip, names_in_zip, on_disk
from imu_shoulder.sources.stamps import is_text

# Endings of files that are no tables; they are passed over in a folder.
_NO_TABLES = (
    ".toml",
    ".json",
    ".html",
    ".md",
    ".pdf",
    ".png",
    ".jpg",
    ".jpeg",
    ".mp4",
    ".py",
    ".parquet",
    ".npz",
    ".mat",
)
_MARKS = "events.tsv"


@dataclass
class Drafted:
    """questions: what must be answered first; without them `sensors` are complete, in the order of placements.

    passed: files that were passed over, each with the reason. start: of the recording, ISO 8601, and where it is from.
    """

    sensors: list[Draft] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    passed: list[str] = field(default_factory=list)
    start: tuple[str, str] = ("", "")
    events: str = ""
    notes: list[str] = field(default_factory=list)


def look_at(paths: Sequence[Path], folder: Path) -> tuple[list[Looked], list[str]]:
    """The files that hold tables, and of each other the reason why it is passed over.

    folder: that of the map, in which files are named. Raises RecordingError where none holds a table.
    """
    found: list[Looked] = []
    passed: list[str] = []
    errors: list[RecordingError] = []
    files = _files(paths)
    for path in files:
        name = _name(path, folder)
        try:
            found.append(look(path, name))
        except RecordingError as error:
            errors.append(error)
            passed.append(f"{name}: {error.came}")
    if not found:
        raise errors[0]
    return found, passed


def _files(paths: Sequence[Path]) -> list[Path]:
    """All files that are meant: those of folders and in zip files, too."""
    out: list[Path] = []
    for path in paths:
        if path.is_dir():
            inner = sorted(one for one in path.rglob("*") if one.is_file() and not one.name.startswith("."))
            out += [one for one in inner if one.suffix.lower() not in _NO_TABLES and one.name != _MARKS]
        else:
            out.append(path)
        if len(out) > MAX_ITEMS:
            raise RecordingError(
                f"at most {MAX_ITEMS} files", f"there are more in {path}", "give those of one recording"
            )
    unpacked: list[Path] = []
    for path in dict.fromkeys(out):
        inside = path.is_file() and path.stat().st_size > 0 and is_zip(path)
        unpacked += [path / name for name in names_in_zip(path)] if inside else [path]
    if not unpacked:
        raise RecordingError("files to look at", "there are none", "give a file, or a folder that has some")
    return unpacked


def _name(path: Path, folder: Path) -> str:
    try:
        return PurePath(os.path.relpath(path.absolute(), folder.absolute())).as_posix()
    except ValueError:  # another drive
        return path.absolute().as_posix()


def draft(files: Sequence[Looked], answers: Answers, folder: Path) -> Drafted:
    """The draft, or what must be asked first. Raises RecordingError where no sensor can be made of the files."""
    out = Drafted()
    parts: list[Part] = []
    for looked in files:
        own = parts_of(looked)
        if not any(part.kind in (said.ACC, said.GYR, said.GRAVITY, said.LINEAR) for part in own):
            out.passed.append(f"{looked.name}: no accelerometer or gyroscope in it can be told")
        parts += own
    pairs, left = pairs_of(parts)
    for part in left:
        what, other = ("accelerometer", "gyroscope") if part.kind == said.ACC else ("gyroscope", "accelerometer")
        out.passed.append(f"{part.looked.name}: it cannot be told which {other} goes with its {what}")
    labels = _labels(pairs)
    out.sensors = [drafted(pair, label, answers) for pair, label in zip(pairs, labels, strict=True)]
    ready = [one for one in out.sensors if not one.questions]
    for one in ready:
        accelerometer(one, answers)
    ready = [one for one in ready if not one.questions]
    for one in ready:
        accelerometer_axes(one)
    # Those that turned enough first: the others go by them.
    for one in [one for one in ready if not gyroscope(one, answers)]:
        gyroscope(one, answers, ready)
    _place(out, answers)
    out.questions += [question for one in out.sensors for question in one.questions]
    if not out.questions:
        out.sensors.sort(key=lambda one: PLACEMENTS.index(one.keys["placement"]))
        _check_clocks(out)
        _check_up(out)
    out.start = _start(out)
    out.events = _MARKS if (folder / _MARKS).is_file() else ""
    return out


def _labels(pairs: Sequence[Pair]) -> list[str]:
    """What the user calls each sensor by: what tells it from the others, file first, then rows, then columns."""
    files = [pair.acc.looked.name for pair in pairs]
    values = [pair.acc.rows.value for pair in pairs]
    out = []
    for pair, name, value in zip(pairs, files, values, strict=True):
        if files.count(name) == 1:
            out.append(name)
        elif value and values.count(value) == 1:
            out.append(value)
        else:
            words = pair.acc.group or pair.acc.body
            same = [other for other in pairs if (other.acc.group or other.acc.body) == words]
            out.append(words if words and len(same) == 1 else f"{name}:{pair.acc.places[0] + 1}")
    return out


def _place(out: Drafted, answers: Answers) -> None:
    """Where each sensor is worn: by what the user says, else by the names of files, rows and columns."""
    given = dict(answers.placements)
    for number, one in enumerate(out.sensors, start=1):
        placement = next((given.pop(key) for key in _called(one, number, out.sensors) if key in given), "")
        segment, side = said.worn_by(one.pair.hints)
        why = "as you said"
        if not placement:
            placement = said.placement_of(segment, answers.side or side)
            why = "by its name" + (" and the side that you said" if answers.side and not side else "")
        if placement:
            one.put("placement", placement, why)
        elif segment:
            came = f"{one.label} is worn on the {limb_words(segment)}, and nothing says of which arm"
            one.ask("side", "left or right", came, "--side left or --side right", ("left", "right"))
        else:
            came = f"nothing says on which limb {one.label} is worn"
            one.ask(
                "placement", "where each sensor is worn", came, f'--placement "{one.label}=right_wrist"', PLACEMENTS
            )
    if given:
        labels = ", ".join(one.label for one in out.sensors)
        raise ColumnMapError(
            f"--placement of a sensor out of {labels}",
            f"it names {next(iter(given))!r}",
            "use one of these names, or its number",
        )
    for one, other in combinations(out.sensors, 2):
        if one.keys.get("placement") and one.keys.get("placement") == other.keys.get("placement"):
            came = f"{one.label} and {other.label} would both be {one.keys['placement']}"
            for twin in (one, other):
                twin.ask(
                    "placement",
                    "where each sensor is worn",
                    came,
                    f'--placement "{twin.label}=right_wrist"',
                    PLACEMENTS,
                )


def _called(one: Draft, number: int, sensors: Sequence[Draft]) -> list[str]:
    """Its label, its number, and its file's bare name or that of the zip file where no other has it."""
    parts = PurePath(one.label).parts
    short = [name for name in parts if sum(name in PurePath(other.label).parts for other in sensors) == 1]
    return [one.label, str(number), *reversed(short)]


def _check_clocks(out: Drafted) -> None:
    """Clocks of one arm that are apart, by how its sensors turn; and sensors that were on at other times."""
    turnings = [
        Turning(one.keys["placement"], one.time_s, np.linalg.norm(one.gyr_rad_s, axis=1)) for one in out.sensors
    ]
    starts = [turning.time_s[0] for turning in turnings]
    ends = [turning.time_s[-1] for turning in turnings]
    if len(turnings) < 2:
        return
    if max(starts) >= min(ends):
        # They count from different beginnings: each from its own first sample is the nearest guess.
        last = starts[0]
        for one, turning in zip(out.sensors, turnings, strict=True):
            if abs(turning.time_s[0] - last) > 0:
                one.put(
                    "offset_s",
                    round(last - float(turning.time_s[0]), 3),
                    "its clock is another: taken to begin together",
                )
        out.notes.append("the sensors' clocks have nothing in common: check offset_s")
        turnings = [Turning(t.placement, t.time_s - t.time_s[0] + last, t.rate_rad_s) for t in turnings]
    for apart in clocks_apart(turnings, ()):
        one = next(one for one in out.sensors if one.keys["placement"] == apart.placement)
        if not apart.steady:
            out.notes.append(f"{one.label}: {apart.text}")
            continue
        offset_s = float(one.keys.get("offset_s", 0.0)) - apart.ahead_s
        off = f"{abs(apart.ahead_s):.2f} s {'ahead' if apart.ahead_s > 0 else 'behind'}"
        why = f"its clock is {off}: so the arm's two turn together"
        one.put("offset_s", round(offset_s, 3), why)
        out.notes.append(
            f"{one.label}: its clock is {abs(apart.ahead_s):.2f} s off the other of its arm (from {LEAST_S:g} s on)"
        )


def _check_up(out: Drafted) -> None:
    """An accelerometer that reads -1 g upward, by the other one of its arm; where neither tells, both are said."""
    upright = [
        Upright(
            one.keys["placement"],
            one.time_s + float(one.keys.get("offset_s", 0.0)),
            one.acc_m_s2,
            one.gyr_rad_s,
        )
        for one in out.sensors
    ]
    wrong = upside_down(upright)
    for placement, other in wrong.items():
        one = next(one for one in out.sensors if one.keys["placement"] == placement)
        if other not in wrong:
            one.put("acc_sign", -1, f"against {other} it has up for down")
        else:
            out.notes.append(f"{placement} and {other}: one has up for down; set its acc_sign to -1")


def _start(out: Drafted) -> tuple[str, str]:
    """When the recording began: by stamps since 1970, else when the file was last written."""
    stamped = [one.epoch_s for one in out.sensors if one.epoch_s is not None]
    try:
        if stamped:
            # Dates and times are of some place's clock; seconds since 1970 are of Greenwich's.
            local = any(is_text(str(one.keys.get("time_unit"))) for one in out.sensors)
            began = datetime.fromtimestamp(min(stamped), UTC).replace(microsecond=0)
            return (began.replace(tzinfo=None) if local else began).isoformat(), "by its stamps"
        written = datetime.fromtimestamp(on_disk(out.sensors[0].pair.acc.looked.path)[0].stat().st_mtime, UTC)
        return written.replace(microsecond=0, tzinfo=None).isoformat(), "when the file was last written: correct it"
    except (ValueError, OverflowError, OSError):
        return "2000-01-01T00:00:00", "not known: correct it"
