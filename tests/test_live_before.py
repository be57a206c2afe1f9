"""What the page shows of a drill before its set: drawing, who lifts and holds, what is asked."""

from __future__ import annotations

import json
import math
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from far import letters
from live_browser import at_stage, drawn
from live_fake import FakeSession
from test_live_care import unread

from imu_shoulder.cautions import CAUTIONS
from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.live.before import drawing, facts, way_words
from imu_shoulder.model import SIDES
from imu_shoulder.plan import PlannedDrill, load_plan, parse_plan
from imu_shoulder.plan.duration import plan_duration

ROOT = Path(__file__).parents[1]
in_browser = [
    pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]


def planned(drill_id, side="right", **asked):
    drill = load_shipped(drill_id)
    sides = [one for one in SIDES if side in (one, "both")]
    return PlannedDrill(drill, side, 2, asked.pop("reps", dict.fromkeys(sides, drill.dose.reps)), **asked)


def points(found, panel, view, part):
    """Of each line of that part, its points."""
    lines = found["panels"][panel]["views"][view]["lines"]
    return [[tuple(map(float, at.split(","))) for at in text.split()] for name, text, _ in lines if name == part]


@pytest.mark.parametrize(("reps", "told"), [(1, "right arm, 1 rep"), (2, "right arm, 2 reps")])
def test_one_rep_is_told_as_one(reps, told):
    assert dict(facts(planned("full_can", reps={"right": reps})))["Lifts"] == told


def test_a_way_to_lift_is_told_in_words_also_where_it_is_a_users_own():
    assert way_words("front_and_up") == "front and up"
    for drill_id in shipped_ids():
        assert "_" not in way_words(load_shipped(drill_id).direction)


@pytest.mark.parametrize("drill_id", shipped_ids())
def test_of_two_views_the_one_that_tells_is_where_the_arms_look_longer(drill_id):
    """An arm that points at the athlete who looks is a dot."""
    found = drawing(planned(drill_id))
    for panel, shown in enumerate(found["panels"]):
        long = []
        for view in range(2):
            parts = {name for name, *_ in shown["views"][view]["lines"]} - {"trunk"}
            arms = [own[:2] for part in parts for own in points(found, panel, view, part)]
            long.append(sum(math.dist(*ends) for ends in arms))
        if abs(long[0] - long[1]) > 0.5:
            assert shown["telling"] == int(long[1] > long[0])


@pytest.mark.parametrize(
    ("item", "told"),
    [
        (
            planned("full_can", load_kg=1.5),
            {
                "Lifts": "right arm, 10 reps",
                "Where": "a little in front of the side",
                "Hold": "5 s",
                "Tempo": "lift 1 s, lower 1 s or slower",
                "Load": "1.5 kg",
            },
        ),
        (
            planned("full_can_hold_and_lift", "left"),
            {
                "Lifts": "left arm, 10 reps",
                "Holds": "right arm, up there throughout",
                "Where": "a little in front of the side",
                "Tempo": "lift 1 s, lower 1 s or slower",
                "Load": "a weight with which the holding arm does not sink before the last rep; none to begin with",
            },
        ),
        (
            planned("row_rotate_press", "both", reps={"right": 4, "left": 6}, band="the red one"),
            {
                "Lifts": "right arm 4 reps, left arm 6 reps",
                "Hold": "row 2 s, rotate 2 s, press 2 s",
                "Tempo": "lift 0.8 s, lower 0.8 s or slower",
                "Load": "the red one",
            },
        ),
    ],
)
def test_who_lifts_and_what_is_asked_stand_in_words(item, told):
    assert dict(facts(item)) == told


def test_a_plans_own_hold_and_tempo_are_told():
    text = """schema = 1
        athlete = "M.K."
        [[drill]]
        id = "full_can"
        side = "both"
        reps = 1
        hold_s = 12
        lift_at_least_s = 0
        lower_at_least_s = 3
    """
    told = dict(facts(parse_plan(text, "plan.toml").drills[0]))
    assert told["Lifts"] == "both arms, 1 rep each"
    assert (told["Hold"], told["Tempo"]) == ("12 s", "lower 3 s or slower")


@pytest.mark.parametrize(("direction", "words"), [("forward", "straight forward"), ("side", "out to the side")])
def test_the_direction_of_the_plan_is_told(direction, words):
    item = planned("full_can")
    directed = PlannedDrill(item.drill.towards(direction), item.side, item.sets, item.reps)
    assert dict(facts(directed))["Where"] == words
    assert "Where" not in dict(facts(planned("row_rotate_press")))


def test_the_drawing_is_a_mirror_and_the_holding_arm_stays_up():
    """As the dials of the set have it: the right arm on the right."""
    found = drawing(planned("full_can_hold_and_lift", "right"))
    assert [panel["name"] for panel in found["panels"]] == ["Start", "Top"]
    middle = found["panels"][0]["views"][0]["head"][0]
    for panel, lifted in ((0, False), (1, True)):
        left, right = points(found, panel, 0, "upper-arm")
        assert left[1][0] < left[0][0] < middle < right[0][0]
        # An arm that hangs ends far below the shoulder, one that is up near its height.
        assert abs(left[1][1] - left[0][1]) < 12
        assert (right[1][1] - right[0][1] < 12) == lifted


@pytest.mark.parametrize("drill_id", shipped_ids())
@pytest.mark.parametrize("side", ["right", "left", "both"])
def test_each_drawing_lies_in_its_box(drill_id, side):
    found = drawing(planned(drill_id, side))
    assert len(found["panels"]) == 1 + len(load_shipped(drill_id).stations)
    sizes = {tuple(box[2:]) for box in found["boxes"]}
    assert len(sizes) == 1
    for panel in range(len(found["panels"])):
        for view, (left, top, width, height) in enumerate(found["boxes"]):
            ends = [
                at
                for part in ("trunk", "upper-arm", "hand", "thumb")
                for line in points(found, panel, view, part)
                for at in line
            ]
            assert all(left <= x <= left + width and top <= y <= top + height for x, y in ends)


def test_a_page_is_told_a_drawing_of_each_drill_of_the_plan():
    from imu_shoulder.live.run import _about

    plan = load_plan(ROOT / "recordings" / "planned_warm_up.toml")
    about = _about(SimpleNamespace(analyse=None, plan=plan, drills={}, params=None), "M.K.", "demo", plan)
    for item, found in zip(plan.drills, json.loads(json.dumps(about.drawings)), strict=True):
        assert list(found) == list(item.drill.directions or ("",))
        assert all(len(one["panels"]) == 1 + len(item.drill.stations) for one in found.values())
        assert all(one["panels"][0]["name"] == "Start" for one in found.values())
        # Each direction is drawn as it goes.
        assert len({json.dumps(one) for one in found.values()}) == len(found)


def test_a_page_is_told_the_plans_minutes_and_its_limits_before_the_usual_cautions():
    from imu_shoulder.live.run import _about

    plan = replace(load_plan(ROOT / "recordings" / "planned_warm_up.toml"), after_surgery="nothing above the shoulder")
    about = _about(SimpleNamespace(analyse=None, plan=plan, drills={}, params=None), "M.K.", "demo", plan)
    assert about.minutes == plan_duration(plan).minutes
    assert "nothing above the shoulder" in about.cautions[0]
    assert about.cautions[-len(CAUTIONS) :] == CAUTIONS


class TestPage:
    pytestmark = in_browser

    @pytest.mark.parametrize("drill_id", shipped_ids())
    def test_all_of_it_is_read_without_scrolling(self, opened, drill_id):
        """On a tablet all; on a phone the drawing, what is asked and the cautions, and the steps as far as they go."""
        item = planned(drill_id, "both" if load_shipped(drill_id).arms == "each" else "right")
        drill = item.drill
        session = FakeSession(
            stage="ready", sides=item.sides, title=drill.title, set_up=drill.set_up, cautions=drill.cautions
        )
        session.facts = facts(item)
        page, _ = opened(session, drawings=({"": drawing(item)},) * 3)
        at_stage(page, "ready")
        asked = "#asked, #facts dt, #facts dd, #figures figcaption, #drill-cautions li"
        for width, height, parts in ((1024, 768, f"{asked}, #set-up li"), (390, 844, asked)):
            page.set_viewport_size({"width": width, "height": height})
            assert unread(page, parts) == []
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            shown = [box for one in page.locator("#figures svg").all() if (box := one.bounding_box()) is not None]
            assert len(shown) >= len(drill.stations) + 1
            assert all(box["width"] > 50 and box["height"] > 60 for box in shown)
            assert all(
                box["y"] + box["height"] <= page.locator(".cautions >> visible=true").bounding_box()["y"]
                for box in shown
            )
        assert page.locator("#facts dd").all_inner_texts() == [text for _, text in facts(item)]
        page.set_viewport_size({"width": 1280, "height": 800})
        drawn(page)
        # Nobody reads it from three metres: it is read beside the tablet, at arm's length.
        assert all(one["capital"] * 3000 / 700 > 10 for one in letters(page, "#facts dd", "#set-up li"))

    def test_the_next_drill_is_drawn_anew(self, opened):
        items = [planned("full_can"), planned("row_rotate_press"), planned("full_can")]
        page, _ = opened(FakeSession(stage="ready"), drawings=tuple({"": drawing(item)} for item in items))
        at_stage(page, "ready")
        assert page.locator("#figures figcaption").all_inner_texts() == ["Start", "Top"]
        page.click("#next")
        page.wait_for_selector("#figures[data-count='4']")
        assert page.locator("#figures figcaption").all_inner_texts() == ["Start", "Row", "Rotate", "Press"]
