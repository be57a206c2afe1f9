"""One table of findings, of judged angles and of placements: complete, used, and said in the pages."""

from __future__ import annotations

import ast
import re
from dataclasses import fields, replace
from pathlib import Path

import pytest

from imu_shoulder.align.apart import Apart
from imu_shoulder.angles.joint import ANGLE_COLUMNS
from imu_shoulder.drills import AngleRange, load_shipped
from imu_shoulder.drills.judged import JUDGED
from imu_shoulder.drills.limits import Form, FormLimit
from imu_shoulder.findings import KINDS, Kind, finding_of
from imu_shoulder.live.view import resting_frame
from imu_shoulder.model import ACROMION, ARM_SEGMENTS, LIMBS, PLACEMENTS, SIDES, STERNUM, WRIST, limbs_of, on_arm
from imu_shoulder.plan import LIMIT_KEYS, PlannedDrill
from imu_shoulder.report import handout
from imu_shoulder.report.document import findings_table
from imu_shoulder.report.figure import Posture

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "imu_shoulder"


def page(name: str) -> str:
    return (ROOT / "docs" / name).read_text(encoding="utf-8")


# Findings.


def codes_in(path: Path) -> set[str]:
    """Codes that a file gives to `finding_of`, to mounting's own `_finding`, and in align to `add` of its notes, to
    what is `Off`, `Unfit` or a `Contradiction`, and to what its watch leaves out."""
    places = {"finding_of": 1, "_finding": 1}
    if path.parent.name == "align":
        places |= {"add": 0, "Off": 0, "Unfit": 2, "Contradiction": 0, "_leave_out": 0}
    codes = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            place = places.get(name)
            if place is not None and len(node.args) > place:
                inner = ast.walk(node.args[place])
                codes |= {
                    part.value for part in inner if isinstance(part, ast.Constant) and isinstance(part.value, str)
                }
    return codes


def test_the_codes_that_are_given_are_those_of_the_table():
    parts = ("align", "calibrate", "angles", "assess")
    given = set().union(*(codes_in(path) for part in parts for path in (PACKAGE / part).glob("*.py")))
    # Of two clocks one is told by how far they are apart.
    given |= {Apart("right_wrist", "right_upper_arm", ahead_s).code for ahead_s in (0.5, 60.0)}
    assert given == set(KINDS)


def test_only_the_table_makes_findings():
    makers = {path.name for path in PACKAGE.rglob("*.py") if re.search(r"(?<!\w)Finding\(", path.read_text())}
    assert makers == {"findings.py"}


def test_a_finding_has_its_kinds_severity_and_no_other_code_is_taken():
    assert finding_of("sternum", "sensor_slip", "It slipped.", 12.0, 3.0).severity == "fault"
    assert finding_of("sternum", "jitter", "Uneven.").severity == "note"
    with pytest.raises(KeyError, match="unheard_of"):
        finding_of("sternum", "unheard_of", "What?")


@pytest.mark.parametrize("place", [0, 2, 3])
def test_a_kind_that_lacks_a_text_is_refused(place):
    given = ["code", "note", "meaning", "what to do"]
    Kind(*given)
    given[place] = " "
    with pytest.raises(ValueError, match="expected"):
        Kind(*given)


def test_the_page_of_the_results_has_the_findings_as_they_are():
    assert findings_table() in page("outputs.md")


# Judged angles.


def test_every_judged_angle_is_worked_out_and_described():
    assert {angle.column for angle in JUDGED.values()} <= set(ANGLE_COLUMNS)
    results, drills, coordinates = page("outputs.md"), page("drills.md"), page("coordinates.md")
    for name, angle in JUDGED.items():
        assert f"`{angle.column}`" in results
        assert name in drills
        assert name.replace("_", " ") in coordinates.lower()
        assert set(angle.shown_by) <= set(LIMBS)
        assert angle.gauge_deg[0] < angle.gauge_deg[1]
        assert angle.drawing_deg[0] < angle.drawing_deg[1]


def test_every_judged_angle_may_be_limited_by_a_form_and_a_plan_and_is_in_their_pages():
    columns = {angle.column for angle in JUDGED.values()}
    assert {field.name for field in fields(Form)} == {"limits", "trunk_deg", "upper_arm_swing_deg", "closing_deg"}
    assert set(LIMIT_KEYS) == columns | {"top_deg", "trunk_deg", "upper_arm_swing_deg"}
    for column in columns:
        assert f"`{column}`" in page("drills.md")
        assert f"`{column}`" in page("plan.md")
    limits = (FormLimit(AngleRange("elbow", 1.0, 2.0)), FormLimit(AngleRange("plane", 1.0, 2.0, "start")))
    assert Form(limits=limits, trunk_deg=5.0).ranges_deg() == {"elbow": (1.0, 2.0)}


def test_a_drawn_angle_is_one_of_a_posture():
    drawn = {angle.column for angle in JUDGED.values() if angle.posture}
    assert drawn == {field.name for field in fields(Posture)}


def test_an_angle_that_no_drawing_shows_is_left_out_of_it(monkeypatch):
    hand = replace(JUDGED["thumb_up"], name="hand")
    monkeypatch.setattr(handout, "JUDGED", {**JUDGED, "hand": hand})
    drill = load_shipped("full_can")
    station = replace(drill.top, ranges=(*drill.top.ranges, AngleRange("hand", 10.0, 20.0)))
    assert handout.postures(replace(drill, stations=(station,))) == handout.postures(drill)


def test_the_live_page_gets_the_dial_and_the_gauge_with_each_frame():
    drill = load_shipped("full_can")
    for name, angle in JUDGED.items():
        item = PlannedDrill(replace(drill, leading_angle=name), "right", 1, {"right": 10})
        frame = resting_frame(item, "right", 3.0)
        assert frame["angle_name"] == name
        assert frame["range_deg"] == list(angle.gauge_deg)
        assert frame["dial"] == {"zero_deg": angle.dial.zero_deg, "grows": angle.dial.grows, "body": angle.dial.body}


# Placements.


def test_placements_are_the_arms_segments_on_either_side_and_the_breastbone():
    assert set(PLACEMENTS) == {on_arm(side, segment) for side in SIDES for segment in ARM_SEGMENTS} | {STERNUM}
    # The order is that of results and of the default of scenarios.
    assert PLACEMENTS[:4] == ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm")
    assert limbs_of("left") == ("left_upper_arm", "left_wrist")
    assert [name for name in PLACEMENTS if name not in page("recording_folder.md")] == []


# A placement put together from a side.
MADE = re.compile(r"side\}_(?:wrist|upper_arm|acromion)\b")


def test_only_the_model_spells_placements():
    """The simulator aside, which shares nothing with the stages, and examples in messages."""
    found = {}
    for path in PACKAGE.rglob("*.py"):
        if "simulate" not in path.parts and path.name != "model.py":
            nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
            texts = [n.value for n in nodes if isinstance(n, ast.Constant) and n.value in (WRIST, STERNUM, ACROMION)]
            texts += [text for n in nodes if isinstance(n, ast.JoinedStr) and MADE.search(text := ast.unparse(n))]
            if texts:
                found[str(path.relative_to(PACKAGE))] = texts
    assert found == {}
