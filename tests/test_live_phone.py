"""On a phone nothing runs off the side, in any state, with the longest words there are."""

from __future__ import annotations

import shutil

import pytest
from live_browser import at_phase, at_stage, drawn, press
from live_fake import FakeSession
from test_live_before import planned

from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.live.before import drawing, facts

pytestmark = [
    pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]
PHONE = (390, 844)
LONGEST = max((load_shipped(name) for name in shipped_ids()), key=lambda drill: len(drill.title))
CUE = {"code": "uncounted", "text": "forearm goes to 128°, asked 130° to 180°"}
# What can be seen and reaches past the screen's sides; tables scroll in boxes of their own.
OFF = """() => [...document.querySelectorAll('body *')].filter((e) => e.checkVisibility()).filter((e) => {
  const { left, right, width } = e.getBoundingClientRect();
  if (!width || (left >= -1 && right <= innerWidth + 1)) return false;
  return e.closest('#sensors, .sets') === null;
}).map((e) => `${e.tagName} ${e.id || e.className.baseVal || e.className}`)"""


def off_the_side(page):
    drawn(page)
    wide = page.evaluate("[document.documentElement, document.querySelector('main')].map(e => e.scrollWidth)")
    return page.evaluate(OFF) + [f"scrolls to {one}" for one in wide if one > PHONE[0]]


def opened_on_phone(opened, **options):
    session = FakeSession(title=LONGEST.title, set_up=LONGEST.set_up, next_title=LONGEST.title, reps=15, **options)
    item = planned("row_rotate_press", "both" if len(session.sides) > 1 else "right")
    session.facts = facts(item)
    page, _ = opened(session, size=PHONE, drawings=({"": drawing(item)},) * 3)
    return page, session


@pytest.mark.parametrize("sides", [("right",), ("right", "left")], ids=["one", "both"])
@pytest.mark.parametrize("state", ["lift", "hold", "held", "unseen", "sinks"])
def test_nothing_runs_off_the_side_in_a_set(opened, state, sides):
    hold_s = 0.5 if state == "held" else 60.0
    page, session = opened_on_phone(opened, sides=sides, stage="ready", hold_s=hold_s, cue=CUE)
    session.phases_s = (99.0, 1.0, 1.0, 1.0) if state == "lift" else (0.1, 99.0, 1.0, 1.0)
    press(page, " ", "set")
    session.sinks = state == "sinks"
    session.lost = {"right_wrist", "left_wrist"} if state == "unseen" else set()
    at_phase(page, "hold" if state == "sinks" and len(sides) == 1 else state, sides[-1])
    assert off_the_side(page) == []


def test_nothing_runs_off_the_side_before_and_after_a_set(opened):
    page, _ = opened_on_phone(opened, sides=("right", "left"), stage="ready")
    assert off_the_side(page) == []
    page.keyboard.press("s")
    assert off_the_side(page) == []
    page.keyboard.press("s")
    press(page, " ", "set")
    page.wait_for_selector(".arm[data-phase]")
    press(page, " ", "pain")
    assert off_the_side(page) == []
    page.keyboard.press("1")
    press(page, " ", "effort")
    assert off_the_side(page) == []
    page.keyboard.press("4")
    press(page, " ", "ready")
    assert off_the_side(page) == []
    page.keyboard.press("ArrowLeft")
    page.wait_for_selector("#menu[open]")
    assert off_the_side(page) == []
    page.keyboard.press("Escape")
    page.click("#end-button")
    assert off_the_side(page) == []
    page.click("#end-yes")
    page.wait_for_selector("#report:not([hidden])")
    assert off_the_side(page) == []


@pytest.mark.parametrize("stage", ["calibrate", "stop"])
def test_nothing_runs_off_the_side_in_calibration_and_at_a_stop(opened, stage):
    if stage == "calibrate":
        page, _ = opened_on_phone(opened, fail_first_pose=True, step_s=0.3)
        assert off_the_side(page) == []
        page.keyboard.press(" ")
        page.wait_for_selector("#verdict[data-verdict=again]")
    else:
        page, _ = opened_on_phone(opened, stage="ready")
        press(page, " ", "set")
        page.wait_for_selector(".arm[data-phase]")
        press(page, " ", "pain")
        page.keyboard.press("7")
        press(page, " ", "stop")
    at_stage(page, stage)
    assert off_the_side(page) == []


def test_what_runs_off_the_side_is_found(opened):
    """So that the tests above can fail."""
    page, _ = opened_on_phone(opened, stage="ready")
    page.evaluate("document.getElementById('asked').style.minWidth = '500px'")
    assert any("asked" in one for one in off_the_side(page))
