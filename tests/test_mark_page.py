"""Marking by hand in a real browser: drag, split, merge, name, save, analyse; by mouse, by keys alone, by finger."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace

import pytest
from live_browser import drawn, until
from waiting import GUARD_S

pytest.importorskip("starlette", reason="the live part is not installed")

from mark_server import Marking

from imu_shoulder.model import Proposal
from imu_shoulder.sources.events import read_events

pytestmark = [
    pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed"),
    pytest.mark.xdist_group("browser"),
]
DESK, SMALL, PHONE = (1440, 900), (1024, 768), (390, 844)
MARKUP = "<img src=x onerror='document.title=1'><b>bold</b>"


@pytest.fixture(scope="session")
def warm_up(tmp_path_factory):
    """The folder of a recording with pose, calibration movements and one set of four reps, 50 Hz, the right arm."""
    from imu_shoulder.simulate import simulate
    from imu_shoulder.simulate.scenarios import drill_scenario
    from imu_shoulder.sources.folder import write_recording

    placements = ("right_wrist", "right_upper_arm")
    scenario = drill_scenario("full_can", placements=placements, rate_hz=50.0, reps=4, hold_s=2.0)
    folder = tmp_path_factory.mktemp("recording") / "warm_up"
    write_recording(simulate(scenario, seed=3).recording, folder)
    return folder


@pytest.fixture
def marking(browser, tmp_path, warm_up):
    """Opens the page of a copy of the recording; afterwards the console stayed empty, nothing came from elsewhere."""
    started, contexts, said, asked = [], [], [], []

    def open_page(size=DESK, marked=True, change=None, context=None, fails=False, **options):
        folder = shutil.copytree(warm_up, tmp_path / f"warm_up{len(started)}")
        if not marked:
            (folder / "events.tsv").unlink()
        if change is not None:
            change(folder)
        running = Marking(folder, **options).__enter__()
        started.append(running)
        return another(running, size, context, fails), running

    def another(running, size=DESK, context=None, fails=False):
        own = browser.new_context(viewport={"width": size[0], "height": size[1]}, **(context or {}))
        contexts.append(own)
        own.set_default_timeout(1000 * GUARD_S)
        page = own.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: asked.append(request.url))
        page.goto(running.url)
        if fails:
            return page
        page.wait_for_selector("body[data-stage=marks]")
        page.wait_for_selector("#lanes[aria-busy=false]", state="attached")
        drawn(page)
        return page

    open_page.another = another
    yield open_page
    for own in contexts:
        own.close()
    for running in started:
        running.__exit__()
    # The browser itself says when marks are refused.
    assert [text for text in said if not re.search(r"status of (409|422)", text)] == []
    assert all(url.startswith("http://127.0.0.1:") for url in asked)


def events(running):
    return read_events(running.folder / "events.tsv")


def sets(running):
    return [event for event in events(running) if event.trial_type == "set"]


def choose(page, words):
    """Click on a mark's name in the list."""
    page.locator("#list button").filter(has_text=words).first.click()
    drawn(page)


def middle(page, selector):
    box = page.locator(selector).bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def drag(page, selector, px):
    x, y = middle(page, selector)
    page.mouse.move(x, y)
    page.mouse.down()
    for k in range(1, 5):
        page.mouse.move(x + px * k / 4, y)
    page.mouse.up()
    drawn(page)


def px_per_s(page):
    """Of the view that is seen now, from where a mark lies."""
    return page.evaluate(
        """() => { const at = (p) => Number(document.querySelector(`.chosen .${p}`).getAttribute('aria-valuenow'));
        const [a, b] = [at('start'), at('end')];
        return document.querySelector('.span.chosen').getBoundingClientRect().width / (b - a); }"""
    )


def save(page):
    page.click("#save")
    until(page, "() => document.getElementById('save').textContent === '✓ Saved'")


def status(page):
    return page.locator("#status").inner_text()


def test_drag_split_merge_name_save_reload(marking):
    page, running = marking()
    before = (running.folder / "events.tsv").read_bytes()
    first = sets(running)[0]
    choose(page, "Full can")
    per_s = px_per_s(page)
    drag(page, ".chosen .end", -per_s * 4)
    drag(page, ".chosen .start", per_s * 2)
    drag(page, ".chosen .whole", per_s * 1)
    save(page)
    moved = sets(running)[0]
    assert moved.onset_s == pytest.approx(first.onset_s + 3, abs=0.15)
    assert moved.end_s == pytest.approx(first.end_s - 3, abs=0.15)
    assert (running.folder / "events.1.tsv").read_bytes() == before
    assert "events.1.tsv" in status(page)

    page.click("#split")
    drawn(page)
    page.select_option("#drill", "band_loop_raise")
    page.click("text=Both")
    page.select_option("#pain", "3")
    page.select_option("#effort", "7")
    page.fill("#load_kg", "1,5")
    page.fill("#note", MARKUP)
    save(page)
    one, two = sets(running)
    assert one.end_s == pytest.approx(two.onset_s, abs=0.011)
    assert (one.drill, one.side, one.pain, one.note) == ("full_can", "right", None, None)
    assert (two.drill, two.side, two.pain, two.effort, two.load_kg) == ("band_loop_raise", "both", 3.0, 7.0, 1.5)
    assert two.note == MARKUP
    assert page.locator("#details b, #list b, #spans b, #list img").count() == 0

    page.reload()
    page.wait_for_selector("body[data-stage=marks]")
    until(page, "() => document.querySelectorAll('#list button').length === 5")
    choose(page, "Raise with a band")
    assert page.input_value("#note") == MARKUP
    assert page.input_value("#pain") == "3"
    assert page.locator("#save").inner_text() == "✓ Saved"
    assert page.title() == f"Mark {running.folder.name}"

    choose(page, "Full can")
    page.click("#merge")
    save(page)
    (joined,) = sets(running)
    assert (joined.onset_s, joined.end_s) == pytest.approx((one.onset_s, two.end_s), abs=0.011)
    # What only the second one had is kept, and what the first one's name hides is in the note.
    assert (joined.drill, joined.side, joined.pain, joined.effort) == ("full_can", "both", 3.0, 7.0)
    assert joined.note == f"{MARKUP}; merged with band_loop_raise"
    assert sorted(path.name for path in running.folder.glob("events*.tsv")) == [
        *("events.1.tsv", "events.2.tsv", "events.3.tsv", "events.tsv")
    ]


def test_analyse_saves_and_opens_the_report_of_the_marks(marking):
    page, running = marking()
    choose(page, "Full can")
    page.click("#split")
    drawn(page)
    assert page.locator("#analyse").inner_text() == "Save and analyse"
    page.click("#analyse")
    page.wait_for_selector("#result:not([hidden])")
    assert page.locator("#result-word").inner_text() == "✓ Analysed"
    assert "Set 2, Full can raise" in page.locator("#result-lines").inner_text()
    summary = json.loads((running.out / "summary.json").read_text())
    assert [(own["set"], own["drill"]) for own in summary["sets"]] == [(1, "full_can"), (2, "full_can")]
    with page.context.expect_page() as opened:
        page.click("#report")
    opened.value.wait_for_selector("h1")
    assert opened.value.url.endswith("/report")


def test_undo_and_redo_go_through_every_step(marking):
    page, running = marking()
    choose(page, "Full can")
    seen = [page.locator("#list").inner_text()]
    steps = [
        lambda: drag(page, ".chosen .end", -40),
        lambda: page.click("#split"),
        lambda: page.click("#remove"),
        lambda: page.select_option("#drill", ""),
        lambda: page.click("#add"),
    ]
    for step in steps:
        step()
        drawn(page)
        seen.append(page.locator("#list").inner_text())
    assert len(set(seen)) == len(seen)
    for expected in reversed(seen[:-1]):
        page.click("#undo")
        drawn(page)
        assert page.locator("#list").inner_text() == expected
    assert page.locator("#undo").is_disabled()
    assert page.locator("#save").inner_text() == "✓ Saved"
    for expected in seen[1:]:
        page.keyboard.press("Control+y")
        drawn(page)
        assert page.locator("#list").inner_text() == expected
    page.keyboard.press("Control+s")
    until(page, "() => document.getElementById('save').textContent === '✓ Saved'")
    assert len(sets(running)) == 2


def test_proposals_are_saved_when_they_are_taken_and_not_before(marking):
    page, running = marking(marked=False)
    until(page, "() => document.querySelectorAll('.span.offered').length > 0")
    count = page.locator(".span.offered").count()
    assert page.locator("#list").inner_text().count("Full can raise") == 1
    assert f"{count} proposal" in page.locator("#offer-text").inner_text()
    assert page.locator("#save").is_disabled()
    page.click("#add")
    drawn(page)
    save(page)
    assert len(events(running)) == 1
    assert "not taken" in status(page)
    page.click("#take-all")
    drawn(page)
    assert page.locator("#offer").is_hidden()
    save(page)
    assert len(events(running)) == 1 + count
    page.click("#undo")
    page.click("#leave-all")
    drawn(page)
    save(page)
    assert len(events(running)) == 1


def test_what_a_proposal_may_be_instead_is_one_press_away(marking, monkeypatch):
    found = Proposal(
        *("set", 45.0, 77.0, "right", "full_can"),
        probability=0.83,
        alternatives=(("band_loop_raise", 0.41), ("overhead_short_arc", 0.1)),
        doubt="one of full_can, band_loop_raise: the sensors do not tell them apart",
    )
    monkeypatch.setattr("imu_shoulder.mark.work.find", lambda *_: (found,))
    page, running = marking(marked=False)
    said = page.locator("#hint-text").inner_text()
    assert said.startswith("Proposed, 83 % sure. One of Full can raise, Raise with a band loop")
    assert page.locator("#others button").all_inner_texts()[0].endswith("41 %")
    page.click("#others button >> nth=0")
    drawn(page)
    assert page.locator("#hint").is_hidden()
    save(page)
    (own,) = events(running)
    assert (own.drill, own.side, own.onset_s, own.end_s, own.note) == ("band_loop_raise", "right", 45.0, 77.0, None)


def test_a_proposal_that_is_changed_is_taken(marking):
    page, running = marking(marked=False)
    until(page, "() => document.querySelectorAll('.span.offered.chosen').length === 1")
    assert page.locator("#hint").is_visible()
    page.select_option("#drill", "band_loop_raise")
    drawn(page)
    assert page.locator(".span.chosen.offered").count() == 0
    assert page.locator("#hint").is_hidden()
    save(page)
    assert [event.drill for event in events(running)] == ["band_loop_raise"]


def test_calibration_movements_and_the_pose_are_marked_too(marking):
    page, running = marking()
    choose(page, "Neutral pose")
    assert page.locator("#drill").is_hidden()
    assert page.locator("#pain-word").inner_text() == "Pain before the first set"
    page.select_option("#pain", "1")
    page.fill("#start", "0:05")
    page.press("#start", "Tab")
    choose(page, "Forward raises")
    page.select_option("#trial_type", "bends_at_shoulder_height")
    page.click("#sides >> text=Right")
    save(page)
    pose, _, third, _ = events(running)
    assert (pose.trial_type, pose.pain, pose.onset_s, pose.end_s) == ("neutral_pose", 1.0, 5.0, 9.5)
    assert (third.trial_type, third.side) == ("bends_at_shoulder_height", "right")


def test_what_is_no_time_is_not_taken(marking):
    page, _ = marking()
    choose(page, "Full can")
    page.fill("#end", "soon")
    page.press("#end", "Tab")
    assert page.get_attribute("#end", "aria-invalid") == "true"
    assert page.locator("#save").is_disabled()
    page.fill("#end", "99:00")
    page.press("#end", "Tab")
    drawn(page)
    assert page.get_attribute("#end", "aria-invalid") == "false"
    # The end of the recording, and no later.
    end = page.locator(".chosen .end")
    assert end.get_attribute("aria-valuenow") == end.get_attribute("aria-valuemax")


def test_two_pages_are_told_and_neither_is_written_over(marking):
    page, running = marking()
    other = marking.another(running)
    choose(page, "Full can")
    page.fill("#note", "first")
    choose(other, "Full can")
    other.fill("#note", "second")
    save(page)
    other.click("#save")
    other.wait_for_selector("#alarm:not([hidden])")
    assert "another page or program" in other.locator("#alarm-text").inner_text()
    assert [event.note for event in sets(running)] == ["first"]
    # Theirs is looked at; mine comes back by undo and is saved beside it.
    other.click("#alarm-show")
    until(
        other,
        "() => document.getElementById('note').value === 'first' "
        "|| document.querySelector('#details-title').textContent.includes('No mark')",
    )
    other.click("#undo")
    drawn(other)
    save(other)
    assert [event.note for event in sets(running)] == ["second"]
    assert "first" in (running.folder / "events.2.tsv").read_text()
    # The first page has nothing unsaved but a step of its own: it is told.
    page.wait_for_selector("#alarm:not([hidden])")
    page.click("#alarm-mine")
    until(page, "() => document.getElementById('alarm').hidden")
    assert [event.note for event in sets(running)] == ["first"]
    assert "second" in (running.folder / "events.3.tsv").read_text()


def test_a_page_that_changed_nothing_shows_what_another_program_wrote(marking):
    page, running = marking()
    path = running.folder / "events.tsv"
    path.write_text(path.read_text().replace("full_can", "band_loop_raise"))
    until(page, "() => document.getElementById('list').textContent.includes('Raise with a band')")
    assert page.locator("#alarm").is_hidden()
    assert "changed by another" in status(page)


def test_keys_alone(marking):
    """From the top of the page by Tab, arrows and letters: nothing needs a mouse."""
    page, running = marking()
    first = sets(running)[0]
    for _ in range(60):
        page.keyboard.press("Tab")
        label = page.evaluate("document.activeElement.getAttribute('aria-label') || ''")
        if label.startswith("Move: Full can"):
            break
    assert label == "Move: Full can raise, right arm"
    assert re.fullmatch(
        r".*\d seconds? to .*seconds?", page.evaluate("document.activeElement.getAttribute('aria-valuetext')")
    )
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.getAttribute('aria-label')").startswith("End: Full can")
    for key in ("ArrowLeft", "Shift+ArrowLeft", "PageDown"):
        page.keyboard.press(key)
    drawn(page)
    value = page.evaluate("document.activeElement.getAttribute('aria-valuenow')")
    assert float(value) == pytest.approx(first.end_s - 6.1, abs=0.06)
    page.keyboard.press("s")
    until(page, "() => document.querySelectorAll('#list button').length === 5")
    assert "Split at" in status(page)
    drawn(page)
    drawn(page)
    assert page.evaluate("document.activeElement.className") == "whole"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "trial_type"
    for _ in range(20):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "drill":
            break
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Control+s")
    until(page, "() => document.getElementById('save').textContent === '✓ Saved'")
    assert [event.drill for event in sets(running)] == ["full_can", "band_loop_raise"]
    page.locator(".chosen .whole").focus()
    page.keyboard.press("Delete")
    page.keyboard.press("Control+s")
    # The button still says so from the time before.
    until(page, "() => document.getElementById('status').textContent.startsWith('Saved')")
    assert [event.drill for event in sets(running)] == ["full_can"]
    # The cursor is gone to and moved as well, and a mark added there.
    page.focus("#cursor")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press("a")
    until(page, "() => document.querySelectorAll('#list button').length === 5")
    page.keyboard.press("Control+z")
    until(page, "() => document.querySelectorAll('#list button').length === 4")


def test_a_finger_drags_taps_and_pinches(marking):
    page, running = marking(size=PHONE, context={"has_touch": True, "is_mobile": True})
    first = sets(running)[0]
    touch = page.context.new_cdp_session(page)

    def fingers(kind, *points):
        touch.send(
            "Input.dispatchTouchEvent",
            {"type": kind, "touchPoints": [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(points)]},
        )

    def stroke(begin, end):
        fingers("touchStart", *begin)
        for k in range(1, 6):
            fingers(
                "touchMove",
                *[(a + (c - a) * k / 5, b + (d - b) * k / 5) for (a, b), (c, d) in zip(begin, end, strict=True)],
            )
        fingers("touchEnd")
        drawn(page)

    page.locator("#stage").scroll_into_view_if_needed()
    x, y = middle(page, ".of-sets")
    page.touchscreen.tap(x, y + 20)
    drawn(page)
    assert "Full can" in page.locator("#details-title").inner_text()
    page.locator("#stage").scroll_into_view_if_needed()
    per_s = px_per_s(page)
    x, y = middle(page, ".chosen .end")
    stroke([(x, y)], [(x - 5 * per_s, y)])
    # Two fingers that part zoom in; the marks keep their times.
    x, y = middle(page, ".chosen")
    stroke([(x - 15, y), (x + 15, y)], [(x - 60, y), (x + 60, y)])
    assert px_per_s(page) > 2 * per_s
    # One finger on a handle and a second one beside it: what the first one moved goes back.
    x, y = middle(page, ".chosen .start")
    kept = page.locator("#start").input_value()
    fingers("touchStart", (x, y))
    fingers("touchMove", (x + 40, y))
    until(page, "kept => document.getElementById('start').value !== kept", kept)
    fingers("touchStart", (x + 40, y), (x + 90, y))
    until(page, "kept => document.getElementById('start').value === kept", kept)
    fingers("touchEnd")
    page.tap("#to-mark")
    drawn(page)
    assert px_per_s(page) > 1.5 * per_s
    page.tap("#save")
    until(page, "() => document.getElementById('save').textContent === '✓ Saved'")
    assert sets(running)[0].end_s == pytest.approx(first.end_s - 5, abs=0.6)
    assert sets(running)[0].onset_s == first.onset_s
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]


def test_wheel_and_buttons_zoom_and_pan_and_only_what_is_seen_is_asked_for(marking):
    page, _ = marking()
    choose(page, "Full can")
    before = px_per_s(page)
    # On a mark as on the curves: here on its name.
    page.mouse.move(*middle(page, ".chosen .whole"))
    with page.expect_request(lambda request: "/curves/" in request.url):
        for _ in range(6):
            page.mouse.wheel(0, -300)
    wide = "() => document.querySelector('.span.chosen').getBoundingClientRect().width"
    until(page, f"before => ({wide})() > 3 * before", arg=before * 32)
    page.click("#whole")
    drawn(page)
    assert px_per_s(page) == pytest.approx(before, rel=0.01)
    page.click("#closer")
    drawn(page)
    assert px_per_s(page) == pytest.approx(2 * before, rel=0.02)
    left = page.locator(".span.chosen").bounding_box()["x"]
    page.click("#later")
    drawn(page)
    assert page.locator(".span.chosen").bounding_box()["x"] < left


def test_the_curve_is_drawn_and_another_can_be_chosen(marking):
    page, _ = marking()
    # A picture of nothing is short.
    inked = "() => document.querySelectorAll('.lane canvas')[1].toDataURL().length > 5000"
    until(page, inked)
    values = [option.get_attribute("value") for option in page.locator("#kind option").all()]
    assert values[0] == "elevation_deg"
    page.select_option("#kind", "own_axis")
    until(page, "() => document.querySelector('.lane-name').textContent.includes('wrist')")
    until(page, inked)


def test_without_a_pose_the_motion_about_its_own_axis_is_shown(marking):
    """Cut to the set alone: no stillness in it is a pose."""
    from imu_shoulder.sources.folder import read_recording, write_recording

    def cut(folder):
        recording = read_recording(folder)
        event = next(event for event in recording.events if event.trial_type == "set")
        streams = {}
        for name, stream in recording.streams.items():
            rows = (stream.time_s > event.onset_s) & (stream.time_s < event.end_s)
            parts = {part: getattr(stream, part)[rows] for part in ("time_s", "acc_m_s2", "gyr_rad_s")}
            streams[name] = replace(stream, **parts)
        shutil.rmtree(folder)
        write_recording(replace(recording, streams=streams, events=()), folder)

    own, running = marking(change=cut)
    assert own.input_value("#kind") == "own_axis"
    assert "neutral pose" in own.locator("#doing").inner_text()
    assert running.work.state()["no_angles"]


def test_a_page_among_others_works_alike(marking):
    page, running = marking(mount="/recordings/7")
    choose(page, "Full can")
    page.fill("#note", "mounted")
    save(page)
    assert sets(running)[0].note == "mounted"


def test_what_cannot_be_read_is_said(marking):
    page, _ = marking(change=lambda folder: (folder / "right_wrist.csv").write_text("x\n1\n"), fails=True)
    page.wait_for_selector("#alarm:not([hidden])")
    assert "right_wrist.csv" in page.locator("#alarm-text").inner_text()


def test_all_is_in_reach_and_large_enough(marking):
    page, _ = marking()
    for width, height in (DESK, SMALL, PHONE):
        page.set_viewport_size({"width": width, "height": height})
        drawn(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for button in page.locator("button:visible").all():
            box = button.bounding_box()
            assert box["height"] >= 40, button.inner_text()
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= width
        assert page.locator("#stage").bounding_box()["height"] >= 250


@pytest.mark.parametrize(
    ("name", "scheme"),
    [
        *(("marked", "light"), ("marked", "dark"), ("proposed", "light"), ("proposed", "dark")),
        *(("changed", "dark"), ("analysed", "light"), ("phone", "light")),
    ],
)
def test_no_serious_finding_of_accessibility(marking, name, scheme):
    """axe-core (MPL-2.0, bundled by axe-playwright-python): WCAG 2.1 A and AA and its best practices."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    options = {"context": {"color_scheme": scheme}}
    if name == "phone":
        options["size"] = PHONE
    page, running = marking(marked=name != "proposed", **options)
    if name == "changed":
        page.fill("#note", "mine")
        path = running.folder / "events.tsv"
        path.write_text(path.read_text().replace("full_can", "band_loop_raise"))
        page.wait_for_selector("#alarm:not([hidden])")
    if name == "analysed":
        page.click("#analyse")
        page.wait_for_selector("#result:not([hidden])")
    drawn(page)
    found = axe.Axe().run(page).response["violations"]
    serious = [
        (violation["id"], [node["target"] for node in violation["nodes"]])
        for violation in found
        if violation["impact"] in ("serious", "critical")
    ]
    assert serious == []


def test_every_slider_speaks(marking):
    page, _ = marking()
    for slider in page.locator("[role=slider]").all():
        for name in ("aria-label", "aria-valuetext", "aria-valuenow", "aria-valuemin", "aria-valuemax"):
            assert slider.get_attribute(name)
        low, now, high = (float(slider.get_attribute(f"aria-value{part}")) for part in ("min", "now", "max"))
        assert low <= now <= high
        assert "second" in slider.get_attribute("aria-valuetext")
