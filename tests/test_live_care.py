"""What keeps the athlete from harm, on the page in a real browser: pain and the stop, the cautions, a sinking arm."""

from __future__ import annotations

import shutil

import pytest
from live_browser import at_phase, at_stage, drawn, leave_effort, press, until
from live_fake import FakeSession, chunk
from live_server import Running

from imu_shoulder.cautions import CAUTIONS, HELP
from imu_shoulder.drills import load_shipped, shipped_ids

pytestmark = [
    pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]
SIZES = [(1024, 768), (390, 844)]
# Of the element's lines those that cannot be read whole: not in the window, under the footer, or cut off by a box that
# scrolls. One pixel is rounding.
UNREAD = """(box) => {
  const footer = document.querySelector('footer').getBoundingClientRect();
  const floor = footer.height && footer.bottom > innerHeight - 1 ? footer.top : innerHeight;
  return [...document.querySelectorAll(box)].filter((e) => e.textContent && !e.closest('[hidden]')).filter((e) => {
    const { left, right, top, bottom } = e.getBoundingClientRect();
    if (!(right > left && bottom > top)) return true;
    if (left < -1 || right > innerWidth + 1 || top < -1 || bottom > floor + 1) return true;
    for (let at = e.parentElement; at !== document.body; at = at.parentElement) {
      const clip = at.getBoundingClientRect();
      if (getComputedStyle(at).overflowY !== 'visible' && (top < clip.top - 1 || bottom > clip.bottom + 1)) return true;
    }
    return false;
  }).map((e) => e.textContent);
}"""


def unread(page, box):
    drawn(page)
    return page.evaluate(UNREAD, box)


def asked(opened, **options):
    """A page that asks for the pain of its first set."""
    page, running = opened(FakeSession(stage="ready", **options))
    press(page, " ", "set")
    page.wait_for_selector(".arm[data-phase]")
    press(page, " ", "pain")
    return page, running


def answer(page, number, stage):
    page.keyboard.press(str(number))
    press(page, " ", stage)


def test_nothing_is_preset_and_one_press_records_nothing(opened):
    page, running = asked(opened)
    assert page.locator("#pain .chosen").count() == 0
    assert page.locator("#pain-number").inner_text() == "?"
    assert not page.locator("#go").is_visible()
    page.keyboard.press(" ")
    until(page, "document.getElementById('answer').textContent.includes('Choose')")
    for press_one in (lambda: page.click("#pain-scale button:nth-child(1)"), lambda: page.keyboard.press("0")):
        press_one()
        drawn(page)
        assert page.locator("#go").inner_text() == "Answer 0 of 10"
        assert running.session.stage == "pain"
        assert running.session.pain.ratings == {}
    press(page, " ", "effort")
    assert running.session.pain.value == 0


def test_not_rated_is_an_answer_of_its_own(opened):
    page, running = asked(opened)
    page.click("#pain-not-rated")
    assert page.locator("#go").inner_text() == "Answer: not rated"
    page.click("#go")
    leave_effort(page)
    assert "not rated" in page.locator("#pain-noted").inner_text()
    assert running.session.pain.value is None
    assert running.session.recording()[-1].pain is None


def test_the_next_question_has_nothing_preset_either(opened):
    page, _ = asked(opened)
    answer(page, 1, "effort")
    leave_effort(page)
    press(page, " ", "set")
    page.wait_for_selector(".arm[data-phase]")
    press(page, " ", "pain")
    assert page.locator("#pain .chosen").count() == 0
    assert not page.locator("#go").is_visible()


@pytest.mark.parametrize(("keys", "number"), [("7", "7"), ("10", "10"), ("71", "1"), ("100", "0"), ("12", "2")])
def test_digits_choose_and_ten_is_one_and_nought(opened, keys, number):
    page, running = asked(opened)
    for key in keys:
        page.keyboard.press(key)
    assert page.locator("#pain-number").inner_text() == number
    assert running.session.pain.ratings == {}


def test_pain_over_the_ceiling_stops_at_once_and_says_whom_to_ask(opened):
    page, running = asked(opened)
    assert "reps clean" in page.locator("#headline").inner_text()
    answer(page, 6, "stop")
    text = page.locator("#stop").inner_text()
    for said in ("Stop here", "6 of 10", "licensed practitioner", "Was 6 meant?", *HELP):
        assert said in text
    page.keyboard.press(" ")
    drawn(page)
    assert running.session.stage == "stop"
    assert not page.locator("#end-dialog").is_visible()
    assert "Stop here" in running.session.command("start_set")
    page.click("#meant")
    page.wait_for_selector("#slip", state="hidden")
    page.keyboard.press(" ")
    page.click("#end-yes")
    at_stage(page, "done")


@pytest.mark.parametrize("by", ["keys", "finger"])
def test_a_slip_is_corrected_and_both_numbers_are_kept(opened, by):
    page, running = asked(opened)
    answer(page, 6, "stop")
    assert not page.locator("#correct").is_visible()
    if by == "keys":
        answer(page, 1, "effort")
    else:
        page.click("#slip-scale button:nth-child(2)")
        assert running.session.stage == "stop"
        page.click("#correct")
    leave_effort(page)
    assert "corrected from 6" in page.locator("#pain-noted").inner_text()
    event = running.session.recording()[-1]
    assert (event.pain, event.note) == (1.0, "pain corrected from 6 to 1")


def test_after_twenty_seconds_of_samples_the_stop_stays(opened):
    async def waits():
        """A feed that stands still: the clock goes on when the test says so."""
        import asyncio

        while True:
            await asyncio.sleep(0.02)
            yield chunk(session.t + 1e-3)

    session = FakeSession(stage="ready")
    page, _ = opened(session, feed=waits)
    press(page, " ", "set")
    page.wait_for_selector(".arm[data-phase]")
    press(page, " ", "pain")
    answer(page, 6, "stop")
    assert page.locator("#slip").is_visible()
    session.t += 20.0
    page.wait_for_selector("#slip", state="hidden")
    assert "stands" in session.command("correct_pain", value=1)
    assert session.command("pain", value=1) is not None
    assert session.stage == "stop"


def test_more_pain_than_was_noted_can_be_said_until_the_next_set(opened):
    page, running = asked(opened)
    answer(page, 1, "effort")
    leave_effort(page)
    page.click("#worse")
    at_stage(page, "pain")
    assert page.locator("#pain .chosen").count() == 0
    assert not page.locator("#pain-not-rated").is_visible()
    page.click("#worse")
    at_stage(page, "ready")
    page.click("#worse")
    at_stage(page, "pain")
    answer(page, 6, "stop")
    event = running.session.recording()[-1]
    assert (event.pain, event.note) == (6.0, "pain corrected from 1 to 6")


def test_pain_before_the_first_set_is_asked_and_stops_the_start(opened):
    page, running = opened(FakeSession(step_s=0.2))
    for step in (1, 2):
        page.keyboard.press(" ")
        until(page, "n => document.querySelectorAll('#steps .done').length === n", arg=step)
    page.click("#next")
    at_stage(page, "pain")
    assert page.locator("#pain-question").inner_text() == "How much pain is there now, before the first set?"
    answer(page, 5, "stop")
    assert "Start no set" in page.locator("#stop-text").inner_text()
    assert running.session.set_events == []
    assert running.session.command("start_set") is not None
    assert running.session.recording()[0].pain == 5.0


# Cautions.


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", shipped_ids())
def test_a_drills_cautions_stand_with_it_and_over_the_footer(opened, name, size):
    drill = load_shipped(name)
    session = FakeSession(stage="ready", title=drill.title, set_up=drill.set_up, cautions=drill.cautions)
    page, _ = opened(session, size)
    page.wait_for_selector("#drill-cautions li")
    lines = page.locator("#drill-cautions li").all_inner_texts()
    assert lines == [*drill.cautions, HELP[0], CAUTIONS[0]]
    assert unread(page, "#drill-cautions li") == []
    assert unread(page, "#set-up li, #pain-noted") == []
    page.keyboard.press("s")
    page.wait_for_selector("#sensors table")
    assert unread(page, "#drill-cautions li") == []


@pytest.mark.parametrize("size", SIZES)
def test_cautions_stand_over_the_footer_however_long_the_drill_is(opened, size):
    long = FakeSession(stage="ready", set_up=("Raise the arm slowly and keep the shoulder down all the while.",) * 20)
    page, _ = opened(long, size)
    page.wait_for_selector("#drill-cautions li")
    assert unread(page, "#drill-cautions li") == []
    assert unread(page, "#set-up li")  # so that the measure can fail


@pytest.mark.parametrize("size", SIZES)
def test_the_cautions_before_the_start_are_read_whole(opened, size):
    session = FakeSession(fail_first_pose=True, step_s=0.3)
    page, _ = opened(session, size)
    assert page.locator("#cautions li").all_inner_texts() == list(CAUTIONS)
    assert unread(page, "#cautions li, #step-text, #still-number") == []
    page.keyboard.press(" ")
    page.wait_for_selector("#verdict[data-verdict=again]")
    assert unread(page, "#cautions li, #step-text, #verdict") == []
    session.lost.add("right_wrist")
    page.wait_for_selector("#sensors tr.odd")
    assert unread(page, "#cautions li") == []


@pytest.mark.parametrize("size", SIZES)
def test_a_stop_is_read_whole_with_how_soon_to_get_help(opened, size):
    page, _ = asked(opened)
    page.set_viewport_size({"width": size[0], "height": size[1]})
    answer(page, 7, "stop")
    parts = "#stop-word, #stop-text, #slip-question, #slip-left, #slip-scale button, #meant, #correct, #help li"
    assert page.locator("#help li").all_inner_texts() == list(HELP)
    assert unread(page, parts) == []
    page.keyboard.press("3")
    page.wait_for_selector("#correct:not([hidden])")
    assert unread(page, parts) == []
    page.click("#correct")
    until(page, "document.getElementById('stop-text').textContent.includes('3 of 10')")
    page.click("#meant")
    page.wait_for_selector("#slip", state="hidden")
    assert unread(page, parts) == []


# Words in a set.


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("sides", [("right",), ("right", "left")])
def test_the_words_at_the_end_of_a_hold_fit(opened, sides, size):
    page, _ = opened(FakeSession(sides=sides, stage="ready", hold_s=0.5, phases_s=(0.2, 60, 1, 1)), size)
    press(page, " ", "set")
    at_phase(page, "held")
    assert page.locator(".arm[aria-label='right arm'] .word").text_content() == "Lower"
    assert page.locator(".arm[aria-label='right arm'] .how").inner_text() == "slowly"
    assert unread(page, ".word, .how, .number b") == []
    over = """() => [...document.querySelectorAll('.arm')].filter((arm) => {
      const [a, b] = ['.word', '.arm-name'].map((part) => arm.querySelector(part).getBoundingClientRect());
      return Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1
        && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1;
    }).length"""
    assert page.evaluate(over) == 0


def test_a_holding_arm_that_sinks_is_told_to_lower_and_not_to_go_higher(opened):
    session = FakeSession(sides=("right", "left"), stage="ready", phases_s=(0.2, 60, 1, 1))
    page, _ = opened(session)
    press(page, " ", "set")
    at_phase(page, "hold", "left")
    session.sinks, session.cue = True, {"code": "holder_sinks", "text": "lower both arms"}
    at_phase(page, "sinks", "left")
    holder = page.locator(".arm[aria-label='left arm']")
    assert holder.locator(".word").text_content() == "Lower"
    assert holder.locator(".reach").text_content() == ""
    assert holder.locator(".how").inner_text() == "both arms"
    assert "lower both arms" in page.locator("#cue").text_content()


def test_the_stand_in_for_the_server_has_the_real_cautions(tmp_path):
    """What the tests above read is what the command serves."""
    with Running(tmp_path / "session", FakeSession()) as running:
        assert running.hub.about.cautions is CAUTIONS
