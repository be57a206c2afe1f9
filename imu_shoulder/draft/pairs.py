"""Which accelerometer and which gyroscope are one sensor, out of the instruments of all files."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import PurePath

from imu_shoulder.draft import names as said
from imu_shoulder.draft.evidence import feels_gravity
from imu_shoulder.draft.parts import Part
from imu_shoulder.errors import RecordingError

_EMPTY_WORDS = {
    "total",
    "calibrated",
    "uncalibrated",
    "sensor",
    "data",
    "raw",
    "csv",
    "txt",
    "rotation",
    "rate",
    "angular",
}


@dataclass(frozen=True)
class Pair:
    """A sensor: its accelerometer, its gyroscope, and gravity's columns where the accelerometer has none of it."""

    acc: Part
    gyr: Part
    gravity: Part | None = None

    @property
    def hints(self) -> tuple[str, ...]:
        return (*self.acc.hints, *self.gyr.hints)


def pairs_of(parts: Sequence[Part]) -> tuple[list[Pair], list[Part]]:
    """All sensors, and the instruments that are left over. Raises RecordingError where there is no sensor."""
    kinds = {
        kind: [part for part in parts if part.kind == kind] for kind in (said.ACC, said.GYR, said.GRAVITY, said.LINEAR)
    }
    accs, pulled = _with_gravity(kinds[said.ACC], kinds[said.GRAVITY], kinds[said.LINEAR])
    gyrs = kinds[said.GYR]
    if not accs or not gyrs:
        missing = "accelerometer" if not accs else "gyroscope"
        names = ", ".join(dict.fromkeys(part.looked.name for part in parts)) or "these files"
        came = f"{names} {'hold' if ',' in names or not parts else 'holds'} no {missing} that can be told"
        without = [part for part in (*kinds[said.ACC], *kinds[said.LINEAR]) if not accs]
        if without:
            came = f"the one in {without[0].looked.name} reads nothing at rest: gravity was taken out of it"
        raise RecordingError(
            "an accelerometer with gravity and a gyroscope, three columns each",
            came,
            "give the files that have them, or write a column map by hand",
        )
    of_kind = _telling_kinds(parts)
    keyed: dict[str, dict[object, list[Part]]] = {said.ACC: defaultdict(list), said.GYR: defaultdict(list)}
    for kind, found in ((said.ACC, accs), (said.GYR, gyrs)):
        for part in found:
            keyed[kind][_key(part, of_kind)].append(part)
    out: list[Pair] = []
    left: dict[str, list[Part]] = {said.ACC: [], said.GYR: []}
    for key in dict.fromkeys([*keyed[said.ACC], *keyed[said.GYR]]):
        own_accs, own_gyrs = keyed[said.ACC][key], keyed[said.GYR][key]
        if own_gyrs and len(own_accs) > len(own_gyrs):
            own_accs = _preferred(own_accs)[: len(own_gyrs)]
        if len(own_gyrs) > len(own_accs) == 1:
            own_gyrs = _preferred(own_gyrs)[:1]
        if len(own_accs) == len(own_gyrs):
            out += [Pair(acc, gyr, pulled.get(id(acc))) for acc, gyr in zip(own_accs, own_gyrs, strict=True)]
        else:
            left[said.ACC] += own_accs
            left[said.GYR] += own_gyrs
    out += _matched(left[said.ACC], left[said.GYR], pulled, alone=not out)
    if not out:
        names = ", ".join(part.looked.name for part in (*left[said.ACC], *left[said.GYR]))
        came = f"it cannot be told which of {names} belong together"
        raise RecordingError(
            "one accelerometer and one gyroscope of each sensor",
            came,
            "give the files of one sensor at a time, or name them alike",
        )
    used = {id(part) for pair in out for part in (pair.acc, pair.gyr)}
    over = [part for part in (*left[said.ACC], *left[said.GYR]) if id(part) not in used]
    return out, [part for part in over if not any(part.rows is pair.acc.rows for pair in out)]


def _with_gravity(
    accs: Sequence[Part], gravities: Sequence[Part], linears: Sequence[Part]
) -> tuple[list[Part], dict[int, Part]]:
    """Accelerometers that feel gravity; where none does, those of whose file gravity's columns can be added to."""
    # A name may call linear what has gravity in it, as robots do: numbers go before names.
    felt = [part for part in accs if feels_gravity(part.values())]
    felt = felt or [replace(part, kind=said.ACC) for part in linears if feels_gravity(part.values())]
    if felt:
        return felt, {}
    out, pulled = [], {}
    for part in (*accs, *linears):
        own = [one for one in gravities if one.rows is part.rows]
        if own:
            acc = replace(part, kind=said.ACC, body="")
            out.append(acc)
            pulled[id(acc)] = own[0]
    return out, pulled


def _telling_kinds(parts: Sequence[Part]) -> set[tuple[int, int]]:
    """Columns whose texts tell the kind of instrument and not the sensor: (id of the file, place)."""
    kinds: dict[tuple[int, int], dict[str, set[str]]] = defaultdict(lambda: defaultdict(set))
    for part in parts:
        for place, text in part.rows.chosen.items():
            kinds[id(part.looked), place][text].add(part.kind)
    return {
        column
        for column, by_text in kinds.items()
        if not any({said.ACC, said.GYR} <= found for found in by_text.values())
        and {said.ACC, said.GYR} <= {kind for found in by_text.values() for kind in found}
    }


def _key(part: Part, of_kind: set[tuple[int, int]]) -> tuple[object, ...]:
    """What the instruments of one sensor have in common: file but for words of kinds, texts of rows, body, group."""
    path = PurePath(part.looked.name)
    stem = [word for word in said.words(path.name) if not said.kind_of_text(word) and word not in _EMPTY_WORDS]
    rows = tuple(text for place, text in part.rows.chosen.items() if (id(part.looked), place) not in of_kind)
    return path.parent.as_posix(), tuple(stem), rows, part.body, part.group


def _preferred(parts: Sequence[Part]) -> list[Part]:
    """The plain one first, before low ranges, raw and uncalibrated ones."""
    return sorted(parts, key=lambda part: ("uncal" in f"{part.looked.name} {part.body}".lower(), len(part.body)))


def _matched(accs: Sequence[Part], gyrs: Sequence[Part], pulled: dict[int, Part], alone: bool) -> list[Pair]:
    """Of what has no fellow of its name: the only ones, else those that are said to be worn at the same place."""
    if alone and len(accs) == len(gyrs) == 1:
        return [Pair(accs[0], gyrs[0], pulled.get(id(accs[0])))]
    out = []
    left = list(accs)
    for gyr in gyrs:
        fellows = _fellows(gyr, left, gyrs)
        if fellows:
            out.append(Pair(fellows[0], gyr, pulled.get(id(fellows[0]))))
            left = [acc for acc in left if acc is not fellows[0]]
    return out


def _fellows(gyr: Part, accs: Sequence[Part], gyrs: Sequence[Part]) -> list[Part]:
    """Accelerometers that can only be of the gyroscope's sensor, the plain one first."""
    worn = said.worn_by(gyr.hints)
    beside = [acc for acc in accs if acc.rows is gyr.rows]
    others = [one for one in gyrs if one.rows is gyr.rows]
    if beside and len(others) == 1:
        return _preferred(beside)
    if len(beside) == 1:
        return beside if _preferred(others)[0] is gyr else []
    if beside:
        shared = {id(acc): len(set(acc.body.split()) & set(gyr.body.split())) for acc in beside}
        most = max(shared.values())
        return _preferred([acc for acc in beside if shared[id(acc)] == most]) if most else []
    alike = [acc for acc in accs if any(worn) and said.worn_by(acc.hints) == worn]
    rivals = [one for one in gyrs if said.worn_by(one.hints) == worn]
    return alike if len(alike) == len(rivals) == 1 else []
