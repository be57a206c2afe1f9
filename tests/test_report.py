"""The report as text: what it says, that nothing in it can break out, how small it is, how true its curves are."""

from __future__ import annotations

import copy
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_fixture import finished, twenty_minutes, warm_up

from imu_shoulder.errors import OutputError
from imu_shoulder.range.words import with_words
from imu_shoulder.report import curves, words
from imu_shoulder.report.headlines import first_lines, terminal_lines
from imu_shoulder.report.html import build_report
from imu_shoulder.report.words import HOW_CHECKED

HOSTILE = "</script><script>document.title='owned'</script><b id=x>&\"'"


class Page(HTMLParser):
    """Collects what a browser would see: elements with their attributes, scripts and text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.scripts: list[str] = []
        self.words: list[str] = []
        self._inside = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._inside = tag
        if tag == "script":
            self.scripts.append("")

    def handle_endtag(self, tag):
        self._inside = ""

    def handle_data(self, data):
        if self._inside == "script":
            self.scripts[-1] += data
        elif self._inside != "style":
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def curves(self):
        return json.loads(self.scripts[0])["curves"]


@pytest.fixture(scope="module")
def made():
    return finished(warm_up())


@pytest.fixture(scope="module")
def page(made):
    return Page(build_report(*made))


def decoded(curve):
    """What the page's script does with a curve: times in s and angles in deg, None at a gap."""
    ticks, times, angles, rest = round(100 * curve["from"]), [], [], iter(curve["points"])
    for digit in rest:
        ticks += curves.DIGITS.index(digit)
        if digit == "_":
            continue
        times.append(ticks / 100)
        high = next(rest)
        level = None if high == "." else 64 * curves.DIGITS.index(high) + curves.DIGITS.index(next(rest)) - 2048
        angles.append(None if level is None else level / 10)
    return np.array(times), angles


def test_every_set_and_arm_has_a_section_that_the_overview_links_to(page, made):
    ids = [attrs["id"] for tag, attrs in page.elements if tag == "section"]
    links = [attrs["href"] for tag, attrs in page.elements if tag == "a"]
    assert ids == ["set-1-right", "set-2-right", "set-3-right", "set-4-right", "set-4-left", "data"]
    assert {f"#{name}" for name in ids[:-1]} <= set(links)
    for entry in made[0]["sets"]:
        assert entry["headline"] in page.text
        assert entry["change"] in page.text


def test_reps_are_marked_by_what_kept_them_from_being_clean(page):
    second = next(curve for curve in page.curves() if curve["id"] == "set-2-right")
    assert {rep[0]: (rep[7], rep[8]) for rep in second["reps"] if rep[7] != "clean"} == {
        "3": ("excluded", "partial"),
        "4": ("fault", "hold too short"),
        "6": ("fault", "arc too short"),
        "7": ("fault", "hold too short"),
        "8": ("excluded", "data missing"),
        "9": ("fault", "too fast"),
    }
    assert "At 2:37, rep 3: turned back before half the asked arc." in page.text
    assert "Hold (at least 5 s): 6 of 8 reps; missed: reps 4 and 7" in page.text


def test_a_tempo_miss_marks_only_the_direction_that_was_too_fast(made):
    text = build_report(*made)
    section = text[text.index('<section id="set-2-right"') : text.index('<section id="set-3-right"')]
    rows = dict(re.findall(r'<button class="zoom \w+">(\d+)</button>(.*)</tr>', section))
    marked = {rep: re.findall(r'<td class="m">([^<]*)', row) for rep, row in rows.items() if 'class="m"' in row}
    assert marked["9"] == ["0.6"]
    assert set(marked) == {"4", "6", "7", "9"}


def test_what_is_not_seen_the_cautions_and_the_sensor_floor_are_said(page, made):
    for line in [*made[0]["cautions"], *made[0]["not_seen"]]:
        assert line in page.text
    assert "0.04°, median. At the sensor's floor" in page.text
    assert "Right upper arm at 2:50: 0.6 s of samples are missing" in page.text
    assert "100.0 Hz (declared 100), 1 gap, 0.6 s in all" in page.text
    assert "Arc: −0.2° per rep, 95 % between −0.9 and 0.5: no clear trend" in page.text
    assert "Sway: too few reps to tell a trend" in page.text


def test_the_head_says_how_far_the_figures_were_checked(page, made):
    top = page.text[: page.text.index("Set 1,")]
    assert top.count(HOW_CHECKED) == page.text.count(HOW_CHECKED) == 1


def test_a_criterion_no_sensor_shows_is_not_called_met(made):
    summary = copy.deepcopy(made[0])
    arc, hold = summary["sets"][0]["criteria"][:2]
    arc.update(met=[], missed=[], unknown=[1, 2])
    hold.update(met=[1], missed=[], unknown=[2])
    text = build_report(summary, *made[1:])
    assert '<li class="unseen">Arc (75 to 105° at the top): not judged, the sensors worn do not show it</li>' in text
    assert '<li class="met">Hold (at least 5 s): 1 of 1 rep; not judged: rep 2</li>' in text


def test_arms_of_a_two_sided_set_are_compared(made):
    summary = copy.deepcopy(made[0])
    summary["sets"][0]["side_difference"] = {"arc_deg": 3.4, "hold_sd_deg": -0.11, "hold_s": None}
    assert "Right arm minus left, medians: arc 3°, sway −0.11°" in build_report(summary, *made[1:])


def test_a_set_of_which_no_rep_was_scored_says_so_once(made):
    summary = copy.deepcopy(made[0])
    for criterion in summary["sets"][0]["criteria"]:
        criterion.update(met=[], missed=[], unknown=[])
    text = build_report(summary, *made[1:])
    section = text[text.index('<section id="set-1-right"') : text.index('<section id="set-2-right"')]
    assert section.count('<li class="unseen">') == 1
    assert '<li class="unseen">No rep could be judged</li>' in section


def test_after_pain_over_the_ceiling_the_next_thing_is_to_ask(made):
    summary = copy.deepcopy(made[0])
    entry = next(entry for entry in summary["sets"] if entry["change"])
    entry.update(pain=5.0, pain_over=True)
    text = Page(build_report(summary, *made[1:])).text
    assert "Ask the practitioner first: pain was 5 of 10, over the ceiling." in text
    assert "Ask the practitioner first: pain was 5 of 10, over the ceiling." in "\n".join(terminal_lines(summary))
    others = [other["change"] for other in summary["sets"] if other is not entry]
    assert entry["change"] in others or entry["change"] not in text


def test_effort_and_a_count_by_hand_stand_with_their_set_beside_what_was_measured(made):
    plain = Page(build_report(*made)).text
    assert "by hand" not in plain
    assert "Effort" not in plain
    summary = copy.deepcopy(made[0])
    entry = next(entry for entry in summary["sets"] if entry["role"] == "lift")
    done = entry["done"]["reps"]
    entry.update(effort=6.0, live={"counted": done, "extra": 0, "corrected": -1, "by_hand": done - 1})
    text = Page(build_report(summary, *made[1:])).text
    assert f"{done} (usual {entry['asked']['reps']}) counted, {done - 1} by hand" in text
    assert "Effort 6 of 10" in text


def test_columns_of_words_are_there_only_where_a_rep_has_some(made):
    headings = re.findall(r'<section id="(\S+)".*?<thead>(.*?)</thead>', build_report(*made), re.DOTALL)
    reps = made[1]
    for name, heading in headings:
        number, side = name.split("-")[1:]
        own = reps[(reps["set"] == int(number)) & (reps["side"] == side)]
        assert ("Faults" in heading) == bool((own["faults"] != "").any())
        assert ("Not scored because" in heading) == bool((own["excluded"] != "").any())


def test_terminal_says_the_headlines_of_the_report(page, made):
    lines = terminal_lines(made[0])
    first = first_lines(made[0])
    assert lines[: len(first)] == first
    assert first[0] == "4 sets: 43 reps done, 35 clean, 1 could not be scored, 1 started but not finished."
    assert lines[len(first)] == "M.K., 5 March 2026, 17:40, warm-up before throwing"
    assert all(line in page.text for line in first)
    for entry in made[0]["sets"]:
        assert any(entry["headline"] in line for line in lines)


def test_markup_from_the_recording_stays_text():
    sets = [replace(warm_up()[1], title=HOSTILE, drill=HOSTILE, change=HOSTILE, texts={"headline": HOSTILE})]
    summary, reps, angles = finished(sets, athlete=HOSTILE)
    summary["recording"]["name"] = summary["recording"]["start"] = HOSTILE
    summary["not_seen"] = summary["cautions"] = [HOSTILE]
    summary["parameters"] = {HOSTILE: {HOSTILE: HOSTILE}}
    summary["data_quality"]["right_wrist"]["findings"] = [{"code": HOSTILE, "severity": "fault", "text": HOSTILE}]
    summary["sets"][0]["criteria"][0].update(name=HOSTILE, asked=HOSTILE)
    summary["sets"][0]["excluded"][0]["text"] = HOSTILE
    reps.loc[1, "faults"] = reps.loc[2, "excluded"] = HOSTILE
    reps[HOSTILE] = HOSTILE
    page = Page(build_report(summary, reps, angles))
    assert len(page.scripts) == 3
    assert not [attrs for _, attrs in page.elements if attrs.get("id") == "x"]
    assert HOSTILE in page.text
    assert HOSTILE in {rep[8] for rep in page.curves()[0]["reps"]}


def test_nothing_is_fetched_and_only_its_own_blocks_may_run(page):
    addresses = [value for _, attrs in page.elements for name, value in attrs.items() if name in {"src", "href"}]
    assert all(address.startswith("#") for address in addresses)
    assert not {tag for tag, _ in page.elements} & {"link", "iframe", "object", "img", "base", "form"}
    policy = next(attrs["content"] for tag, attrs in page.elements if attrs.get("http-equiv"))
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "unsafe" not in policy


def test_the_chart_library_comes_with_its_licence(made):
    licence = (resources.files("imu_shoulder.report") / "assets" / "uPlot.LICENSE").read_text()
    assert licence.startswith("The MIT License")
    assert licence in build_report(*made)


@pytest.mark.parametrize(("reps", "hold_s"), [(12, 6.0), (15, 4.0)])
def test_twenty_minutes_of_both_arms_stay_under_300_kb(reps, hold_s):
    sets = [replace(made, reps=reps, hold_s=hold_s) for made in twenty_minutes()]
    summary, rep_table, angles = finished(sets, length_s=1200.0)
    assert len(summary["sets"]) == 16
    assert len(build_report(summary, rep_table, angles).encode()) < 300_000


def test_the_report_of_a_finished_folder_is_the_same(made):
    summary, reps, angles = made
    files = io.StringIO(json.dumps(summary)), io.StringIO(reps.to_csv(index=False)), io.BytesIO(angles.to_parquet())
    again = build_report(json.load(files[0]), pd.read_csv(files[1]), pd.read_parquet(files[2]))
    assert again == build_report(summary, reps, angles)


def test_missing_parts_are_named_not_invented(made):
    summary, reps, angles = copy.deepcopy(made)
    entry = summary["sets"][0]
    for key in ("criteria", "excluded", "steadiness", "tempo", "fatigue", "change", "band_deg", "drill", "title"):
        entry[key] = None
    summary["sets"][1]["angle"] = "rotation"
    angles = angles.drop(columns="right_rotation_deg")
    page = Page(build_report(summary, reps[reps["set"] > 1], angles))
    assert "Set without a drill, right arm" in page.text
    assert "No rep was found in this set." in page.text
    assert "No curve: the angles of this recording hold no rotation of this arm." in page.text
    assert "nan" not in page.text.lower().split()
    assert "None" not in page.text


def test_a_recording_without_sets_still_has_a_report(made):
    summary, reps, angles = made
    page = Page(build_report({**summary, "sets": []}, reps[:0], angles))
    assert "No set was found." in page.text


def test_another_schema_is_refused_in_one_sentence(made):
    with pytest.raises(OutputError, match="expected a summary of schema 1, but it has schema 7; analyse"):
        build_report({**made[0], "schema": 7}, *made[1:])


def test_curves_keep_every_peak_and_every_gap(page, made):
    angles = made[2].set_index("time_s")
    for curve, entry in zip(page.curves(), made[0]["sets"], strict=True):
        _, values = decoded(curve)
        column = f"{entry['side']}_{entry['angle']}_deg"
        own = angles.loc[entry["start_s"] - 3.0 : entry["end_s"] + 3.0, column]
        known = [value for value in values if value is not None]
        assert max(known) == pytest.approx(own.max(), abs=0.051)
        assert min(known) == pytest.approx(own.min(), abs=0.051)
        assert values.count(None) == len(curve["gaps"]) == entry["done"]["excluded"] - (entry["done"]["excluded"] > 1)


def test_the_drawn_line_stays_near_every_sample(page, made):
    """A chord over a bin of h seconds misses a curve by at most a h^2 / 8 (error of linear interpolation).

    A minimum-jerk move of D degrees in T seconds has a largest acceleration of 10 / sqrt(3) D / T^2 (Flash and
    Hogan 1985, its second derivative); beside it the made-up sway moves by some tenths of a degree within a bin.
    """
    _, reps, angles = made
    first = reps[reps["set"] == 1]
    bend = 10 / np.sqrt(3) * (first["arc_deg"] / first["lift_s"] ** 2).max()
    times, values = decoded(page.curves()[0])
    own = angles[angles["time_s"].between(times[0], times[-1])]
    missed = np.abs(np.interp(own["time_s"], times, np.array(values, dtype=float)) - own["right_elevation_deg"])
    print(f"drawn line within {missed.max():.2f} deg of every sample, bend alone {bend * curves.BIN_S**2 / 8:.2f} deg")
    assert missed.max() <= bend * curves.BIN_S**2 / 8 + 0.5


@given(
    st.lists(st.one_of(st.floats(-180, 180), st.just(float("nan"))), min_size=2, max_size=300),
    st.sampled_from([0.05, 0.2, 1.0]),
)
def test_extremes_are_true_samples_and_bound_the_rest(values, bin_s):
    angle_deg = np.array(values)
    time_s = np.arange(len(values)) / 100
    kept_s, kept_deg = curves.extremes(time_s, angle_deg, bin_s)
    where = np.rint(kept_s * 100).astype(int)
    np.testing.assert_array_equal(kept_deg, angle_deg[where])
    assert np.all(np.diff(where) > 0)
    bins = np.floor((time_s - time_s[0]) / bin_s)
    for one in np.unique(bins):
        own, kept = angle_deg[bins == one], kept_deg[bins[where] == one]
        if np.isfinite(own).any():
            assert np.nanmin(kept) == np.nanmin(own)
            assert np.nanmax(kept) == np.nanmax(own)
    opened = np.flatnonzero(np.isfinite(angle_deg[:-1]) & np.isnan(angle_deg[1:])) + 1
    np.testing.assert_array_equal(where[np.isnan(kept_deg)], opened)


@given(st.lists(st.one_of(st.floats(-180, 180), st.just(float("nan"))), min_size=1, max_size=100))
def test_points_give_the_curve_back_to_a_twentieth_of_a_degree(values):
    time_s = 15.0 + np.arange(len(values)) / 50
    times, angles = decoded({"from": 0.0, "points": curves.encode(time_s, np.array(values))})
    np.testing.assert_allclose(times, time_s, atol=0.0051)
    back = np.array([np.nan if angle is None else angle for angle in angles])
    np.testing.assert_allclose(back, values, atol=0.0501)


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb. Source: W3C, WCAG 2.1, definition of relative luminance."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio. Source: W3C, WCAG 2.1, definition of contrast ratio; white on black is 21."""
    light, dark = sorted([luminance(one), luminance(other)], reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
def test_text_reaches_the_contrast_of_level_aa(scheme):
    assert contrast("#ffffff", "#000000") == pytest.approx(21.0)
    style = (resources.files("imu_shoulder.report") / "assets" / "report.css").read_text()
    block = re.findall(r":root[^{]*\{([^}]*)\}", style)[scheme]
    colour = dict(re.findall(r"--([\w-]+): (#\w{6})", block))
    pairs = [(text, ground) for text in ("ink", "soft", "link", "fault") for ground in ("paper", "panel")]
    pairs += [("soft", "band"), ("on-curve", "curve"), ("on-fault", "fault")]
    low = {pair: round(contrast(colour[pair[0]], colour[pair[1]]), 2) for pair in pairs}
    assert not {pair: ratio for pair, ratio in low.items() if ratio < 4.5}  # WCAG 2.1, criterion 1.4.3, level AA
    assert contrast(colour["curve"], colour["band"]) > 3.0  # criterion 1.4.11, graphics


def test_numbers_are_said_the_same_way_everywhere():
    assert words.number(-0.04, 1) == "0.0"
    assert words.number(float("nan")) == words.number(None) == words.MISSING
    assert words.number(np.int64(4)) == "4"
    assert words.number(-1.25, 1) == "−1.2"
    assert words.clock(59.6) == "1:00"
    assert words.joined([1]) == "1"
    assert words.joined([1, 2, 3]) == "1, 2 and 3"
    assert words.band([None, 20.0]) == "at most 20°"
    assert words.band(None) == ""


def test_pain_over_the_ceiling_is_the_first_thing_said(made):
    summary = copy.deepcopy(made[0])
    stop = "Stop: pain was over the ceiling of 2 of 10 (set 2: 5 of 10). Ask the licensed practitioner."
    summary["pain"] = {"ceiling": 2.0, "highest": 5.0, "over": [2], "unrated": [1, 3, 4], "text": stop}
    summary["sets"][1].update(pain=5.0, pain_over=True, load_kg=1.5, note="pinches at the top")
    text = build_report(summary, *made[1:])
    assert text.index('class="stop" role="alert"') < text.index("<h1>")
    assert stop in text
    section = text[text.index('<section id="set-2-right"') : text.index('<section id="set-3-right"')]
    for said in ("Pain 5 of 10, over the ceiling", "Load 1.5 kg", "Note: pinches at the top"):
        assert said in section
    assert 'role="alert"' not in build_report(*made)


def test_the_cautions_of_a_drill_stand_with_its_sets(made):
    summary = copy.deepcopy(made[0])
    summary["sets"][1]["cautions"] = ["Lower both arms when the holding arm starts to sink.", "Mind the band."]
    text = build_report(summary, *made[1:])
    section = text[text.index('<section id="set-2-right"') : text.index('<section id="set-3-right"')]
    for caution in summary["sets"][1]["cautions"]:
        assert section.index(caution) < section.index('class="headline"')
        assert text.count(caution) == 1


def test_plan_and_advice_are_told_with_where_they_come_from(made):
    summary = copy.deepcopy(made[0])
    summary["plan"] = {
        "text": "Plan: 1 of 2 drills done as asked, 1 skipped.",
        "lines": ["Plan: 1 of 2 drills done as asked, 1 skipped.", "Full can raise, right arm: skipped."],
        "order_kept": True,
        "order_text": "The drills were begun in the order of the plan.",
    }
    told = "From set 1: 10 of 10 reps, 9 clean (rep 2 not), pain not rated."
    summary["advice"] = [
        {
            "title": "Full can raise",
            "side": "right",
            "advice": "stay",
            "text": f"Full can raise, right arm: stay at this step. {told} The practitioner decides.",
            "next_takes": "in this session every set with all asked reps done",
        }
    ]
    page = Page(build_report(summary, *made[1:]))
    for line in [*summary["plan"]["lines"], summary["plan"]["order_text"], told, "The practitioner decides."]:
        assert line in page.text
    assert "stay at this step" in page.text
    assert (
        page.text.count("The criteria set for the next step: in this session every set with all asked reps done.") == 1
    )


def test_of_a_line_of_advice_the_first_thing_stands_before_what_it_comes_from(made):
    """A number's point ends no sentence."""
    whole = "Full can raise, left arm, holding: step back. Steps to choose from: less load than 1.5 kg; a shorter set. "
    item = {"title": "Full can raise", "side": "left", "role": "hold", "advice": "step_back"}
    item["text"] = f"{whole}From set 2: hold not kept, pain 1. The practitioner decides."
    text = build_report({**made[0], "advice": [item]}, *made[1:])
    line = re.search(r'<li class="step_back">(.*?)</li>', text)[1]
    assert line == (
        "Full can raise, left arm, holding: <b>step back</b>. Steps to choose from: less load than 1.5 kg; a shorter "
        'set. <span class="because">From set 2: hold not kept, pain 1.</span>'
    )


def test_stop_is_said_once_and_no_drill_repeats_it(made):
    summary = copy.deepcopy(made[0])
    why = "Pain was over the ceiling of 2 of 10 in set 2."
    summary["advice"] = [
        {
            "title": title,
            "side": "right",
            "advice": "stop",
            "text": f"{title}, right arm: stop. {why} The practitioner decides.",
        }
        for title in ("Full can raise", "Band loop raise")
    ]
    page = Page(build_report(summary, *made[1:]))
    assert "Every drill: stop" in page.text
    assert why not in page.text


def test_ranges_are_shown_with_their_uncertainty_before_the_drills(made):
    """1.96 standard deviations of 2.5 deg are 5 deg."""
    trial = {"trial": 1, "value_deg": 158.0, "left_out": [], "trunk_moved": False, "text": ""}
    side = {"trials": [trial], "counted": 1, "best_deg": 158.0, "mean_deg": 158.0, "mean_of": 1, "sd_deg": 2.5}
    test = {"title": "Flexion", "sides": {"right": {**side, "not_seen": None}}, "difference": None, "published": []}
    ranges = with_words({"tests": [test], "elevation_reference": "gravity", "context": "Context only."})
    summary = made[0] | {"range": ranges}
    text = build_report(summary, *made[1:])
    page = Page(text)
    for said in ("Right: best 158 ± 5°, one trial only (158).", "leaning adds to it", "Context only.", "in the pose"):
        assert said in page.text
    assert text.index('id="range"') < text.index('<section id="set-1-right"')
    assert 'id="range"' not in build_report(*made)


def test_fade_sides_broken_holds_and_stations_are_said(made):
    summary, reps, angles = copy.deepcopy(made)
    entry = summary["sets"][0]
    entry["fatigue"]["says"] = entry["fatigue"]["arc"]["says"] = "faded"
    told = "The left arm's arc is 9 deg smaller, more than the 6 deg that tell."
    entry["side_difference"] = {"text": told, "beyond": ["arc_deg"]}
    entry["notes"] = [{"rep": 2, "text": "hold broken 1.4 s after arriving, by -9 deg, for 0.8 s;skipped: row"}]
    reps["stations"] = ""
    reps.loc[reps["set"] == 1, "stations"] = "row:2.1;rotate:1.8;row:0.4"
    page = Page(build_report(summary, reps, angles))
    for said in (
        "Faded: the arc got smaller",
        "Sides: The left arm's arc is 9° smaller, more than the 6° that tell.",
        "Faded: the arc got smaller. The left arm's arc is 9° smaller, more than the 6° that tell.",
        "Rep 2: hold broken 1.4 s after arriving, by −9°, for 0.8 s",
        "Rep 2: skipped: row",
        "Row s Rotate s",
        "Shrug: not seen, no sensor sat on this shoulder blade",
    ):
        assert said in page.text
