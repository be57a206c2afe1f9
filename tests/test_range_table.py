"""Range tests side by side: one table, the total rotation, and how the published values beside it were taken."""

from __future__ import annotations

import pytest
from report_fixture import finished, warm_up
from test_report import Page

from imu_shoulder.range import shipped_tests
from imu_shoulder.range.results import total_rotation
from imu_shoulder.range.words import HEAD, STANDING, TOTAL, TOTAL_NOTE, lines, table_rows, with_words
from imu_shoulder.report.html import build_report


def side(mean_deg, sd_deg=2.0):
    trial = {"trial": 1, "value_deg": mean_deg, "left_out": [], "trunk_moved": False, "text": ""}
    told = {"trials": [trial], "counted": 1, "best_deg": mean_deg, "mean_deg": mean_deg, "mean_of": 1}
    return {**told, "sd_deg": sd_deg, "not_seen": None}


def unseen():
    return {"trials": [], "counted": 0, "best_deg": None, "mean_deg": None, "not_seen": "no sensor on this arm"}


def a_test(name, title, right, left, mdc90_deg=None, published=()):
    sides = {key: found for key, found in (("right", right), ("left", left)) if found is not None}
    means = [found["mean_deg"] for found in sides.values()]
    difference = None
    if len(means) == 2 and None not in means:
        by = means[0] - means[1]
        over = None if mdc90_deg is None else abs(by) > mdc90_deg
        difference = {"mean_deg": by, "best_deg": by, "mdc90_deg": mdc90_deg, "over_mdc90": over, "source": "a paper"}
    return {"id": name, "title": title, "sides": sides, "difference": difference, "published": list(published)}


def results(*tests):
    found = {"tests": list(tests), "elevation_reference": "trunk", "context": "Context."}
    return {**found, "total_rotation": total_rotation(found["tests"])}


EXTERNAL = a_test("external_rotation_at_90", "External rotation at 90 deg", side(96.0), side(84.0), 9.0)
INTERNAL = a_test("internal_rotation_at_90", "Internal rotation at 90 deg", side(55.0), side(62.0), 8.0)


def test_the_sides_and_their_difference_stand_in_one_table():
    rows = table_rows(results(EXTERNAL, INTERNAL))
    assert rows == [
        ("External rotation at 90 deg", "96 +- 4 deg", "84 +- 4 deg", "12 deg more right, beyond measuring (9 deg)"),
        ("Internal rotation at 90 deg", "55 +- 4 deg", "62 +- 4 deg", "7 deg more left, within measuring (8 deg)"),
        (TOTAL, "151 deg", "146 deg", "5 deg more right"),
    ]
    printed = lines(results(EXTERNAL, INTERNAL))
    assert printed[0].split() == list(HEAD)
    assert printed[3].startswith(TOTAL)
    assert TOTAL_NOTE in printed


@pytest.mark.parametrize("off_deg", [-4.0, 3.5])
def test_a_pose_that_was_off_changes_no_total(off_deg):
    """What it adds to the external rotation it takes from the internal one."""
    moved = [
        a_test(EXTERNAL["id"], "", side(96.0 + off_deg), side(84.0 + off_deg)),
        a_test(INTERNAL["id"], "", side(55.0 - off_deg), side(62.0 - off_deg)),
    ]
    assert total_rotation(moved)["sides"] == {"right": 151.0, "left": 146.0}


def test_what_is_missing_is_said_and_no_total_is_made_of_it():
    one_sided = a_test("internal_rotation_at_90", "Internal rotation at 90 deg", side(55.0), unseen(), 8.0)
    found = results(EXTERNAL, one_sided)
    assert found["total_rotation"]["sides"] == {"right": 151.0}
    assert found["total_rotation"]["difference_deg"] is None
    assert table_rows(found)[1:] == [
        ("Internal rotation at 90 deg", "55 +- 4 deg", "not measured", ""),
        (TOTAL, "151 deg", "", ""),
    ]
    assert results(EXTERNAL)["total_rotation"] is None
    alone = a_test("flexion", "Flexion", side(160.0), None)
    assert table_rows(results(alone)) == [("Flexion", "160 +- 4 deg", "not tested", "")]
    assert TOTAL_NOTE not in lines(results(alone))


def test_every_published_value_says_how_it_was_taken():
    """Vairo 2012, table 1: lying on the back, goniometer. Gill 2020, abstract: inclinometer in a clinic."""
    for test in shipped_tests().values():
        for row in test.published:
            assert ("goniometer" in row.how) is row.source.startswith("Vairo")
            assert ("lying" in row.how) is row.source.startswith("Vairo")
            assert "examiner" in row.how
    row = {"sex": "f", "ages": [17, 22], "people": "cadets", "middle": "median", "middle_deg": 101, "p5_deg": 80}
    row |= {"source": "a paper", "how": "lying on the back, a goniometer held by an examiner"}
    beside = with_words(results({**EXTERNAL, "published": [row]}))["tests"][0]["published_lines"]
    assert row["how"] in beside[0]
    assert beside[1] == STANDING
    assert STANDING not in with_words(results(EXTERNAL))["tests"][0]["published_lines"]


def test_the_report_shows_the_table_before_the_trials():
    summary, reps, angles = finished(warm_up())
    text = build_report({**summary, "range": with_words(results(EXTERNAL, INTERNAL))}, reps, angles)
    table = text[text.index('<table class="range">') : text.index("</table>", text.index('<table class="range">'))]
    for cell in ("96 ± 4°", "84 ± 4°", "12° more right, beyond measuring (9°)"):
        assert cell in table
    assert text.index('<table class="range">') < text.index("Trial by trial")
    assert "Total rotation at 90° (external + internal)" in Page(text).text
