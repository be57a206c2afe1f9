"""Plans of the history: every version as it was written, with who, when and why. The newest is in force."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from datetime import datetime

from sqlalchemy import Connection, func, select

from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.people import find_athlete, name_of, text_of, write_journal
from imu_shoulder.history.schema import PLAN_VERSION
from imu_shoulder.history.store import Store, now_utc, utc
from imu_shoulder.plan import Plan, PlanError, parse_plan
from imu_shoulder.plan.matching import check_athlete
from imu_shoulder.plan.writing import plan_table

COLUMNS = tuple(column for column in PLAN_VERSION.c)


@dataclass(frozen=True, slots=True)
class PlanVersion:
    """One version of an athlete's plan. number: from 1. valid_from: sessions from this moment on are held to it."""

    id: int
    athlete_id: int
    number: int
    toml: str
    who: str
    at: str
    valid_from: str
    why: str

    @property
    def plan(self) -> Plan:
        """Read and checked as any plan file. Raises PlanError."""
        return parse_plan(self.toml, f"plan, version {self.number}")


def require_alone(toml: str) -> None:
    """Raises PlanError for a plan that names another file: it would be looked for wherever the program is run."""
    if "range_test" in plan_table(toml, "the plan"):
        came, do = "it names the file of a range test", "write the numbers as own_range_deg, or use plan keep"
        raise PlanError("a plan that needs no other file", came, do)


def put_plan(
    store: Store, athlete_id: int, toml: str, who: str, why: str = "", valid_from: datetime | None = None
) -> PlanVersion:
    """Keep a new version of an athlete's plan, checked as any plan file.

    The newest one's text again changes nothing, unless that one is in force later only, such as where it was kept while
    the computer's clock was ahead. valid_from: None for now. Raises PlanError, ParameterError, StoreError.
    """
    athlete = find_athlete(store, athlete_id)
    require_alone(toml)
    check_athlete(parse_plan(toml, "the plan"), athlete.name)
    who, why, at = name_of(who, "who it is"), text_of(why, "why", blank=True), now_utc()
    with store.write() as connection:
        latest = _latest(connection, athlete_id)
        if latest is not None and latest.toml == toml and latest.valid_from <= at:
            return latest
        number = 1 if latest is None else latest.number + 1
        new = PlanVersion(0, athlete_id, number, toml, who, at, at if valid_from is None else utc(valid_from), why)
        values = {name: value for name, value in asdict(new).items() if name != "id"}
        found = connection.execute(PLAN_VERSION.insert().returning(PLAN_VERSION.c.id), values).scalar_one()
        write_journal(connection, who, "plan changed", f"version {number}{f': {why}' if why else ''}", athlete_id)
    return replace(new, id=found)


def plan_versions(store: Store, athlete_id: int) -> list[PlanVersion]:
    """All versions of an athlete's plan, the newest first."""
    query = select(*COLUMNS).where(PLAN_VERSION.c.athlete_id == athlete_id).order_by(PLAN_VERSION.c.number.desc())
    with store.read() as connection:
        return [PlanVersion(**row) for row in connection.execute(query).mappings()]


def plan_version(store: Store, athlete_id: int, number: int | None = None) -> PlanVersion | None:
    """One version of an athlete's plan; the newest for None. None where there is no plan. Raises StoreError."""
    versions = plan_versions(store, athlete_id)
    if number is None:
        return versions[0] if versions else None
    found = next((version for version in versions if version.number == number), None)
    if found is None:
        there = ", ".join(str(version.number) for version in reversed(versions)) or "none yet"
        raise StoreError(f"a version of the plan out of {there}", f"it is {number}", "give one of these")
    return found


def plan_at(connection: Connection, athlete_id: int, moment_utc: str) -> PlanVersion | None:
    """The newest version that was in force at a moment."""
    in_force = (PLAN_VERSION.c.athlete_id == athlete_id) & (PLAN_VERSION.c.valid_from <= moment_utc)
    query = select(*COLUMNS).where(in_force).order_by(PLAN_VERSION.c.number.desc()).limit(1)
    row = connection.execute(query).mappings().first()
    return None if row is None else PlanVersion(**row)


def _latest(connection: Connection, athlete_id: int) -> PlanVersion | None:
    newest = select(func.max(PLAN_VERSION.c.number)).where(PLAN_VERSION.c.athlete_id == athlete_id).scalar_subquery()
    query = select(*COLUMNS).where(PLAN_VERSION.c.athlete_id == athlete_id, PLAN_VERSION.c.number == newest)
    row = connection.execute(query).mappings().first()
    return None if row is None else PlanVersion(**row)
