"""The page from start to saved report: by the two keys of a presenter alone, and by a keyboard alone."""

from __future__ import annotations

import shutil

import pytest
from live_browser import at_phase, at_stage, drawn, leave_effort, number_of, press, until
from live_fake import FakeSession

from imu_shoulder.model import ArmCount

pytestmark = [
    pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]
# Forward and back: what presenters send.
PRESENTERS = [("PageDown", "PageUp"), ("ArrowRight", "ArrowLeft")]
QUICK_S = (0.2, 0.3, 0.2, 0.1)


def session(**changes):
    """Two sets of one drill, two reps each; with the second set the plan is done."""
    given = {"step_s": 0.2, "phases_s": QUICK_S, "reps": 2, "hold_s": 0.2, "drills": 1, "rounds": 2, "stage": "ready"}
    return FakeSession(**(given | changes))


def focused(page):
    return page.evaluate("document.activeElement.textContent")


def take(page, forward, back, words):
    """Open the list of what else can be done, go to a line and take it."""
    page.keyboard.press(back)
    page.wait_for_selector("#menu[open]")
    for _ in range(20):
        if focused(page).startswith(words):
            break
        page.keyboard.press(forward)
    assert focused(page).startswith(words)
    page.keyboard.press(back)


def saved(page, running):
    at_stage(page, "done")
    page.wait_for_selector("#report:not([hidden])")
    assert str(running.folder / "results" / "report.html") in page.locator("#paths").inner_text()
    assert (running.folder / "results" / "report.html").is_file()


@pytest.mark.parametrize(("forward", "back"), PRESENTERS)
def test_a_presenter_alone_goes_from_start_to_the_saved_report(opened, forward, back):
    page, running = opened(session(stage="calibrate"))
    for step in (1, 2):
        page.keyboard.press(forward)
        until(page, "n => document.querySelectorAll('#steps .done').length === n", arg=step)
    take(page, forward, back, "Leave this step out")
    at_stage(page, "pain")
    page.keyboard.press(back)
    until(page, "document.getElementById('answer').textContent.includes('Choose a number')")
    page.keyboard.press(forward)
    page.keyboard.press(forward)
    assert page.locator("#go").inner_text() == "Answer 1 of 10"
    press(page, back, "ready")
    for number in (1, 2):
        press(page, forward, "set")
        at_phase(page, "done")
        press(page, forward, "pain")
        page.keyboard.press(forward)
        press(page, back, "effort")
        # Eleven numbers, then not rated, then round again.
        for _ in range(12 if number == 1 else 5):
            page.keyboard.press(forward)
        press(page, back, "ready" if number == 1 else "over")
    page.keyboard.press(forward)
    page.wait_for_selector("#end-dialog[open]")
    assert focused(page) == "Go on"
    page.keyboard.press(forward)
    assert focused(page) == "End and save"
    page.keyboard.press(back)
    saved(page, running)
    sets = [event for event in running.session.recording() if event.trial_type == "set"]
    assert [(event.pain, event.effort) for event in sets] == [(0.0, None), (0.0, 4.0)]
    assert running.session.pain.ratings[0][0][1] == 1.0
    page.keyboard.press(forward)
    page.wait_for_url("**/report")


def test_a_keyboard_alone_goes_from_start_to_the_saved_report(opened):
    page, running = opened(session(stage="calibrate"))
    for step in (1, 2):
        page.keyboard.press(" ")
        until(page, "n => document.querySelectorAll('#steps .done').length === n", arg=step)
    page.keyboard.press(" ")
    at_stage(page, "pain")
    for key in ("ArrowUp", "ArrowUp", "ArrowUp", "ArrowDown"):
        page.keyboard.press(key)
    assert page.locator("#pain-number").inner_text() == "1"
    press(page, " ", "ready")
    for stage in ("ready", "over"):
        press(page, " ", "set")
        at_phase(page, "done")
        press(page, " ", "pain")
        page.keyboard.press("ArrowDown")
        assert page.locator("#go").inner_text() == "Answer: not rated"
        press(page, " ", "effort")
        page.keyboard.press("1")
        page.keyboard.press("0")
        assert page.locator("#go").inner_text() == "Answer 10 of 10"
        press(page, " ", stage)
    page.keyboard.press(" ")
    page.wait_for_selector("#end-dialog[open]")
    page.keyboard.press("Escape")
    page.wait_for_selector("#end-dialog:not([open])", state="attached")
    assert running.session.stage == "over"
    page.keyboard.press(" ")
    page.wait_for_selector("#end-dialog[open]")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    saved(page, running)
    assert [e.effort for e in running.session.recording() if e.trial_type == "set"] == [10.0, 10.0]


@pytest.mark.parametrize(("forward", "back"), PRESENTERS)
def test_a_presenter_ends_and_saves_a_session_that_was_stopped(opened, forward, back):
    """Pain over the ceiling; first a slip is corrected, then the number was meant."""
    page, running = opened(session())
    press(page, forward, "set")
    page.wait_for_selector(".arm[data-phase]")
    press(page, forward, "pain")
    for _ in range(4):
        page.keyboard.press(forward)
    press(page, back, "stop")
    page.keyboard.press(back)
    until(page, "document.getElementById('slip-answer').textContent.includes('Choose')")
    for _ in range(5):
        page.keyboard.press(forward)
    page.keyboard.press(back)
    until(page, "document.getElementById('stop-text').textContent.includes('4 of 10')")
    for _ in range(12):
        page.keyboard.press(forward)
    page.keyboard.press(back)
    page.wait_for_selector("#slip", state="hidden")
    for key in (forward, forward, back):
        page.keyboard.press(key)
    saved(page, running)
    (event,) = (event for event in running.session.recording() if event.trial_type == "set")
    assert event.pain == 4.0


def test_a_presenter_gets_to_all_else_that_can_be_done(opened):
    page, running = opened(session(drills=3))
    take(page, "PageDown", "PageUp", "Go on as before")
    page.wait_for_selector("#menu:not([open])", state="attached")
    take(page, "PageDown", "PageUp", "Next drill")
    until(page, "document.getElementById('place').textContent.includes('drill 2 of 3')")
    take(page, "PageDown", "PageUp", "Drill before")
    until(page, "document.getElementById('place').textContent.includes('drill 1 of 3')")
    take(page, "PageDown", "PageUp", "More pain")
    at_stage(page, "pain")
    for _ in range(2):
        page.keyboard.press("PageDown")
    press(page, "PageUp", "ready")
    assert running.session.pain.value == 1


# A set that is done, and what comes after it.


def test_a_set_that_is_done_is_told_by_a_sign_a_word_and_a_sound_and_more_reps_are_extra(opened):
    page, running = opened(session(phases_s=(0.3, 0.6, 0.3, 0.6)))
    page.evaluate("window.heard = []; document.addEventListener('sound', e => window.heard.push(e.detail))")
    press(page, " ", "set")
    at_phase(page, "lift")
    assert page.locator(".rep").inner_text().split() == ["reps", "0", "of", "2"]
    at_phase(page, "done")
    assert page.locator(".glyph").inner_text() == "✓"
    assert page.locator(".word").inner_text().lower() == "set done"
    until(page, "window.heard.includes('done')")
    # One more is shown as any other, and then counted as extra.
    at_phase(page, "lift")
    until(page, "document.querySelector('.rep b').textContent === '+1'")
    until(page, "document.querySelector('.rep b').textContent === '+2'")
    assert page.locator(".rep .unit").inner_text() == "over 2"
    assert page.evaluate("window.heard.filter(name => name === 'done').length") == 1
    press(page, " ", "pain")
    assert " extra" in page.locator("#pain-count").inner_text()
    (event,) = (event for event in running.session.recording() if event.trial_type == "set")
    assert event.count_of("right").extra >= 2


def test_a_page_that_is_opened_later_does_not_sound_for_what_was_before(opened):
    page, running = opened(session(phases_s=(0.1, 0.1, 0.1, 60), reps=1))
    press(page, " ", "set")
    at_phase(page, "done")
    second = opened.another(running)
    second.evaluate("window.heard = []; document.addEventListener('sound', e => window.heard.push(e.detail))")
    at_phase(second, "done")
    drawn(second)
    assert second.evaluate("window.heard") == []


def test_each_arm_has_its_own_number_and_the_set_is_done_with_both(opened):
    fake = session(sides=("right", "left"), asked={"right": 1, "left": 3}, phases_s=(0.3, 0.4, 0.3, 0.6))
    page, _ = opened(fake)
    assert page.locator("#asked").inner_text().startswith("1 right, 3 left")
    press(page, " ", "set")
    at_phase(page, "done")
    assert page.locator(".arm[aria-label='right arm'] .word").inner_text().lower() == "done"
    assert page.locator(".arm[aria-label='left arm']").get_attribute("data-phase") != "done"
    at_phase(page, "done", "left")
    assert page.locator(".arm[aria-label='left arm'] .word").inner_text().lower() == "set done"


@pytest.mark.parametrize(("sides", "said"), [(("right",), "2 reps"), (("right", "left"), "2 reps each arm")])
def test_what_is_asked_is_said_once_where_it_is_the_same(opened, sides, said):
    page, _ = opened(session(sides=sides, hold_s=0))
    assert page.locator("#asked").inner_text() == said


def test_after_a_set_comes_a_rest_that_is_counted_down_and_then_heard(opened):
    page, running = opened(session())
    assert not page.locator("#rest").is_visible()
    press(page, " ", "set")
    at_phase(page, "done")
    press(page, " ", "pain")
    page.keyboard.press("0")
    press(page, " ", "effort")
    leave_effort(page)
    assert page.locator("#rest").inner_text().startswith(("Rest 0:5", "Rest 1:00"))
    assert "set 2 of 2" in page.locator("#place").inner_text()
    page.evaluate("window.heard = []; document.addEventListener('sound', e => window.heard.push(e.detail))")
    since_s, _ = running.session.course._rest
    running.session.course._rest = since_s, running.session.t - since_s + 0.3
    until(page, "document.getElementById('rest').textContent === '✓ Rest is over'")
    until(page, "window.heard.includes('rest')")


def test_at_the_end_it_says_done_for_today_and_what_was_done(opened):
    page, running = opened(session(rounds=1, phases_s=(0.2, 0.2, 0.2, 60), reps=1))
    press(page, " ", "set")
    at_phase(page, "done")
    press(page, " ", "pain")
    page.keyboard.press("1")
    press(page, " ", "effort")
    page.keyboard.press("6")
    press(page, " ", "over")
    assert "Done for today" in page.locator("#over-word").inner_text()
    row = page.locator("#over-sets tbody tr").inner_text().split("\t")
    assert row == ["Full can raise, 1 of 1", "right", "1 of 1", "1", "–", "1", "6"]
    assert page.locator("#go").inner_text() == "End and save"
    assert page.locator("text=Start the set").count() == 0
    page.keyboard.press(" ")
    page.click("#end-yes")
    saved(page, running)
    assert page.locator("#done-sets tbody tr").count() == 1


# By hand.


def test_a_count_is_corrected_in_the_set_and_after_it_and_both_numbers_are_shown(opened):
    page, running = opened(session(phases_s=(0.2, 0.2, 0.2, 60)))
    press(page, " ", "set")
    until(page, "document.querySelector('.rep b').textContent === '1'")
    take(page, "PageDown", "PageUp", "+1 rep, right arm (now 1)")
    at_phase(page, "done")
    assert number_of(page, "rep") == 2
    assert page.locator(".rep .label").inner_text() == "by hand (1)"
    press(page, " ", "pain")
    assert "2 of 2: 1 counted, 2 by hand" in page.locator("#pain-count").inner_text()
    page.click("#pain-count button[aria-label^='one rep less']")
    until(page, "document.getElementById('pain-count').textContent.startsWith('1 of 2 reps')")
    page.click("#pain-count button[aria-label^='one rep less']")
    until(page, "document.getElementById('pain-count').textContent.startsWith('0 of 2: 1 counted, 0 by hand')")
    (event,) = (event for event in running.session.recording() if event.trial_type == "set")
    assert event.counts == (ArmCount("right", counted=1, corrected=-1),)


# Words in a set.


def test_between_reps_the_word_is_not_that_of_the_rest_between_sets(opened):
    page, _ = opened(session(reps=3, phases_s=(0.2, 0.2, 0.2, 60)))
    press(page, " ", "set")
    at_phase(page, "rest")
    assert page.locator(".word").inner_text().lower() == "next rep"


def test_a_holding_arm_shows_how_long_it_holds_and_no_reps(opened):
    page, _ = opened(session(sides=("right", "left"), holder="left", hold_s=0.2, phases_s=(0.5, 60, 1, 1)))
    press(page, " ", "set")
    at_phase(page, "hold", "left")
    holder = page.locator(".arm[aria-label='left arm']")
    assert not holder.locator(".rep").is_visible()
    until(page, "document.querySelector(\".arm[aria-label='left arm'] .holding b\").textContent === '2'")
    assert holder.get_attribute("data-phase") == "hold"  # no hold is asked that would be over
    assert page.locator(".arm[aria-label='right arm'] .rep").is_visible()


# Calibration again.


def go_on(page, stage):
    """Begin the step that is due, and wait until it is over."""
    page.wait_for_selector("#go:not([hidden])")
    done = page.locator("#steps .done").count()
    page.keyboard.press("PageDown")
    over = (
        "([n, stage]) => document.body.dataset.stage === stage || document.querySelectorAll('#steps .done').length > n"
    )
    until(page, over, [done, stage])


def test_calibration_is_done_again_from_the_pose_or_by_one_arm_alone(opened):
    page, running = opened(session(sides=("right", "left"), step=3))
    take(page, "PageDown", "PageUp", "Calibrate the left arm alone")
    until(page, "document.querySelector('#steps .now')?.textContent === 'Forward raises'")
    assert running.session.alone == "left"
    go_on(page, "ready")
    at_stage(page, "ready")
    assert running.session.alone is None
    take(page, "PageDown", "PageUp", "Calibrate again from the pose")
    until(page, "document.querySelector('#steps .now')?.textContent === 'Elbow bends'")
    assert running.session.alone is None
    go_on(page, "ready")
    go_on(page, "ready")
    at_stage(page, "ready")


def test_calibration_again_from_within_a_set_ends_it_and_asks_about_it_afterwards(opened):
    page, running = opened(session(step=3))
    press(page, "PageDown", "set")
    take(page, "PageDown", "PageUp", "End the set and calibrate again")
    until(page, "document.querySelector('#steps .now')?.textContent === 'Elbow bends'")
    go_on(page, "pain")
    go_on(page, "pain")
    at_stage(page, "pain")
    assert page.locator("#pain-question").inner_text() == "How much pain was there in this set?"
    assert len(running.session.set_events) == 1
