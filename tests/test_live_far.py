"""What the athlete reads from three metres away, measured in the page in a real browser."""

from __future__ import annotations

import shutil

import pytest
from far import arcmin, letters
from live_browser import at_phase, drawn, press, until
from live_fake import FakeSession

from imu_shoulder.assess.faults import RAISED
from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.live.words import LOWER_BOTH, STEPS, cue

pytestmark = [
    pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]
PANELS = [(1280, 800), (1024, 768)]
FIRST_ARCMIN, NEXT_ARCMIN = 20.0, 10.0
FIRST = ("#arms .rep b", "#arms .word", "#cue")
NEXT = ("#title", "#where-now", "#arms .holding b", "#arms .number .unit")
DRILLS = [load_shipped(name) for name in shipped_ids()]
CUES = sorted({str((cue([fault.name], drill) or LOWER_BOTH)["text"]) for fault in RAISED for drill in DRILLS})
UNCOUNTED = [
    "arm goes to 60°, asked 75° to 105°",
    "forearm goes to 28°, asked 45° to 100°",
    "right back to 128°, asked 100° or less",
]


def unread(page, first=FIRST, second=NEXT):
    """Texts that are too small from there, or that something covers, on either panel."""
    found = []
    for width, height in PANELS:
        page.set_viewport_size({"width": width, "height": height})
        drawn(page)
        found += [(width, *one) for one in unread_here(page, first, second)]
    return found


def unread_here(page, first, second):
    found = [
        (one["shown"], f"{one['x' if one['small'] else 'capital']:.1f}'")
        for one in letters(page, *first)
        if one["x" if one["small"] else "capital"] < FIRST_ARCMIN
    ]
    found += [
        (one["shown"], f"{one['capital']:.1f}'") for one in letters(page, *second) if one["capital"] < NEXT_ARCMIN
    ]
    return found + [
        (one["shown"], f"under {one['covered']}")
        for one in letters(page, *first, *second)
        if one["covered"] is not None
    ]


def test_the_angle_of_a_height():
    """20 arcmin at 3 m are 17.5 mm, as 3000 mm * tan(20/60 deg) has it; 10 arcmin half of that."""
    assert arcmin(17.453 / 217 * 1280, 1280) == pytest.approx(20.0, abs=0.01)
    assert arcmin(8.727 / 217 * 1024, 1024) == pytest.approx(10.0, abs=0.01)


@pytest.mark.parametrize("sides", [("right",), ("left",), ("right", "left")], ids=["right", "left", "both"])
@pytest.mark.parametrize("state", ["rest", "lift", "hold", "held", "lower", "done", "unseen", "sinks"])
def test_count_phase_and_cue_are_read_from_three_metres(opened, state, sides):
    phases = {
        "done": (0.0, 0.0, 0.0, 99.0),
        "rest": (0.0, 0.0, 0.0, 99.0),
        "lift": (99.0, 1.0, 1.0, 1.0),
        "lower": (0.0, 0.0, 99.0, 1.0),
    }
    reps, hold_s = 1 if state == "done" else 10, 0.5 if state == "held" else 12.0
    session = FakeSession(sides=sides, stage="ready", reps=reps, hold_s=hold_s)
    session.phases_s = phases.get(state, (0.1, 99.0, 1.0, 1.0))
    session.sinks = state == "sinks"
    page, _ = opened(session)
    press(page, " ", "set")
    if state == "unseen":
        session.lost = {"right_wrist", "left_wrist"}
    side = sides[-1]
    at_phase(page, "hold" if state == "sinks" and side == "right" else state, side)
    assert unread(page) == []
    session.cue = {"code": "elbow_off", "text": "elbow bent, at your side"}
    until(page, "document.getElementById('cue').textContent.includes('side')")
    assert unread(page) == []


@pytest.mark.parametrize("sides", [("right",), ("right", "left")], ids=["one", "both"])
def test_each_cue_of_each_drill_is_read_from_three_metres(opened, sides):
    session = FakeSession(sides=sides, stage="ready", phases_s=(0.1, 99.0, 1.0, 1.0), hold_s=12.0)
    page, _ = opened(session)
    press(page, " ", "set")
    at_phase(page, "hold")
    assert len(CUES) > 12
    for text in [*CUES, *UNCOUNTED]:
        session.cue = {"code": "any", "text": text}
        until(page, "text => document.getElementById('cue').textContent.endsWith(text)", arg=text)
        assert unread(page) == []


@pytest.mark.parametrize("title", sorted({drill.title for drill in DRILLS}))
def test_each_drill_is_read_from_three_metres(opened, title):
    session = FakeSession(title=title, stage="ready", phases_s=(0.1, 99.0, 1.0, 1.0), reps=15, hold_s=12.0)
    page, _ = opened(session)
    press(page, " ", "set")
    at_phase(page, "hold")
    assert unread(page) == []


def test_two_digits_of_each_number_have_room(opened):
    session = FakeSession(sides=("right", "left"), stage="ready", phases_s=(0.1, 99.0, 1.0, 1.0), hold_s=60.0)
    page, _ = opened(session)
    press(page, " ", "set")
    at_phase(page, "hold")
    page.evaluate("for (const b of document.querySelectorAll('.number b')) b.textContent = '28'")
    assert unread(page) == []


def test_what_is_too_small_or_covered_is_found(opened):
    """So that the tests above can fail."""
    page, _ = opened(FakeSession(stage="ready", phases_s=(0.1, 99.0, 1.0, 1.0)))
    press(page, " ", "set")
    at_phase(page, "hold")
    page.evaluate("document.querySelector('.rep b').style.fontSize = '80px'")
    assert [text for _, text, _ in unread(page)] == ["0", "0"]
    page.evaluate("document.querySelector('.word').style.textTransform = 'none'")
    assert [text for _, text, _ in unread(page)] == ["0", "Hold", "0", "Hold"]
    page.evaluate("document.body.append(Object.assign(document.createElement('div'), { id: 'lid' }))")
    page.evaluate("Object.assign(document.getElementById('lid').style, { position: 'fixed', inset: '0 0 90% 0' })")
    assert (1280, "Full can raise", "under lid") in unread(page)


@pytest.mark.parametrize("step", [*STEPS])
def test_calibration_is_read_from_three_metres(opened, step):
    """The step, how far it is, and why it is to be done again."""
    session = FakeSession(fail_first_pose=True, step_s=600.0)
    page, _ = opened(session)
    session.texts = dict.fromkeys(("pose", "bends", "raises"), STEPS[step])
    until(page, "text => document.getElementById('step-text').textContent === text", arg=STEPS[step])
    press(page, " ", "calibrate")
    page.wait_for_selector("#progress:not([hidden])")
    parts = ("#step-text", "#still-number", "#still-unit", "#verdict")
    assert unread(page, (), parts) == []
    session.step_s = 0.0  # over only now, however long the reading took
    page.wait_for_selector("#verdict[data-verdict=again]")
    assert unread(page, (), parts) == []


def test_the_rest_is_read_from_three_metres(opened):
    page, _ = opened(FakeSession(stage="ready"))
    press(page, " ", "set")
    page.wait_for_selector(".arm[data-phase]")
    press(page, " ", "pain")
    for stage in ("effort", "ready"):
        page.keyboard.press("1")
        press(page, " ", stage)
    assert page.locator("#rest").inner_text().startswith("Rest")
    assert unread(page, (), ("#rest",)) == []
