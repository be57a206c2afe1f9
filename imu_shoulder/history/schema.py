"""The tables of the history, in SQLAlchemy Core, alike on SQLite and PostgreSQL.

Moments are texts in UTC, such as 2026-05-04T07:30:00Z, so that they sort as they are. What the analysis says of a
session is kept whole (`summary`), and beside it what pages ask for: `drill_summary` has one row per session, drill and
arm with the session's value of each measure, so that no page reads reps to show a trend.
"""

from __future__ import annotations

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
)

# Measures with a column of their own in `rep` and `drill_summary`; the others of reps.csv are in `more`.
MEASURES = (
    *("start_deg", "top_deg", "arc_deg", "lift_s", "hold_s", "lower_s", "rest_s", "peak_velocity_deg_s"),
    *("hold_sd_deg", "hold_drift_deg_s", "hold_tremor_deg_s", "time_in_band_pct"),
    *("smoothness_lift", "smoothness_lower", "elbow_deg", "thumb_up_deg", "plane_deg", "trunk_lean_deg"),
)

META = MetaData()


def _of_athlete() -> Column[int]:
    return Column("athlete_id", ForeignKey("athlete.id", ondelete="CASCADE"), nullable=False)


def _of_session(*, nullable: bool = False) -> Column[int]:
    return Column("session_id", ForeignKey("session.id", ondelete="CASCADE"), nullable=nullable)


def _measures() -> list[Column[float]]:
    return [Column(name, Float) for name in MEASURES]


SCHEMA_VERSION = Table("schema_version", META, Column("version", Integer, nullable=False))

# person: the name by the one rule of `identity.person`. name: initials or a pseudonym. changes: counts up with every
# session that comes, changes or goes, so that what was worked out of them is known to be old.
ATHLETE = Table(
    "athlete",
    META,
    Column("id", Integer, primary_key=True),
    Column("person", Text, nullable=False, unique=True),
    Column("name", Text, nullable=False),
    Column("added_at", Text, nullable=False),
    Column("dominant_side", Text),
    Column("involved_side", Text),
    Column("after_surgery", Text, nullable=False, server_default=""),
    Column("instability", Text, nullable=False, server_default=""),
    Column("pain_ceiling", Float, nullable=False),
    Column("age_band", Text),
    Column("changes", Integer, nullable=False, server_default="0"),
    sqlite_autoincrement=True,
)

# Each set of parameters once: most sessions share theirs.
PARAMETERS = Table(
    "parameters", META, Column("sha256", Text, primary_key=True), Column("contents", JSON, nullable=False)
)

# kind: recorded or manual. data_sha256: of the sensors' files alone; content_sha256: of all that was read. kept: the
# folder of the raw recording's copy, by name. version, parameters_sha256: of the program that made the results.
# done: of a manual session yes, partly or no.
SESSION = Table(
    "session",
    META,
    Column("id", Integer, primary_key=True),
    _of_athlete(),
    Column("kind", Text, nullable=False),
    Column("start_utc", Text, nullable=False),
    Column("start", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("duration_s", Float),
    Column("data_sha256", Text, unique=True),
    Column("content_sha256", Text),
    Column("kept", Text),
    Column("source", Text),
    Column("added_at", Text, nullable=False),
    Column("version", Text),
    Column("parameters_sha256", ForeignKey("parameters.sha256")),
    Column("plan_version_id", ForeignKey("plan_version.id", ondelete="SET NULL")),
    Column("done", Text),
    Column("sets_asked", Integer),
    Column("sets_done", Integer),
    Column("reps_asked", Integer),
    Column("reps_done", Integer),
    Column("reps_scored", Integer),
    Column("reps_clean", Integer),
    Column("pain_before", Float),
    Column("pain_highest", Float),
    Column("pain_next_morning", Float),
    Column("pain_over", Boolean, nullable=False, server_default="0"),
    Column("effort", Float),
    Column("note", Text, nullable=False, server_default=""),
    Column("summary", JSON(none_as_null=True)),
    Index("session_of_athlete", "athlete_id", "start_utc"),
    sqlite_autoincrement=True,
)

ARM_SET = Table(
    "arm_set",
    META,
    Column("id", Integer, primary_key=True),
    _of_session(),
    Column("number", Integer, nullable=False),
    Column("side", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("drill", Text, nullable=False),
    Column("direction", Text, nullable=False),
    Column("start_s", Float),
    Column("end_s", Float),
    Column("reps_asked", Integer),
    Column("reps_done", Integer),
    Column("reps_scored", Integer),
    Column("reps_clean", Integer),
    Column("load_kg", Float),
    Column("band", Text),
    Column("pain", Float),
    Column("effort", Float),
    Column("headline", Text, nullable=False),
    UniqueConstraint("session_id", "number", "side", "role", name="arm_set_once"),
)

# place: the row of reps.csv within the set, from 0. number: of the rep, which a false start shares with the one it
# precedes.
REP = Table(
    "rep",
    META,
    Column("set_id", ForeignKey("arm_set.id", ondelete="CASCADE"), nullable=False),
    Column("place", Integer, nullable=False),
    Column("number", Integer, nullable=False),
    Column("start_s", Float),
    Column("top_start_s", Float),
    Column("top_end_s", Float),
    Column("end_s", Float),
    Column("faults", Text, nullable=False),
    Column("close", Text, nullable=False),
    Column("excluded", Text, nullable=False),
    *_measures(),
    Column("more", JSON(none_as_null=True)),
    PrimaryKeyConstraint("set_id", "place"),
    sqlite_with_rowid=False,
)

# A session's value of each measure: the median over the scored reps of that drill and arm. reps_*: as in `arm_set`,
# added up; clean_share of the scored reps. more: name -> median of the other measures.
DRILL_SUMMARY = Table(
    "drill_summary",
    META,
    _of_athlete(),
    _of_session(),
    Column("start_utc", Text, nullable=False),
    Column("made_by", Text, nullable=False),
    Column("drill", Text, nullable=False),
    Column("direction", Text, nullable=False),
    Column("side", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("sets", Integer, nullable=False),
    Column("reps_asked", Integer),
    Column("reps_done", Integer),
    Column("reps_scored", Integer),
    Column("clean_share", Float),
    Column("load_kg", Float),
    Column("effort", Float),
    Column("pain", Float),
    *_measures(),
    Column("more", JSON(none_as_null=True)),
    PrimaryKeyConstraint("athlete_id", "start_utc", "session_id", "drill", "direction", "side", "role"),
    Index("drill_summary_of_session", "session_id"),
    sqlite_with_rowid=False,
)

# Every version of a plan as it was written. valid_from: sessions from this moment on are held against it.
PLAN_VERSION = Table(
    "plan_version",
    META,
    Column("id", Integer, primary_key=True),
    _of_athlete(),
    Column("number", Integer, nullable=False),
    Column("toml", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("valid_from", Text, nullable=False),
    Column("why", Text, nullable=False, server_default=""),
    UniqueConstraint("athlete_id", "number", name="plan_version_once"),
    sqlite_autoincrement=True,
)

# author: coach or athlete. A set is named by its number and arm, which working it out anew does not change.
NOTE = Table(
    "note",
    META,
    Column("id", Integer, primary_key=True),
    _of_athlete(),
    _of_session(nullable=True),
    Column("set_number", Integer),
    Column("side", Text),
    Column("author", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("text", Text, nullable=False),
    Index("note_of_athlete", "athlete_id", "at"),
)

# What the coach says instead of the program. fault: the one that is overruled; empty: the rep as a whole.
VERDICT = Table(
    "verdict",
    META,
    Column("id", Integer, primary_key=True),
    _of_session(),
    Column("set_number", Integer, nullable=False),
    Column("side", Text, nullable=False),
    Column("rep", Integer, nullable=False),
    Column("fault", Text, nullable=False),
    Column("says", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("at", Text, nullable=False),
    Index("verdict_of_session", "session_id"),
)

# decision: accepted or declined. advice: the entry of the summary that was decided on.
DECISION = Table(
    "decision",
    META,
    Column("id", Integer, primary_key=True),
    _of_athlete(),
    _of_session(),
    Column("drill", Text, nullable=False),
    Column("side", Text, nullable=False),
    Column("advice", JSON, nullable=False),
    Column("decision", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("at", Text, nullable=False),
    Index("decision_of_athlete", "athlete_id", "at"),
)

# What was done by whom, in words, for the audit.
JOURNAL = Table(
    "journal",
    META,
    Column("id", Integer, primary_key=True),
    Column("athlete_id", ForeignKey("athlete.id", ondelete="CASCADE")),
    Column("at", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("detail", Text, nullable=False),
    Index("journal_of_athlete", "athlete_id", "at"),
)

# From version 2 on; SCATTER and STANDING are as they are from version 3 on.

# How much the values of each series of an athlete scatter: noise.Part, of sessions of one version each.
SCATTER = Table(
    "scatter",
    META,
    _of_athlete(),
    Column("drill", Text, nullable=False),
    Column("direction", Text, nullable=False),
    Column("side", Text, nullable=False),
    Column("measure", Text, nullable=False),
    Column("sum_squares", Float, nullable=False),
    Column("freedom", Integer, nullable=False),
    Column("sessions", Integer, nullable=False),
    PrimaryKeyConstraint("athlete_id", "drill", "direction", "side", "measure"),
)

# What is said of an athlete after the latest session. changes: the athlete's when it was worked out. unknown: drill and
# measure of each statement that nothing was known for yet, such as "full_can hold_s", joined by commas.
STANDING = Table(
    "standing",
    META,
    Column("athlete_id", ForeignKey("athlete.id", ondelete="CASCADE"), primary_key=True),
    Column("changes", Integer, nullable=False),
    Column("statements", JSON, nullable=False),
    Column("unknown", Text, nullable=False),
)

# Files that were written from the history. athlete_id: whose data alone are in it; none for those of all.
EXPORTED = Table(
    "exported",
    META,
    Column("id", Integer, primary_key=True),
    Column("athlete_id", ForeignKey("athlete.id", ondelete="CASCADE")),
    Column("path", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("at", Text, nullable=False),
)
