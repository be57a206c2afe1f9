"""Athletes: who there is, what the practitioner set for them, and the journal of who changed what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import Connection, select

from imu_shoulder.errors import ParameterError
from imu_shoulder.files import well_formed
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.schema import ATHLETE, JOURNAL
from imu_shoulder.history.store import Store, now_utc
from imu_shoulder.identity import person
from imu_shoulder.limits import MAX_NAME_LETTERS, MAX_TEXT_LETTERS
from imu_shoulder.model import SIDES
from imu_shoulder.report.pain import PAIN_CEILING

INVOLVED = (*SIDES, "both", "none")
AGE_BANDS = ("under 13", "13-17", "18-29", "30-39", "40-49", "50-59", "60-69", "70 and over")
# Not seen themselves, and part of how names are written in some scripts.
_JOINERS = "\u200c\u200d"


@dataclass(frozen=True, slots=True)
class Profile:
    """What the practitioner set. None where nobody said. pain_ceiling: of 10.

    after_surgery, instability: limits in words, empty for none.
    """

    dominant_side: str | None = None
    involved_side: str | None = None
    after_surgery: str = ""
    instability: str = ""
    pain_ceiling: float = PAIN_CEILING
    age_band: str | None = None

    def __post_init__(self) -> None:
        """Raises ParameterError for a value that cannot be meant."""
        require_one_of("a dominant side", self.dominant_side, SIDES)
        require_one_of("an involved side", self.involved_side, INVOLVED)
        require_one_of("an age band", self.age_band, AGE_BANDS)
        if not 0.0 <= self.pain_ceiling <= 10.0:
            raise ParameterError("a pain ceiling from 0 to 10", f"it is {self.pain_ceiling:g}", "give another one")
        text_of(self.after_surgery, "what is allowed after surgery", blank=True)
        text_of(self.instability, "what is allowed with an instability", blank=True)


@dataclass(frozen=True, slots=True)
class Athlete:
    id: int
    name: str
    profile: Profile
    added_at: str


def require_one_of(what: str, value: str | None, options: tuple[str, ...]) -> None:
    """Raises ParameterError for what is none of these; None is not said."""
    if value is not None and value not in options:
        raise ParameterError(f"{what} out of {', '.join(options)}", f"it is {value!r}", "give one of these")


def text_of(text: str, what: str, *, blank: bool = False, most: int = MAX_TEXT_LETTERS) -> str:
    """A person's text as it is kept: without white space around it, and nothing a database cannot hold.

    blank: whether none will do. Raises ParameterError.
    """
    found = well_formed(text).replace("\x00", "").strip()
    if len(found) > most or not (found or blank):
        came = f"it has {len(found)} letters" if found else "it is empty"
        raise ParameterError(f"{what} of {'at most' if blank else '1 to'} {most} letters", came, "write it anew")
    return found


def name_of(text: str, what: str = "initials or a pseudonym") -> str:
    """A name of somebody, as it is kept: on one line, and nothing in it that is not seen. Raises ParameterError."""
    found = " ".join(text_of(text, what, most=MAX_NAME_LETTERS).split())
    if not all(letter.isprintable() or letter in _JOINERS for letter in found):
        raise ParameterError(f"{what} of letters that are seen", "there are others in it", "write it anew")
    return found


def athletes(store: Store) -> list[Athlete]:
    """All of them, by name."""
    with store.read() as connection:
        rows = connection.execute(select(ATHLETE).order_by(ATHLETE.c.person)).mappings()
        return [_athlete(row) for row in rows]


def find_athlete(store: Store, who: str | int) -> Athlete:
    """By name, as `identity.person` tells names apart, or by id. Raises StoreError where there is none."""
    where = ATHLETE.c.id == who if isinstance(who, int) else ATHLETE.c.person == person(name_of(who))
    with store.read() as connection:
        row = connection.execute(select(ATHLETE).where(where)).mappings().first()
    if row is None:
        raise StoreError("an athlete of the history", f"{who!r} is none", "see imu-shoulder history list")
    return _athlete(row)


def _athlete(row: Mapping[Any, Any]) -> Athlete:
    fields = Profile.__dataclass_fields__
    return Athlete(row["id"], row["name"], Profile(**{name: row[name] for name in fields}), row["added_at"])


def ensure_athlete(connection: Connection, name: str) -> int:
    """The id of an athlete of that name, who is added if there is none. connection: a writer's."""
    name = name_of(name)
    found = connection.execute(select(ATHLETE.c.id).where(ATHLETE.c.person == person(name))).scalar()
    if found is not None:
        return int(found)
    values = {"person": person(name), "name": name, "added_at": now_utc(), "pain_ceiling": PAIN_CEILING}
    return int(connection.execute(ATHLETE.insert().returning(ATHLETE.c.id), values).scalar_one())


def add_athlete(store: Store, name: str) -> Athlete:
    """The athlete of that name, new or not."""
    with store.write() as connection:
        found = ensure_athlete(connection, name)
    return find_athlete(store, found)


def set_profile(store: Store, athlete_id: int, profile: Profile, who: str) -> None:
    """Put the profile in the place of the earlier one. who: is changing it, for the journal."""
    values = asdict(profile)
    with store.write() as connection:
        before = connection.execute(select(ATHLETE).where(ATHLETE.c.id == athlete_id)).mappings().first()
        if before is None:
            raise StoreError("an athlete of the history", f"number {athlete_id} is none", "see history list")
        told = [f"{name}: {before[name]!r} to {new!r}" for name, new in values.items() if before[name] != new]
        connection.execute(ATHLETE.update().where(ATHLETE.c.id == athlete_id).values(**values))
        if told:
            write_journal(connection, who, "profile changed", "; ".join(told), athlete_id)


def write_journal(connection: Connection, who: str, what: str, detail: str, athlete_id: int | None) -> None:
    """One line of the journal. connection: a writer's."""
    values = {"athlete_id": athlete_id, "at": now_utc(), "who": name_of(who, "who it is"), "what": what}
    connection.execute(JOURNAL.insert(), {**values, "detail": detail})


def journal(store: Store, athlete_id: int | None = None) -> list[dict[str, Any]]:
    """Its lines, the latest first: `at`, `who`, `what`, `detail`, `athlete_id`; of one athlete or of all."""
    query = select(JOURNAL).order_by(JOURNAL.c.at.desc(), JOURNAL.c.id.desc())
    if athlete_id is not None:
        query = query.where(JOURNAL.c.athlete_id == athlete_id)
    with store.read() as connection:
        return [dict(row) for row in connection.execute(query).mappings()]
