"""Who is who: the one rule by which athletes are told apart, and what stands for them in what leaves the house."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from imu_shoulder.errors import ParameterError
from imu_shoulder.model import Recording

# Short enough to be guessed from its hash, and it names the athlete or holds free text.
_TELLING_FILES = re.compile(r"\.toml$|(^|/)events\.tsv$")
_LABEL_EACH = "give each athlete a label of its own with --participant"


@dataclass(frozen=True, slots=True)
class Shared:
    """A recording as it may leave the house.

    participant, session: labels of letters and digits; sessions of one participant are numbered by their start.
    athlete: the name as recorded, None where a label stands in its place. recording: named by the two labels, its
    athlete the participant's label if withheld; without the names of folder and files, and without notes unless asked.
    """

    participant: str
    session: str
    athlete: str | None
    recording: Recording


def person(name: str) -> str:
    """Equal for names of the same athlete: upper and lower case, spaces and the coding of letters do not count."""
    return " ".join(unicodedata.normalize("NFKC", name).casefold().split())


def one_name_each(recordings: Sequence[Recording]) -> list[Recording]:
    """The recordings, an athlete's name written alike in all of them.

    Raises ParameterError for two names that differ in signs only, such as P.00 and P 00: they may be one athlete, who
    would count as two, or two. Also for a recording that comes twice.
    """
    names = _names(recordings)
    _refuse_twice(recordings)
    alike = {who: "".join(filter(str.isalnum, who)) or who for who in names}
    _refuse_alike(alike, names, "are the same but for signs", f"write one athlete alike everywhere, or {_LABEL_EACH}")
    return [replace(recording, athlete=names[person(recording.athlete)]) for recording in recordings]


def share(recordings: Sequence[Recording], labels: Mapping[str, str], *, notes: bool = False) -> list[Shared]:
    """The recordings under labels, in their order. labels: athlete -> label, for all athletes or for none.

    notes: keep the free text of the events. Raises ParameterError for a label of nobody, an athlete without one beside
    others with, a label without letters or digits, two athletes under one label, or a recording that comes twice.
    """
    names = _names(recordings)
    ids = _labels(names, labels)
    _refuse_twice(recordings)
    order = sorted(range(len(recordings)), key=lambda k: _start(recordings[k]))
    found: dict[int, Shared] = {}
    counted = dict.fromkeys(names, 0)
    for k in order:
        who = person(recordings[k].athlete)
        counted[who] += 1
        athlete = None if labels else names[who]
        found[k] = _shared(recordings[k], ids[who], f"{counted[who]:02d}", athlete, notes)
    return [found[k] for k in range(len(recordings))]


def label(text: str, to_do: str = "give another one") -> str:
    """A label: letters and digits only, as BIDS asks. Raises ParameterError where none is left."""
    found = re.sub(r"[^0-9A-Za-z]", "", text)
    if not found:
        raise ParameterError("a name with letters A to Z or digits", f"it is {text!r}", to_do)
    return found


def nameless_hashes(file_sha256: Mapping[str, str]) -> dict[str, str]:
    """Hashes of what was measured, without file names; files that name the athlete are left out."""
    hashes = [value for name, value in file_sha256.items() if not _TELLING_FILES.search(name)]
    return {f"file_{k}": value for k, value in enumerate(hashes, start=1)}


def _names(recordings: Iterable[Recording]) -> dict[str, str]:
    """Person -> the name as it was first written."""
    found: dict[str, str] = {}
    for recording in recordings:
        found.setdefault(person(recording.athlete), recording.athlete)
    return found


def _labels(names: Mapping[str, str], labels: Mapping[str, str]) -> dict[str, str]:
    """Person -> label, no two of them alike."""
    given: dict[str, str] = {}
    for name, text in labels.items():
        who = person(name)
        if who not in names:
            there = ", ".join(names.values())
            to_do = "write the athlete as recording.toml does"
            raise ParameterError(f"a label for an athlete out of {there}", f"one is for {name!r}", to_do)
        if who in given:
            raise ParameterError(f"one label for {names[who]}", "there are two", "leave out one of them")
        given[who] = text
    bare = [name for who, name in names.items() if given and who not in given]
    if bare:
        raise ParameterError("a label for every athlete or for none", f"{', '.join(bare)} has none", _LABEL_EACH)
    ids = {who: label(given.get(who, name), _LABEL_EACH) for who, name in names.items()}
    # Folders that differ in case alone are one folder on many disks.
    _refuse_alike({who: text.casefold() for who, text in ids.items()}, names, "would share one label", _LABEL_EACH)
    return ids


def _refuse_alike(ids: Mapping[str, str], names: Mapping[str, str], why: str, to_do: str) -> None:
    first: dict[str, str] = {}
    for who, text in ids.items():
        other = first.setdefault(text, who)
        if other != who:
            raise ParameterError("athletes that can be told apart", f"{names[other]!r} and {names[who]!r} {why}", to_do)


def _refuse_twice(recordings: Sequence[Recording]) -> None:
    seen: dict[object, str] = {}
    for one in recordings:
        # By what was measured, where that is known: a copy may have another name, in its folder and inside.
        what = frozenset(nameless_hashes(one.file_sha256).values()) or (person(one.athlete), one.name, one.start)
        if what in seen:
            came = f"{one.name} comes twice" if seen[what] == one.name else f"{seen[what]} and {one.name} are the same"
            raise ParameterError("each recording once", came, "leave out one of the two")
        seen[what] = one.name


def _start(recording: Recording) -> datetime:
    """A start without a zone is taken as UTC: sessions are hours apart."""
    start = datetime.fromisoformat(recording.start)
    return start if start.tzinfo else start.replace(tzinfo=UTC)


def _shared(recording: Recording, participant: str, session: str, athlete: str | None, notes: bool) -> Shared:
    stripped = replace(
        recording,
        name=f"sub-{participant}_ses-{session}",
        athlete=participant if athlete is None else athlete,
        events=recording.events if notes else tuple(replace(event, note=None) for event in recording.events),
        file_sha256=nameless_hashes(recording.file_sha256),
    )
    return Shared(participant, session, athlete, stripped)
