"""The report in a real browser with the network off: drawn, read by hover and keys, zoomed, printed."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace

import numpy as np
import pytest
from live_browser import drawn
from report_fixture import finished, warm_up

from imu_shoulder.report.html import build_report

CHROMIUM = shutil.which("chromium")
pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]
NAME = "M.K. <img src='http://example.invalid/x.png' onerror='document.title=1'>"


@pytest.fixture(scope="module")
def made():
    sets = warm_up()
    sets[0] = replace(sets[0], title="Full can <b>raise</b></script>")
    return finished(sets, athlete=NAME)


@pytest.fixture(scope="module")
def address(made, tmp_path_factory):
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(build_report(*made), encoding="utf-8")
    return path.as_uri()


@pytest.fixture(scope="module")
def browser():
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


@pytest.fixture
def page(browser, address):
    """The open report; afterwards no other request was made and the console stayed empty."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    page = context.new_page()
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(address)
    yield page
    context.close()
    assert asked == [address]
    assert said == []


def hover(page, section, share):
    """Point at a share of the plot's width; returns what the readout says."""
    box = section.locator(".u-over").bounding_box()
    page.mouse.move(box["x"] + share * box["width"], box["y"] + box["height"] / 2)
    drawn(page)
    return section.locator(".readout").text_content()


def seconds(readout):
    minutes, rest = re.match(r"(\d+):([\d.]+)", readout).groups()
    return 60 * int(minutes) + float(rest)


def span(page, section):
    """The time axis, read at both ends of the plot."""
    return seconds(hover(page, section, 0.002)), seconds(hover(page, section, 0.998))


def show(page, number):
    section = page.locator(f"#set-{number}-right")
    section.locator("figure").scroll_into_view_if_needed()
    return section


def test_every_set_is_drawn_and_markup_in_names_is_text(page, made):
    assert page.locator("section canvas").count() == len(made[0]["sets"])
    assert page.locator(".who b").text_content() == NAME
    assert "Full can <b>raise</b></script>, right arm" in page.locator("#set-1-right h2").text_content()
    assert page.locator("h2 b, .who img").count() == 0
    inked = page.locator("section canvas").evaluate_all(
        """all => all.map(canvas => {
            const {data} = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
            let count = 0;
            for (let i = 3; i < data.length; i += 4) count += data[i] > 0;
            return count / (canvas.width * canvas.height);
        })"""
    )
    assert min(inked) > 0.1


def test_hover_reads_time_angle_and_rep_from_the_angles(page, made):
    section = show(page, 1)
    before = section.locator(".readout").text_content()
    reads = [hover(page, section, share) for share in np.linspace(0.05, 0.95, 40)]
    assert before not in reads
    angles = made[2]
    for read in reads:
        shown = float(re.search(r"elevation (-?[\d.]+)°", read)[1])
        near = angles.loc[(angles["time_s"] - seconds(read)).abs() <= 0.0601, "right_elevation_deg"]
        assert (near - shown).abs().min() <= 0.051
    reps = made[1][made[1]["set"] == 1]
    named = {int(found[1]) for read in reads if (found := re.search(r"rep (\d+), holding", read))}
    assert named == set(reps["rep"])


def test_hover_says_why_a_rep_does_not_count(page, made):
    summary, reps, _ = made
    third = reps[(reps["set"] == 2) & (reps["rep"] == 3)].iloc[0]
    section = show(page, 2)
    start_s, end_s = summary["sets"][1]["start_s"] - 3.0, summary["sets"][1]["end_s"] + 3.0
    read = hover(page, section, (third["top_start_s"] + 0.1 - start_s) / (end_s - start_s))
    assert "rep 3" in read
    assert "(partial)" in read


def test_drag_zooms_and_double_click_shows_the_whole_set(page):
    section = show(page, 1)
    whole = span(page, section)
    box = section.locator(".u-over").bounding_box()
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 60, steps=8)
    page.mouse.up()
    zoomed = span(page, section)
    length = whole[1] - whole[0]
    assert zoomed[0] == pytest.approx(whole[0] + 0.25 * length, abs=0.6)
    assert zoomed[1] == pytest.approx(whole[0] + 0.5 * length, abs=0.6)
    section.locator(".u-over").dblclick()
    assert span(page, section) == pytest.approx(whole, abs=0.3)


def test_keys_move_zoom_and_reset(page, made):
    section = show(page, 1)
    whole = span(page, section)
    section.locator(".reps .zoom").nth(4).focus()
    page.keyboard.press("Enter")
    fifth = made[1][(made[1]["set"] == 1) & (made[1]["rep"] == 5)].iloc[0]
    assert span(page, section) == pytest.approx((fifth["start_s"] - 1, fifth["end_s"] + 1), abs=0.3)
    section.locator(".reset").focus()
    page.keyboard.press("Enter")
    assert span(page, section) == pytest.approx(whole, abs=0.3)
    section.locator(".chart").focus()
    reads = set()
    for _ in range(3):
        page.keyboard.press("ArrowLeft")
        drawn(page)
        reads.add(section.locator(".readout").text_content())
    assert len(reads) == 3


@pytest.mark.parametrize("width", [1280, 820, 390])
def test_nothing_is_wider_than_the_screen(page, width):
    page.set_viewport_size({"width": width, "height": 900})
    drawn(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    widest = page.locator("section canvas").evaluate_all("all => Math.max(...all.map(c => c.clientWidth))")
    assert 0.55 * width < widest <= width


def test_on_a_phone_the_overview_is_read_without_scrolling_sideways(page):
    page.set_viewport_size({"width": 390, "height": 800})
    for sentence in page.locator(".overview .sentence").all():
        box = sentence.bounding_box()
        assert box["x"] >= 0
        assert box["width"] > 300
        assert box["x"] + box["width"] <= 390
    assert page.locator(".overview").evaluate("table => table.scrollWidth") <= 390


def test_negative_angles_carry_a_true_minus(made, browser, tmp_path):
    summary, reps, angles = made
    angles = angles.assign(**{name: -angles[name] for name in angles if name.endswith("_forearm_deg")})
    path = tmp_path / "report.html"
    path.write_text(build_report(summary, reps, angles), encoding="utf-8")
    page = browser.new_page()
    page.goto(path.as_uri())
    told = " ".join(page.locator(".angles").all_text_contents())
    assert re.search(r"−\d+°", told)
    assert not re.search(r"-\d", told)
    page.close()


def test_the_first_screen_of_a_desk_holds_the_overview_and_the_cautions(page):
    for part in ("h1", "header .cautions", ".overview", ".help"):
        box = page.locator(part).bounding_box()
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= 900


def test_print_gives_one_page_a_set_on_request_and_leaves_the_screen_as_it_was(page, made):
    before = page.locator("#set-1-right canvas").evaluate("canvas => canvas.clientWidth")
    page.locator("#every").check()
    printed = page.pdf(format="A4")
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1 + len(made[0]["sets"]) + 1
    drawn(page)
    assert page.locator("#set-1-right canvas").evaluate("canvas => canvas.clientWidth") == before


def test_dark_screens_get_dark_paper(browser, address):
    grounds = {}
    for scheme in ("light", "dark"):
        context = browser.new_context(color_scheme=scheme, offline=True)
        page = context.new_page()
        page.goto(address)
        colour = page.evaluate("getComputedStyle(document.body).backgroundColor")
        grounds[scheme] = sum(int(part) for part in re.findall(r"\d+", colour)[:3])
        context.close()
    assert grounds["dark"] < 150 < 600 < grounds["light"]
