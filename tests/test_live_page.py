"""The athlete's page in a real browser: calibration, a set, reload, two pages, a lost sensor, keys alone."""

from __future__ import annotations

import re
import shutil

import pytest
import waiting
from live_browser import at_phase, at_stage, drawn, number_of, press, until
from live_fake import FakeSession
from live_server import Running

CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]
TABLET, SMALL, UPRIGHT, PHONE = (1180, 820), (1024, 768), (820, 1180), (390, 844)
MARKUP = "M.K. <img src='/x.png' onerror='document.title=1'><b>bold</b>"


# Texts of one row of numbers that overlap, within 2 px of rounding.
CLEAR = """() => {
  const boxes = [...document.querySelectorAll('.number b, .number .unit, .number .label')].map((e) => {
    const range = document.createRange();
    range.selectNodeContents(e);
    const { left, right } = range.getBoundingClientRect(), { top, bottom } = e.getBoundingClientRect();
    const size = parseFloat(getComputedStyle(e).fontSize), middle = (top + bottom) / 2;
    return { e, left, right, top: middle - 0.35 * size, bottom: middle + 0.35 * size };
  });
  return boxes.flatMap((a, k) => boxes.slice(k + 1)
    .filter((b) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 2
      && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 2)
    .map((b) => `${a.e.textContent} on ${b.e.textContent}`));
}"""


def test_calibration_with_an_again_and_its_reason(opened):
    page, running = opened(FakeSession(fail_first_pose=True, step_s=0.6))
    assert page.locator("#step-text").inner_text().startswith("Stand still")
    cautions = page.locator("#cautions")
    assert "not a medical device" in cautions.inner_text()
    assert cautions.is_visible()
    page.click("#go")
    until(page, "parseInt(document.getElementById('still-number').textContent) > 20")
    page.wait_for_selector("#verdict[data-verdict=again]")
    assert "because the right wrist moved" in page.locator("#verdict").inner_text()
    assert page.locator("#go").inner_text() == "Again"
    page.click("#go")
    page.wait_for_selector("#verdict[data-verdict=good]")
    assert "Good" in page.locator("#verdict").inner_text()
    for step in ("Elbow bends", "Forward raises"):
        assert step in page.locator("#steps [aria-current]").inner_text()
        page.wait_for_selector("#go:not([hidden])")
        page.click("#go")
        until(
            page,
            "t => document.body.dataset.stage === 'pain' || "
            "document.querySelector('#steps [aria-current]')?.textContent !== t",
            arg=step,
        )
    at_stage(page, "pain")
    assert running.session.step == 3
    page.click("#pain-not-rated")
    page.click("#go")
    at_stage(page, "ready")
    assert "10 reps" in page.locator("#asked").inner_text()


def test_a_set_is_shown_and_the_moment_to_lower(opened):
    cue = {"code": "too_fast", "text": "slower down"}
    page, _ = opened(FakeSession(stage="ready", hold_s=2.0, phases_s=(0.8, 3.4, 0.8, 0.4), cue=cue))
    page.evaluate("window.heard = []; document.addEventListener('sound', e => window.heard.push(e.detail))")
    press(page, " ", "set")
    at_phase(page, "lift")
    assert page.locator(".arm .word").text_content() == "Lift"
    assert number_of(page, "rep") == 0
    assert "slower down" in page.locator("#cue").text_content()
    at_phase(page, "hold")
    assert page.locator(".reach").text_content() == "✓ in band"
    until(page, "document.querySelector('.holding b').textContent === '1'")
    assert "quiet" in page.locator(".how").inner_text()
    at_phase(page, "held")
    assert page.locator(".arm .word").text_content() == "Lower"
    assert page.locator(".how").inner_text() == "slowly"
    at_phase(page, "lower")
    until(page, "document.querySelector('.rep b').textContent === '1'")
    # One tick for the first second, the tone at the second, as the target is 2 s.
    assert page.evaluate("window.heard")[:2] == ["tick", "target"]


def test_numbers_are_large_and_have_room(opened):
    """Upright a fifth of the screen's width; on the long side test_live_far measures what is seen from afar."""
    for sides in (("right",), ("right", "left")):
        page, _ = opened(FakeSession(sides=sides, stage="ready", phases_s=(0.3, 60, 1, 1)))
        press(page, " ", "set")
        at_phase(page, "hold")
        page.evaluate("for (const b of document.querySelectorAll('.rep b')) b.textContent = '10'")
        for width, height in (TABLET, SMALL, UPRIGHT, PHONE):
            page.set_viewport_size({"width": width, "height": height})
            drawn(page)
            for number in page.locator(".arm .number b").all():
                size = float(number.evaluate("e => getComputedStyle(e).fontSize").removesuffix("px"))
                assert size >= (0.2 if width < height else 0.1) * width
                box = number.bounding_box()
                assert box["x"] >= 0
                assert box["x"] + box["width"] <= width
                assert box["y"] + box["height"] * 0.85 <= height
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            # Rep ten beside a hold of seven seconds must not read as 107.
            assert page.evaluate(CLEAR) == []


def test_reload_in_the_middle_goes_on_from_the_servers_count(opened):
    page, running = opened(FakeSession(stage="ready", phases_s=(0.3, 0.6, 0.3, 0.2)))
    press(page, " ", "set")
    until(page, "parseInt(document.querySelector('.rep b').textContent) >= 3")
    before = running.session.arm("right")["counted"]
    page.reload()
    at_stage(page, "set")
    page.wait_for_selector(".rep b")
    after = number_of(page, "rep")
    assert 3 <= before <= after <= running.session.arm("right")["counted"]


def test_two_pages_show_the_same_and_both_can_command(opened):
    page, running = opened(FakeSession(stage="ready", phases_s=(0.3, 0.6, 0.3, 0.2)))
    second = opened.another(running)
    press(page, " ", "set")
    at_stage(second, "set")
    until(second, "parseInt(document.querySelector('.rep b').textContent) >= 2")
    # Neither is behind what the other one showed before, nor ahead of the session.
    for one, other in ((page, second), (second, page)):
        until(one, "n => parseInt(document.querySelector('.rep b').textContent) >= n", arg=number_of(other, "rep"))
        assert number_of(one, "rep") <= running.session.arm("right")["counted"]
    second.click("#go")
    at_stage(page, "pain")


def test_what_the_angle_is_about_and_what_is_not_seen_are_said_before_the_set(opened):
    """Under the caution, which comes first."""
    lines = ("Not seen without the forward raises: right elbow, plane and thumb.",)
    session = FakeSession(stage="ready", step=3, reads="elevation about gravity", not_seen=lines)
    page, _ = opened(session)
    at_stage(page, "ready")
    for width, height in (TABLET, SMALL, UPRIGHT, PHONE):
        page.set_viewport_size({"width": width, "height": height})
        assert page.locator("#not-seen").inner_text().splitlines() == list(lines)
        assert page.locator("#not-seen").is_visible()
        boxes = [page.locator(f"#ready {part}").bounding_box() for part in (".cautions", "#not-seen")]
        assert boxes[0]["y"] + boxes[0]["height"] <= boxes[1]["y"]
        assert boxes[1]["y"] + boxes[1]["height"] <= page.locator("footer").bounding_box()["y"]
    page.keyboard.press("Space")
    at_stage(page, "set")
    assert "elevation about gravity" in page.locator("#place").inner_text()


def test_a_lost_sensor_is_said_and_marked(opened):
    page, running = opened(FakeSession(sides=("right", "left"), stage="ready"))
    press(page, " ", "set")
    running.session.lost.add("right_wrist")
    at_phase(page, "unseen")
    assert page.locator(".arm[aria-label='right arm'] .word").text_content() == "Unseen"
    assert "unseen: 1" in page.locator(".arm[aria-label='right arm'] .unseen").inner_text()
    assert "right wrist" in page.locator("#alarm").inner_text()
    assert "1 of 4" in page.locator("#sensors-button").inner_text()
    page.keyboard.press("s")
    row = page.locator("#sensors tr.odd")
    assert re.search(r"Right wrist.*0 Hz.*× 7 s ago", row.inner_text().replace("\t", " "))
    running.session.lost.clear()
    page.wait_for_selector("#alarm", state="hidden")


def test_a_server_that_went_away_is_said(opened):
    page, running = opened(FakeSession(stage="ready"))
    running.__exit__()
    until(page, "document.getElementById('alarm').textContent.includes('No connection')")
    with Running(running.folder.with_name("again"), FakeSession(stage="ready"), port=running.port):
        page.wait_for_selector("#alarm", state="hidden")


def test_space_means_the_stages_action_after_a_click(opened):
    page, running = opened(FakeSession(stage="ready"))
    page.click("#next")
    until(page, "document.getElementById('place').textContent.includes('drill 2 of 3')")
    press(page, " ", "set")
    assert running.session.drill_number == 2


def test_sound_is_switched_and_stays_so(opened):
    page, _ = opened(FakeSession(stage="ready"))
    assert page.locator("#sound-word").inner_text() == "Sound on"
    page.keyboard.press("m")
    assert page.locator("#sound-button").get_attribute("aria-pressed") == "false"
    page.reload()
    at_stage(page, "ready")
    assert page.locator("#sound-word").inner_text() == "Sound off"


def test_markup_in_names_is_text(opened):
    session = FakeSession(title="<script>document.title=2</script>Raise", next_title=MARKUP, stage="calibrate")
    page, _ = opened(session, athlete=MARKUP)
    until(page, "document.getElementById('place').textContent.includes('M.K.')")
    assert MARKUP in page.locator("#place").inner_text()
    session.stage = "ready"
    at_stage(page, "ready")
    assert page.locator("#title").inner_text() == "<script>document.title=2</script>Raise"
    assert page.title() == "Warm-up, live"
    assert page.locator("main img, header img, header b").count() == 0


def test_reduced_motion_moves_nothing_by_itself(opened):
    page, _ = opened(FakeSession(stage="ready", phases_s=(0.2, 30, 1, 1)), context={"reduced_motion": "reduce"})
    press(page, " ", "set")
    at_phase(page, "hold")
    drawn(page)
    style = "e => [getComputedStyle(e).transitionDuration, getComputedStyle(e).animationName]"
    assert page.locator(".hold-bar > div").evaluate(style) == ["0s", "none"]
    # A bar across the whole width instead of a trace that moves.
    row = """c => { const p = c.getContext('2d'), y = Math.floor(c.height / 2);
        return [...p.getImageData(0, y, c.width, 1).data].filter((v, i) => i % 4 === 3).every(a => a > 0) }"""
    assert page.locator("canvas").evaluate(row)


def prepared(opened, name, scheme):
    """A page at one of its stages."""
    context = {"color_scheme": scheme}
    if name == "calibrate":
        page, _ = opened(FakeSession(fail_first_pose=True, step_s=0.3), context=context)
        page.keyboard.press(" ")
        page.wait_for_selector("#verdict[data-verdict=again]")
        return page
    session = FakeSession(sides=("right", "left"), stage="ready", phases_s=(0.2, 60, 1, 1), steady="shaky")
    session.hold_s = 0.5 if name == "held" else 60.0
    session.cue = {"code": "thumb_down", "text": "thumb up"}
    if name == "set_done":
        session.reps, session.phases_s = 1, (0.2, 0.2, 0.2, 60)
    if name == "over":
        session.drills = session.rounds = 1
    session.__post_init__()
    page, _ = opened(session, context=context)
    if name == "ready":
        page.keyboard.press("s")
        return page
    if name == "menu":
        page.keyboard.press("PageUp")
        page.wait_for_selector("#menu[open]")
        return page
    press(page, " ", "set")
    if name == "lost":
        session.lost.add("right_wrist")
        at_phase(page, "unseen")
    elif name in ("set", "held", "set_done"):
        at_phase(page, {"set": "hold", "held": "held", "set_done": "done"}[name])
        drawn(page)
    else:
        page.wait_for_selector(".arm[data-phase]")
        press(page, " ", "pain")
        if name in ("effort", "over"):
            page.keyboard.press("1")
            press(page, " ", "effort")
            if name == "over":
                page.keyboard.press("5")
                press(page, " ", "over")
        elif name in ("slip", "stop"):
            page.keyboard.press("7")
            press(page, " ", "stop")
            if name == "stop":
                page.click("#meant")
                page.wait_for_selector("#slip", state="hidden")
        elif name == "done":
            page.click("#end-button")
            page.click("#end-yes")
            page.wait_for_selector("#report:not([hidden])")
    return page


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(
    "name",
    [
        *("calibrate", "ready", "menu", "set", "held", "set_done", "lost"),
        *("pain", "effort", "slip", "stop", "over", "done"),
    ],
)
def test_no_serious_finding_of_accessibility(opened, name, scheme):
    """axe-core (MPL-2.0, bundled by axe-playwright-python): WCAG 2.1 A and AA and its best practices."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    page = prepared(opened, name, scheme)
    found = axe.Axe().run(page).response["violations"]
    serious = [
        (violation["id"], [node["target"] for node in violation["nodes"]])
        for violation in found
        if violation["impact"] in ("serious", "critical")
    ]
    assert serious == []


def test_the_checker_finds_what_is_wrong(opened):
    """So that the test above can fail."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    page, _ = opened(FakeSession(stage="ready"))
    page.evaluate(
        "document.getElementById('go').textContent = ''; document.getElementById('asked').style.color = '#eee'"
    )
    page.evaluate("document.getElementById('main').append(document.createElement('button'))")
    impacts = {violation["impact"] for violation in axe.Axe().run(page).response["violations"]}
    assert impacts & {"serious", "critical"}


def test_a_page_asleep_comes_back_to_the_newest(opened):
    page, running = opened(FakeSession(stage="ready", phases_s=(0.3, 0.6, 0.3, 0.2)))
    press(page, " ", "set")
    cdp = page.context.new_cdp_session(page)
    cdp.send("Emulation.setScriptExecutionDisabled", {"value": False})
    cdp.send("Page.setWebLifecycleState", {"state": "frozen"})
    asleep_at = running.session.arm("right")["counted"]
    waiting.until(lambda: running.session.arm("right")["counted"] >= asleep_at + 4, "the session goes on by four reps")
    newest = running.session.arm("right")["counted"]
    cdp.send("Page.setWebLifecycleState", {"state": "active"})
    until(page, "n => parseInt(document.querySelector('.rep b').textContent) >= n", arg=newest)
    assert number_of(page, "rep") <= running.session.arm("right")["counted"]
