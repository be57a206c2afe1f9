"""What the page says aloud, in a real browser with a stand-in for its speech: a headless browser has no voices."""

from __future__ import annotations

import json
import shutil

import pytest
import waiting
from live_browser import at_phase, at_stage, drawn, press, until
from live_fake import FakeSession

pytestmark = [
    pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]
OWN = {"name": "own", "lang": "en-GB", "localService": True, "default": False}
FETCHED = {"name": "fetched", "lang": "en-US", "localService": False, "default": True}
FOREIGN = {"name": "foreign", "lang": "de-DE", "localService": True, "default": False}
# Keeps what it was asked to say; "cut" where it was told to stop.
STAND_IN = """
window.said = [];
const spoken = new EventTarget();
let voices = %s;
Object.assign(spoken, {
  getVoices: () => voices,
  speak: (words) => window.said.push(`${words.voice.name}: ${words.text}`),
  cancel: () => window.said.push('cut'),
});
window.newVoices = (given) => { voices = given; spoken.dispatchEvent(new Event('voiceschanged')); };
Object.defineProperty(window, 'speechSynthesis', { value: spoken });
window.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
"""


def speaking(opened, session, *voices, on=True):
    page, _ = opened(session)
    page.add_init_script(STAND_IN % json.dumps(voices))
    page.reload()
    page.wait_for_selector("body:not([data-stage=wait])")
    if on:
        page.click("#voice-button")
        assert page.locator("#voice-word").inner_text() == "Voice on"
        page.evaluate("window.said.length = 0")
    return page


def words(page):
    """What was said, without where it was cut off."""
    return [one.removeprefix("own: ") for one in page.evaluate("window.said") if one != "cut"]


def test_it_is_off_until_it_is_switched_on_and_the_device_remembers(opened):
    session = FakeSession(stage="ready", phases_s=(0.2, 0.5, 0.2, 0.2), hold_s=0.3)
    page = speaking(opened, session, FETCHED, FOREIGN, OWN, on=False)
    assert page.locator("#voice-word").inner_text() == "Voice off"
    press(page, " ", "set")
    until(page, "parseInt(document.querySelector('.rep b').textContent) >= 3")
    assert page.evaluate("window.said") == []
    page.keyboard.press("v")
    assert page.evaluate("window.said")[:2] == ["cut", "own: Voice on"]
    page.reload()
    at_stage(page, "set")
    assert page.locator("#voice-button").get_attribute("aria-pressed") == "true"
    until(page, "window.said.length > 2")
    page.keyboard.press("v")
    assert page.locator("#voice-word").inner_text() == "Voice off"


def test_the_count_hold_and_lower_are_said_as_they_come(opened):
    session = FakeSession(stage="ready", phases_s=(0.4, 1.2, 0.4, 0.4), hold_s=0.6)
    page = speaking(opened, session, OWN)
    press(page, " ", "set")
    until(page, "window.said.filter(one => one === 'own: 2').length === 1")
    assert words(page)[:6] == ["hold", "lower", "1", "hold", "lower", "2"]
    # What is due this moment is not said after what is late.
    said = page.evaluate("window.said")
    assert all(said[at - 1] == "cut" for at, one in enumerate(said) if one in ("own: hold", "own: lower"))


def test_both_arms_are_one_count_and_one_hold(opened):
    session = FakeSession(sides=("right", "left"), stage="ready", phases_s=(0.4, 1.2, 0.4, 0.4), hold_s=0.6)
    page = speaking(opened, session, OWN)
    press(page, " ", "set")
    until(page, "window.said.filter(one => one === 'own: 2').length === 1")
    assert words(page)[:6] == ["hold", "lower", "1", "hold", "lower", "2"]


def test_a_cue_is_said_once_while_it_stands(opened):
    session = FakeSession(stage="ready", phases_s=(99.0, 1.0, 1.0, 1.0))
    page = speaking(opened, session, OWN)
    press(page, " ", "set")
    at_phase(page, "lift")
    for cue in ({"code": "thumb_down", "text": "thumb up"}, None, {"code": "thumb_down", "text": "thumb up"}):
        session.cue = cue
        until(page, "on => document.getElementById('cue').classList.contains('on') === on", arg=cue is not None)
        drawn(page)
    assert words(page) == ["thumb up", "thumb up"]


def test_to_lower_both_arms_cuts_off_everything(opened):
    session = FakeSession(sides=("right", "left"), stage="ready", phases_s=(0.3, 99.0, 1.0, 1.0), hold_s=99.0)
    page = speaking(opened, session, OWN)
    press(page, " ", "set")
    at_phase(page, "hold", "right")
    session.sinks, session.cue = True, {"code": "holder_sinks", "text": "lower both arms"}
    at_phase(page, "sinks", "left")
    until(page, "window.said.includes('own: lower both arms')")
    assert page.evaluate("window.said")[-2:] == ["cut", "own: lower both arms"]


def test_a_hold_that_is_not_asked_is_not_announced(opened):
    session = FakeSession(stage="ready", phases_s=(0.3, 0.6, 0.3, 0.3), hold_s=0.0)
    page = speaking(opened, session, OWN)
    press(page, " ", "set")
    until(page, "window.said.includes('own: 2')")
    assert words(page)[:2] == ["1", "2"]


@pytest.mark.parametrize("voices", [(), (FETCHED,), (FOREIGN,), (FETCHED, FOREIGN)])
def test_without_a_voice_of_its_own_it_says_so(opened, voices):
    page = speaking(opened, FakeSession(stage="ready", phases_s=(0.2, 0.2, 0.2, 0.2)), *voices, on=False)
    assert page.locator("#voice-word").inner_text() == "No voice here"
    assert page.locator("#voice-button").is_disabled()
    page.keyboard.press("v")
    press(page, " ", "set")
    until(page, "parseInt(document.querySelector('.rep b').textContent) >= 3")
    assert page.evaluate("window.said") == []
    page.evaluate("voice => window.newVoices([voice])", OWN)
    assert page.locator("#voice-word").inner_text() == "Voice off"
    page.keyboard.press("v")
    waiting.until(lambda: words(page), "it speaks")
