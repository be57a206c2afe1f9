"""The coach's pages in a real browser: from the roster to a printed sheet, by keys alone, and legible for everybody."""

from __future__ import annotations

import shutil

import pytest
from live_browser import drawn, until

pytest.importorskip("starlette", reason="the live part is not installed")
pytest.importorskip("sqlalchemy", reason="the history part is not installed")

from review_server import Reviewing, copied
from waiting import GUARD_S

from imu_shoulder.history.people import add_athlete, find_athlete
from imu_shoulder.history.plans import plan_version, plan_versions
from imu_shoulder.history.remarks import add_note, notes, verdicts
from imu_shoulder.history.sessions import sessions
from imu_shoulder.history.store import open_store

CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]
SIZES = {"desk": (1440, 900), "tablet": (1024, 768), "phone": (390, 844)}
# A4 less the margins of the style, in CSS pixels.
PAPER = 702
MARKUP = "<img src='/x.png' onerror='document.title=1'><b>bold</b>"


@pytest.fixture
def coach(browser, season_file, tmp_path):
    """Opens a page of the season in a size; afterwards the console stayed empty and nothing came from elsewhere."""
    said, asked, contexts = [], [], []
    with open_store(copied(season_file, tmp_path)) as store, Reviewing(store, tmp_path / "marked") as running:

        def open_page(path="", size="desk"):
            width, height = SIZES[size]
            context = browser.new_context(viewport={"width": width, "height": height})
            contexts.append(context)
            context.set_default_timeout(1000 * GUARD_S)
            page = context.new_page()
            page.on("console", lambda message: said.append(message.text))
            page.on("pageerror", lambda error: said.append(str(error)))
            page.on("request", lambda request: asked.append(request.url))
            page.goto(running.url + path)
            return page

        open_page.running, open_page.said = running, said
        yield open_page
        for context in contexts:
            context.close()
    # The browser itself says when something is refused.
    assert [text for text in said if "status of 422" not in text] == []
    assert all(url.startswith("http://127.0.0.1:") for url in asked)


def number_of(coach, name):
    return find_athlete(coach.running.store, name).id


def paths(coach):
    """Of every page."""
    number = number_of(coach, "G.H.")
    own = sessions(coach.running.store, number_of(coach, "Y.Z."))[1]["id"]
    return {
        "roster": "",
        "athlete": f"athletes/{number}",
        "own": f"own/{number}",
        "plan": f"athletes/{number}/plan",
        "sheet": f"athletes/{number}/plan/sheet",
        "session": f"sessions/{own}",
        "set": f"sessions/{own}/sets/1",
        "compare": f"compare?a={own}.1.right&b={own}.1.right",
    }


def test_from_the_roster_to_an_athlete_a_set_the_plan_and_paper(coach):
    store = coach.running.store
    page = coach()
    page.click("text=E.F.")
    page.wait_for_selector("h1 >> text=E.F.")
    assert page.locator(".reasons .chip").first.inner_text() == "Fell back"
    page.locator(".sessions tbody a").first.click()
    page.wait_for_selector("#sets")
    page.locator(".sessions tbody a").first.click()
    page.wait_for_selector(".reps")
    page.click("text=Overrule a verdict")
    page.fill("[name=rep]", "1")
    page.select_option("[name=says]", "not a rep")
    page.fill("[data-post$=verdicts] [name=why]", "He was talking.")
    page.click("text=Overrule >> nth=-1")
    page.wait_for_selector(".reps >> text=not a rep (He was talking.)")
    assert verdicts(store, sessions(store, number_of(coach, "E.F."))[0]["id"])[0]["rep"] == 1
    page.click(".crumbs >> text=E.F.")
    page.click("text=Change the plan")
    page.wait_for_selector("#items .item")
    page.locator("[data-key=sets]").first.fill("0")
    page.wait_for_selector("#wrong:not([hidden]) >> text=sets of drill 1")
    until(page, "() => document.querySelector('[data-key=sets]').getAttribute('aria-invalid') === 'true'")
    assert page.locator("#save").is_disabled()
    before = page.locator("#told").inner_text()
    page.locator("[data-key=sets]").first.fill("5")
    until(page, "was => { const t = document.getElementById('told').textContent; return t && t !== was; }", before)
    page.fill("#why", "more of it")
    page.click("#save")
    page.wait_for_selector("text=Version 2 is kept")
    kept = plan_version(store, number_of(coach, "E.F."))
    assert (kept.number, kept.plan.drills[0].sets, kept.why) == (2, 5, "more of it")
    page.click(".tools >> text=Sheet")
    page.wait_for_selector(".sheet svg")
    page.evaluate("() => { window.printed = 0; window.print = () => { window.printed += 1; }; }")
    page.click("[data-print]")
    assert page.evaluate("window.printed") == 1
    page.emulate_media(media="print")
    assert page.locator(".tools").is_hidden()
    assert page.locator(".sheet svg").first.is_visible()


def test_by_keys_alone(coach):
    """From the roster into an athlete, a note written and kept, without a mouse."""
    page = coach()

    def tab_to(condition):
        for _ in range(80):
            page.keyboard.press("Tab")
            if page.evaluate(f"() => {{ const e = document.activeElement; return Boolean({condition}); }}"):
                return
        raise AssertionError(condition)

    tab_to("e.textContent === 'I.J.'")
    outline = page.evaluate("() => getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid"
    page.keyboard.press("Enter")
    page.wait_for_selector("h1 >> text=I.J.")
    tab_to("e.name === 'text'")
    page.keyboard.type("Called: pain is gone.")
    tab_to("e.tagName === 'BUTTON' && e.textContent === 'Keep note'")
    page.keyboard.press("Enter")
    page.wait_for_selector(".notes >> text=Called: pain is gone.")
    assert notes(coach.running.store, number_of(coach, "I.J."))[0]["text"] == "Called: pain is gone."
    tab_to("e.textContent === 'Change the plan'")
    page.keyboard.press("Enter")
    page.wait_for_selector("#items .item")
    count = page.locator("#items .item").count()
    tab_to("e.id === 'add'")
    page.keyboard.press("Enter")
    until(page, "n => document.querySelectorAll('#items .item').length === n + 1", count)
    assert page.evaluate("() => document.activeElement.dataset.key") == "id"
    tab_to("e.dataset.move === 'out'")
    page.keyboard.press("Enter")
    until(page, "n => document.querySelectorAll('#items .item').length === n", count)


@pytest.mark.parametrize("name", ["roster", "athlete", "own", "plan", "sheet", "session", "set", "compare"])
def test_no_serious_finding_of_axe_and_no_page_wider_than_its_screen(coach, name):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe is not installed").Axe()
    for size, (width, _) in SIZES.items():
        page = coach(paths(coach)[name], size)
        drawn(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width, size
        if size == "tablet":
            continue
        for detail in page.locator("details").all():
            detail.evaluate("e => { e.open = true; }")
        # In the page itself and not by eval, which its policy forbids.
        found = axe.run(page).response["violations"]
        serious = [
            (one["id"], [node["target"] for node in one["nodes"]][:3])
            for one in found
            if one["impact"] in ("serious", "critical")
        ]
        assert serious == [], size


@pytest.mark.parametrize("name", ["roster", "athlete", "own", "sheet", "session", "set", "compare"])
def test_no_page_is_cut_off_on_paper(coach, name):
    page = coach(paths(coach)[name])
    page.emulate_media(media="print")
    page.set_viewport_size({"width": PAPER, "height": 1000})
    drawn(page)
    wider = "[...document.querySelectorAll('main *')].filter(e => e.getBoundingClientRect().right > innerWidth + 1)"
    assert page.evaluate(f"{wider}.map(e => e.tagName + ' ' + e.className)") == []


def test_markup_in_names_and_notes_is_shown_as_it_was_typed(coach):
    number = add_athlete(coach.running.store, MARKUP).id
    add_note(coach.running.store, number, MARKUP, MARKUP)
    for path in ("", f"athletes/{number}", f"athletes/{number}/plan"):
        page = coach(path)
        assert page.locator("img").count() == 0
        assert page.title() != "1"
        assert MARKUP in page.locator("main").inner_text()


def test_a_refused_change_says_why_and_keeps_what_was_typed(coach):
    page = coach(f"athletes/{number_of(coach, 'A.B.')}")
    page.click("text=Profile and limits")
    page.fill("[name=pain_ceiling]", "12")
    page.click("text=Keep profile")
    page.wait_for_selector("[data-post$=profile] .answer >> text=from 0 to 10")
    assert page.input_value("[name=pain_ceiling]") == "12"


def test_curves_of_a_set_can_be_read_and_two_sets_chosen(coach):
    own = sessions(coach.running.store, number_of(coach, "Y.Z."))[1]["id"]
    page = coach(f"sessions/{own}/sets/1")
    page.wait_for_selector(".chart canvas")
    page.locator(".reps .zoom").first.click()
    page.click("text=Show the whole set")
    page.locator(".chart").first.focus()
    page.keyboard.press("ArrowRight")
    until(page, "() => document.querySelector('.readout').textContent.includes('·')")
    page.click("text=Lay over another set or side")
    page.wait_for_selector("svg.overlay")
    assert page.locator("svg.overlay .way").count() == 2


def test_the_list_is_filtered_by_what_is_typed(coach):
    page = coach()
    page.fill("#find", "g.h")
    shown = page.locator("tr[data-name]:visible")
    assert [row.get_attribute("data-name") for row in shown.all()] == ["G.H."]


def test_a_plan_is_written_for_somebody_new(coach):
    page = coach()
    page.click("text=Add an athlete")
    page.fill("[name=name]", "N.W.")
    page.click("button >> text=Add")
    page.wait_for_selector("h1 >> text=N.W.")
    page.click("text=Write a plan")
    page.wait_for_selector("#items .item")
    until(page, "() => document.getElementById('told').textContent.includes('minutes')")
    page.check("text=Monday")
    page.click("#save")
    page.wait_for_selector("text=Version 1 is kept")
    kept = plan_versions(coach.running.store, number_of(coach, "N.W."))
    assert [own.plan.days for own in kept] == [("Monday",)]
