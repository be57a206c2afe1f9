"""Curves of drills of several stations: each angle that is asked, shaded where it was held against what is asked."""

from __future__ import annotations

import copy
import shutil

import numpy as np
import pandas as pd
import pytest
from live_browser import drawn
from report_fixture import MadeSet, finished
from test_report import Page, decoded
from test_report_browser import browser  # noqa: F401

from imu_shoulder.assess.sets import assess_set
from imu_shoulder.drills import load_shipped
from imu_shoulder.report import charts, words
from imu_shoulder.report.html import build_report

ROW = MadeSet(1, title="Row, then rotate", drill="row_rotate", angle="elbow", reps=2, band_deg=(None, None))
ASKED = [
    {"angle": "elbow", "where": "row", "low_deg": 70.0, "high_deg": 110.0, "above": None},
    {"angle": "elbow", "where": "rotate", "low_deg": 70.0, "high_deg": 110.0, "above": None},
    {"angle": "rotation", "where": "rotate", "low_deg": 60.0, "high_deg": None, "above": "row"},
    {"angle": "elevation", "where": "all", "low_deg": 75.0, "high_deg": 105.0, "above": None},
]


@pytest.fixture(scope="module")
def made():
    """Two reps. The rotation is 5 deg at the row and 70 deg at the rotation of the first rep, 0 elsewhere."""
    summary, reps, angles = finished([ROW])
    entry, first = summary["sets"][0], reps.iloc[0]
    middle_s = (first["top_start_s"] + first["top_end_s"]) / 2
    rows = [("row", first["top_start_s"], middle_s, False), ("rotate", middle_s, first["top_end_s"], True)]
    entry["visits"] = [
        {"rep": 1, "station": name, "start_s": start, "end_s": end, "top": top} for name, start, end, top in rows
    ]
    entry["asked_ranges"] = ASKED
    angles["right_rotation_deg"] = 0.0
    for (_, start, end, _), value in zip(rows, (5.0, 70.0), strict=True):
        angles.loc[angles["time_s"].between(start, end), "right_rotation_deg"] = value
    return summary, reps, angles, rows


def boxes(entry, reps, angles, angle):
    return charts.boxes(entry, reps.to_dict("records"), charts.known(entry, angles, angle), angle)


def test_each_asked_angle_has_a_curve_and_no_other_one(made):
    summary, reps, angles, _ = made
    (curve,) = Page(build_report(summary, reps, angles)).curves()
    assert curve["angle"] == "Elbow"
    assert [more["angle"] for more in curve["more"]] == ["Rotation", "Elevation"]
    for more, name in zip(curve["more"], ("rotation", "elevation"), strict=True):
        times, values = decoded(more)
        own = angles[angles["time_s"].between(times[0] - 0.006, times[-1] + 0.006)]
        assert max(values) == pytest.approx(own[f"right_{name}_deg"].max(), abs=0.051)


def test_it_is_shaded_where_and_how_it_was_asked(made):
    summary, reps, angles, rows = made
    entry = summary["sets"][0]
    row, rotate = ([round(rows[k][1], 2), round(rows[k][2], 2)] for k in (0, 1))
    assert boxes(entry, reps, angles, "elbow") == [[*row, 70.0, 110.0], [*rotate, 70.0, 110.0]]
    # 60 deg above the 5 that the row was held at, and no upper end.
    assert boxes(entry, reps, angles, "rotation") == [[*rotate, 65.0, None]]
    first = reps.iloc[0]
    whole = [round(first["start_s"], 2), round(first["end_s"], 2)]
    assert boxes(entry, reps, angles, "elevation") == [[*whole, 75.0, 105.0]]
    assert charts.asked_text(entry, "elbow") == "70 to 110° at row and at rotate"
    assert charts.asked_text(entry, "rotation") == "at least 60° above the row at rotate"


def test_a_range_above_what_was_not_seen_is_not_drawn(made):
    summary, reps, angles, rows = made
    blind = angles.copy()
    blind.loc[blind["time_s"].between(rows[0][1], rows[0][2]), "right_rotation_deg"] = np.nan
    assert boxes(summary["sets"][0], reps, blind, "rotation") == []


def test_a_drill_of_one_station_has_its_leading_angle_only():
    curves = Page(build_report(*finished([MadeSet(1)]))).curves()
    assert [curve["more"] for curve in curves] == [[]]
    assert [curve["boxes"] for curve in curves] == [[]]


def test_zero_and_sign_of_each_shown_angle_stand_with_it(made):
    text = Page(build_report(*made[:3])).text
    for name in ("elbow", "rotation", "elevation"):
        assert words.zero(name) in text
    assert words.zero("forearm") not in text
    from imu_shoulder.drills.judged import JUDGED

    assert set(JUDGED) <= set(words.ZEROS)


@pytest.mark.skipif(shutil.which("chromium") is None, reason="chromium is not installed")
@pytest.mark.xdist_group("browser")
def test_the_curves_are_drawn_and_follow_the_zoom(made, browser, tmp_path):  # noqa: F811
    path = tmp_path / "report.html"
    path.write_text(build_report(*made[:3]), encoding="utf-8")
    page = browser.new_page(viewport={"width": 1100, "height": 900})
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(path.as_uri())
    assert page.locator(".chart.small canvas").count() == 2
    ink = "canvas => canvas.toDataURL()"
    first = page.locator(".chart.small canvas").first
    before = first.evaluate(ink)
    page.locator(".reps .zoom").first.click()
    drawn(page)
    assert first.evaluate(ink) != before
    page.locator(".reset").click()
    drawn(page)
    assert first.evaluate(ink) == before
    assert said == []
    page.close()


# Close to a limit.


def test_what_is_close_is_shown_with_what_is_known_and_blames_nobody(made):
    summary, reps, angles = copy.deepcopy(made[:3])
    seen = "elbow bent 79 deg, asked 75 to 105 deg, known to 5"
    summary["sets"][0]["close"] = [{"rep": 2, "faults": ["elbow_off"], "text": seen}]
    reps["close"] = ["", "elbow_off"]
    reps["close_notes"] = ["", seen]
    text = build_report(summary, reps, angles)
    page = Page(text)
    assert "Rep 2: close: elbow bent 79°, asked 75 to 105°, known to 5" in page.text
    assert "Close to a limit, counted as clean" in page.text
    assert '<i class="close">2</i>' in text
    (curve,) = page.curves()
    assert [(rep[7], rep[8]) for rep in curve["reps"]] == [("clean", ""), ("close", "")]
    assert "Close to a limit" not in Page(build_report(*made[:3])).text


def test_the_summary_tells_what_is_close_and_what_the_drill_asks():
    from dataclasses import replace

    from test_assess import GOOD, angles_of, judged_set

    arm_set, judged = judged_set("full_can", angles_of("full_can", [GOOD["full_can"]] * 3))
    near = replace(judged[1], close=("elbow_off",), texts={**judged[1].texts, "close_notes": ""})
    entry = assess_set(arm_set, [judged[0], near, judged[2]])
    assert [(own["rep"], own["faults"]) for own in entry["close"]] == [(2, ["elbow_off"])]
    assert entry["done"]["clean"] == 3
    assert entry["visits"] == []
    drill = load_shipped("full_can")
    asked = {(own["angle"], own["where"]) for own in entry["asked_ranges"]}
    assert ("elevation", drill.top.name) in asked
    assert {angle for angle, _ in asked} >= {limit.asked.angle for limit in drill.form.limits}


def test_results_of_an_older_version_have_no_such_columns():
    summary, reps, angles = finished([ROW])
    assert "close" not in reps
    assert isinstance(reps, pd.DataFrame)
    assert "Close to a limit" not in build_report(summary, reps, angles)
