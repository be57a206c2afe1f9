"""The coach's summary on paper and on a phone: two pages at most, and the first set on the first screen."""

from __future__ import annotations

import copy
import re
import shutil

import pytest
from report_fixture import finished, twenty_minutes, warm_up
from test_report_browser import browser  # noqa: F401

from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.report.html import build_report

pytestmark = [
    pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]
PAGE = re.compile(rb"/Type\s*/Page\b")
CAUTION = "Stop the set when the shoulder hitches up to get the arm there."


def eventful(made):
    """A session with all that can stand at its head: stop, notes, a plan not kept, advice for each arm."""
    summary, reps, angles = copy.deepcopy(made)
    for entry in summary["sets"]:
        entry["change"] = f"Keep the shoulder down while the arm rises: reps 5 and 6. {CAUTION}"
        entry["pain"] = 1.0
    stop = "Stop: pain was over the ceiling of 2 of 10 (set 2: 5 of 10). Do no further sets, and ask the licensed "
    summary["pain"] = {"over": [2], "ceiling": 2.0, "text": f"{stop}practitioner who set the drills."}
    summary["notes"] = [{"set": 2, "start_s": 60.0, "text": "pinches at the front of the shoulder on the way down"}]
    titles = [load_shipped(name).title for name in shipped_ids()]
    missing = (
        "Missing first: all of the asked reps (set 1: 8 of 10). Then: at least 80 % of the reps clean (set 1: 5 of 8)"
    )
    summary["advice"] = [
        {
            "title": title,
            "side": side,
            "advice": "stay",
            "next_takes": "in each of the latest 2 sessions every set with all asked reps done, at least 80 % clean",
            "text": f"{title}, {side} arm: stay at this step. {missing}. From set 1: 12 of 12 reps, 10 clean, pain 1. "
            "The practitioner decides.",
        }
        for title in titles
        for side in ("right", "left")
    ]
    lines = [f"{title}, both arms: right 1 of 2 sets, 10 of 20 reps; left 1 of 2 sets." for title in titles[:3]]
    summary["plan"] = {"text": "", "lines": ["Plan: 5 of 8 drills done as asked, 3 in part.", *lines]}
    return summary, reps, angles


@pytest.fixture(scope="module")
def short():
    return finished(warm_up())


@pytest.fixture(scope="module")
def full():
    return eventful(finished(twenty_minutes()))


def opened(browser, made, tmp_path, **viewport):  # noqa: F811
    path = tmp_path / "report.html"
    path.write_text(build_report(*made), encoding="utf-8")
    page = browser.new_page(viewport=viewport or {"width": 1280, "height": 900})
    page.goto(path.as_uri())
    return page


@pytest.mark.parametrize("session", ["short", "full"])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_summary_prints_on_two_pages_at_most_and_the_rest_on_request(browser, request, tmp_path, session, paper):  # noqa: F811
    made = request.getfixturevalue(session)
    page = opened(browser, made, tmp_path)
    assert len(PAGE.findall(page.pdf(format=paper))) <= 2
    page.emulate_media(media="print")
    assert page.locator(".overview").is_visible()
    for part in page.locator(".cautions").all()[:2]:
        assert part.is_visible()
    assert not page.locator("#set-1-right").is_visible()
    page.emulate_media(media="screen")
    assert page.locator("#set-1-right").is_visible()
    page.locator("#every").check()
    assert len(PAGE.findall(page.pdf(format=paper))) > len(made[0]["sets"])
    page.close()


@pytest.mark.parametrize("session", ["short", "full"])
def test_on_a_phone_the_first_set_is_on_the_first_screen_and_nothing_runs_off_the_side(
    browser,  # noqa: F811
    request,
    tmp_path,
    session,
):
    page = opened(browser, request.getfixturevalue(session), tmp_path, width=390, height=844)
    box = page.locator(".overview tbody tr").first.bounding_box()
    assert box["y"] + box["height"] <= 844
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    for part in page.locator("main > *, header > *, .told li, .overview td").all():
        box = part.bounding_box()
        assert box is None or (box["x"] >= 0 and box["x"] + box["width"] <= 390.5)
    page.close()
