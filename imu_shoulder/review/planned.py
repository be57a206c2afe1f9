"""The pages of a plan: the form with its versions, the sheet to print, and the file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from imu_shoulder.cautions import CAUTIONS
from imu_shoulder.errors import ParameterError
from imu_shoulder.history.people import find_athlete
from imu_shoulder.history.plans import PlanVersion, plan_version, plan_versions
from imu_shoulder.model import EVENT_SIDES, SIDES
from imu_shoulder.plan import DAYS, PlannedDrill
from imu_shoulder.plan.duration import dose_text, load_text, overview
from imu_shoulder.report.figure import figure_svg
from imu_shoulder.report.handout import panels
from imu_shoulder.review import editor
from imu_shoulder.review.desk import Desk


def _version(desk: Desk, athlete_id: int, asked: str) -> PlanVersion | None:
    """The version that the address names, the newest for none. Raises ShoulderError."""
    if asked and not (asked.isascii() and asked.isdecimal() and len(asked) <= 9):
        raise ParameterError("the number of a version", f"it is {asked[:40]!r}", "choose one on the plan's page")
    return plan_version(desk.store, athlete_id, int(asked) if asked else None)


def form_context(desk: Desk, athlete_id: int, query: Mapping[str, str]) -> dict[str, Any]:
    """The form, filled with the newest version or the one that is asked for. Raises ShoulderError."""
    athlete = find_athlete(desk.store, athlete_id)
    version = _version(desk, athlete_id, query.get("version", ""))
    profile = athlete.profile
    if version is None:
        fields = editor.empty_fields(profile.pain_ceiling, profile.after_surgery, profile.instability)
    else:
        fields = editor.fields_of(version.toml)
    kept = {} if version is None else editor.kept_keys(version.toml)
    checked = editor.check(athlete.name, fields, kept)
    return {
        "athlete": athlete,
        "version": version,
        "versions": plan_versions(desk.store, athlete_id),
        "fields": fields,
        "checked": checked,
        "empty": editor.empty_item(),
        "drills": editor.drills_for_form(),
        "form_sides": EVENT_SIDES,
        "week": DAYS,
        "saved": query.get("saved", "") if query.get("saved", "").isdecimal() else "",
    }


def file_text(desk: Desk, athlete_id: int, version: str) -> str:
    """The file of a version, the newest for none. Raises ShoulderError."""
    found = _version(desk, athlete_id, version)
    if found is None:
        raise ParameterError("a plan", "there is none yet", "write one on the plan's page")
    return found.toml


def sheet_context(desk: Desk, athlete_id: int, query: Mapping[str, str]) -> dict[str, Any]:
    """The sheet for the athlete. Raises ShoulderError."""
    athlete = find_athlete(desk.store, athlete_id)
    version = _version(desk, athlete_id, query.get("version", ""))
    if version is None:
        raise ParameterError(f"a plan of {athlete.name}", "there is none yet", "write one on the plan's page")
    plan = version.plan
    items = [_item(item) for item in plan.drills]
    common = [text for text in items[0]["cautions"] if all(text in item["cautions"] for item in items)]
    return {
        "athlete": athlete,
        "version": version,
        "plan": plan,
        "told": overview(plan),
        "items": [{**item, "cautions": [text for text in item["cautions"] if text not in common]} for item in items],
        "cautions": [*common, *CAUTIONS],
    }


def _item(item: PlannedDrill) -> dict[str, Any]:
    sides = SIDES if item.side == "both" else item.sides
    drill = item.drill
    tempo = [
        f"{what} in at least {seconds:g} s"
        for what, seconds in (("lift", drill.lift_at_least_s), ("lower", drill.lower_at_least_s))
        if seconds > 0
    ]
    return {
        "title": item.title,
        "arm": "both arms" if item.side == "both" else f"{item.side} arm",
        "dose": dose_text(item),
        "load": load_text(item),
        "rest": f"{item.rest_s:g} s",
        "tempo": " and ".join(tempo),
        "note": item.note,
        "steps": drill.set_up,
        "cautions": drill.cautions,
        "drawing": Markup(figure_svg(panels(drill, sides), f"{item.title}, {item.side}")),
    }
