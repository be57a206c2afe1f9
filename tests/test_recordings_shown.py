"""What the bundled recordings are there to show: each of it stands in the report made from them."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from test_report import Page

from imu_shoulder.cli import cli

RECORDINGS = Path(__file__).parents[1] / "recordings"
PLANNED = ("--plan", "planned_warm_up.toml", "--drill-file", "full_can_with_pauses.toml")
# The same set without the drill file: pauses nobody asked for.
UNASKED = ("--plan", "planned_warm_up.toml")


@dataclass(frozen=True)
class Shown:
    """What `analyse` made of one recording: the report, what a reader sees of it, and the data behind."""

    html: str
    summary: dict
    reps: pd.DataFrame
    terminal: str

    @property
    def text(self) -> str:
        return Page(self.html).text

    def section(self, name: str) -> str:
        """The text of one set and arm, such as set-2-right."""
        start = self.html.index(f'<section id="{name}"')
        return Page(self.html[start : self.html.index("</section>", start)]).text

    def entry(self, number: int, side: str) -> dict:
        return next(e for e in self.summary["sets"] if (e["set"], e["side"]) == (number, side))


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    made: dict[tuple[str, ...], Shown] = {}

    def show(name: str, *options: str) -> Shown:
        if (name, *options) not in made:
            out = tmp_path_factory.mktemp(name)
            given = [str(RECORDINGS / o) if o.endswith(".toml") else o for o in options]
            ran = CliRunner().invoke(cli, ["analyse", str(RECORDINGS / name), "--out", str(out), *given])
            assert ran.exit_code == 0, ran.output
            made[(name, *options)] = Shown(
                (out / "report.html").read_text(encoding="utf-8"),
                json.loads((out / "summary.json").read_text(encoding="utf-8")),
                pd.read_csv(out / "reps.csv", keep_default_na=False),
                ran.stdout,
            )
        return made[(name, *options)]

    return show


def test_a_planned_session_names_what_was_skipped_and_stops_at_pain(shown):
    found = shown("planned_warm_up", *PLANNED)
    assert [item["status"] for item in found.summary["plan"]["drills"]] == ["done", "done", "done", "partly", "skipped"]
    assert "Full can, one arm holds, the other lifts, left arm: skipped." in found.text
    assert "Row, rotate, press, right arm: 3 of 6 reps (set 4)." in found.text
    # Stop comes before everything else, in the page and in the terminal, and no line advises anything else.
    stop = "Stop: pain was over the ceiling of 2 of 10 (set 4: 4 of 10)."
    assert found.terminal.startswith(stop)
    assert 0 < found.text.index(stop) < found.text.index("4 sets: 22 of 30 asked reps done, 21 clean.")
    assert "Every drill: stop" in found.text
    last = found.section("set-4-right")
    assert "Next time Ask the practitioner first: pain was 4 of 10, over the ceiling." in last
    assert "Note: sharp at the front of the shoulder in the last press" in last
    assert "Load 1.5 kg" in found.section("set-2-right")


def test_pauses_part_way_are_told_where_and_how_long(shown):
    """The athlete stopped for about 2.4 s half-way up and half-way down a raise from 7 to 90 deg."""
    for options, title in ((PLANNED, "Full can raise with pauses"), (UNASKED, "Full can raise")):
        found = shown("planned_warm_up", *options)
        assert found.entry(2, "right")["title"] == title
        own = found.reps[found.reps["set"] == 2]
        for text in own["pauses"]:
            up, down = (re.fullmatch(r"(up|down) (\d+) deg ([\d.]+) s", part).groups() for part in text.split(";"))
            assert (up[0], down[0]) == ("up", "down")
            assert all(43 <= int(at) <= 53 and abs(float(stayed) - 2.4) < 0.5 for _, at, stayed in (up, down))
        assert len(re.findall(r"up 4\d° 2\.\d s, down 4\d° 2\.\d s", found.section("set-2-right"))) == len(own) == 4
        assert list(own["faults"]) == [""] * 4
    asked = "Hold (3 s at the top, 2 s on the way up, 2 s on the way down): 4 of 4 reps"
    assert asked in shown("planned_warm_up", *PLANNED).section("set-2-right")


def test_arms_that_were_asked_for_different_counts_are_not_called_different(shown):
    found = shown("planned_warm_up", *PLANNED)
    for side, count in (("right", 4), ("left", 6)):
        section = found.section(f"set-3-{side}")
        assert f"{count} of {count} reps, {count} clean." in section
        assert "The arcs are alike" in section
        # No hold is asked there: none is spoken of.
        assert "Hold steadiness" not in section
        assert not re.search("Means of the first three reps.*hold .* Sides", section)
    assert found.entry(3, "left")["side_difference"]["beyond"] == []


def test_a_station_left_out_is_named(shown):
    found = shown("planned_warm_up", *PLANNED)
    section = found.section("set-4-right")
    assert "Rep 2: skipped: rotate" in section
    assert "Row s Rotate s Press s" in section
    assert "Stations (row, then rotate, then press): 2 of 3 reps; missed: rep 2" in section


def test_shrugs_are_judged_with_the_sensor_and_said_not_to_be_seen_without(shown):
    unseen = "Shrugging: no sensor sat on the shoulder blade, so it was not seen."
    assert unseen in shown("planned_warm_up", *PLANNED).text
    faulty = shown("faulty_warm_up")
    assert unseen not in faulty.text
    assert faulty.reps[(faulty.reps["set"] == 1) & (faulty.reps["faults"] == "shrug")]["rep"].tolist() == [5]


def test_the_holding_arm_that_sinks_is_told_to_sink(shown):
    """It was told to sink at 0.4 deg/s while the other arm lifts, and it lies under the band in the end. To hold on is
    the last thing to ask of it then."""
    found = shown("faulty_warm_up")
    section = found.section("set-4-right")
    sank_deg = int(re.search(r"; sank by (\d+)° in all", section).group(1))
    entry = found.entry(4, "right")
    assert sank_deg == pytest.approx(0.4 * (entry["end_s"] - entry["start_s"]), abs=2)
    # A fault has a line among what was asked.
    assert "Hold (the whole set): not kept" in section
    assert "Next time Lower both arms when the holding arm starts to sink." in section


def test_range_tests_alone_make_a_report_of_their_own(shown):
    found = shown("range_tests")
    assert "5 range tests, no drill." in found.text
    said = re.search(r"The sides differ most in external rotation at the side: (\d+)° more on the right\.", found.text)
    # The left arm was told to turn out 20 deg less.
    assert int(said.group(1)) == pytest.approx(20, abs=2)
    assert "No pain was rated. Ask: no sensor shows it." in found.text
    assert "overview" not in [attrs.get("class") for _, attrs in Page(found.html).elements]
    coach, _, context = found.text.partition("Published ranges, as context")
    assert "PubMed" not in coach
    assert "Kolber 2011" in context


def test_lost_reps_lead_to_the_sensor_and_not_to_the_athlete(shown):
    found = shown("damaged_warm_up")
    assert "3 sets: 23 reps done, 14 clean, 9 could not be scored." in found.text
    slipped = found.section("set-3-right")
    assert "Next time Fasten the strap tighter, the sensor slipped: reps 2 to 6." in slipped
    assert "No rep could be judged" in slipped
    assert "6 reps (usual dose 10), 0 clean, 6 not scored" in found.text
    assert re.search(r"right upper arm sensor turned on its strap by about \d+°;", found.text)
    assert "the clock stepped back once (by 0.0" in found.text
    assert "peak velocity deg/s" in slipped


def test_a_clean_session_asks_for_nothing_to_change(shown):
    found = shown("clean_warm_up")
    assert all(entry["change"] == "" for entry in found.summary["sets"])
    assert "Next time" not in found.text
    assert "asked (shaded): at least 35° above the start" in found.section("set-1-right")
