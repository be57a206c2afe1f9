"""How long a plan takes, worked out by hand from the paces that duration.py states: 2 s a way, 1 s between reps, 60 s
between sets and for the calibration."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from imu_shoulder.cli import cli
from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.live.replay import plan_for_drill
from imu_shoulder.plan import parse_plan
from imu_shoulder.plan.duration import overview, plan_duration, rep_s

HEAD = 'schema = 1\nathlete = "M.K."\n'


def planned(*drills):
    rows = (f'[[drill]]\nid = "{name}"\nside = "{side}"\n{more}\n' for name, side, more in drills)
    return parse_plan(HEAD + "".join(rows), "plan.toml")


def test_a_raise_with_a_hold():
    """2 s up, 5 s held, 2 s down, 1 s between: 10 s. Two sets of ten with a rest, after the calibration: 320 s."""
    plan = planned(("full_can", "right", "sets = 2\nreps = 10"))
    assert rep_s(plan.drills[0].drill) == 10.0
    found = plan_duration(plan)
    assert (found.sets_s, found.rests_s, found.calibration_s) == (200.0, 60.0, 60.0)
    assert found.minutes == 6
    assert overview(plan)["text"] == "About 6 minutes in all: 3 of sets, 1 of rests, 1 of calibration."


def test_a_slower_tempo_takes_longer_and_a_quicker_one_no_less_than_people_take():
    slow = planned(("full_can", "right", "lift_at_least_s = 4\nlower_at_least_s = 3"))
    assert rep_s(slow.drills[0].drill) == 4 + 5 + 3 + 1


def test_every_station_is_gone_to_and_held():
    drill = load_shipped("row_rotate")
    assert rep_s(drill) == 2 * 2 + sum(station.hold_s for station in drill.stations) + 2 + 1


def test_two_arms_move_together_and_take_turns_where_one_holds():
    together = plan_duration(planned(("band_loop_raise", "both", "sets = 1\nreps = { right = 4, left = 6 }")))
    assert together.sets_s == 6 * 10.0
    one = plan_duration(planned(("full_can_hold_and_lift", "left", "sets = 1\nreps = 5")))
    both = plan_duration(planned(("full_can_hold_and_lift", "both", "sets = 1\nreps = 5")))
    assert both.sets_s == 2 * one.sets_s
    assert (one.rests_s, both.rests_s) == (0.0, 60.0)


@pytest.mark.parametrize("name", shipped_ids())
def test_the_live_page_gets_the_time_of_every_drill_in_json(name):
    said = overview(plan_for_drill(load_shipped(name), "right", "M.K."))
    assert json.loads(json.dumps(said, allow_nan=False)) == said
    assert 3 <= said["minutes"] <= 15
    assert said["drills"][0]["load"] == load_shipped(name).dose.load


def test_plan_show_says_what_comes_first_and_how_the_load_is_chosen(tmp_path):
    text = (
        HEAD + 'after_surgery = "cuff repair in February; not above the shoulder"\npain_ceiling = 3\n'
        '[[drill]]\nid = "full_can"\nside = "right"\nreps = 1\nsets = 1\n'
        '[[drill]]\nid = "band_loop_raise"\nside = "both"\nreps = { right = 4, left = 6 }\nband = "lightest loop"\n'
    )
    file = tmp_path / "plan.toml"
    file.write_text(text)
    ran = CliRunner().invoke(cli, ["plan", "show", str(file)])
    assert ran.exit_code == 0, ran.output
    lines = ran.stdout.splitlines()
    assert lines[1] == (
        "After surgery: the surgeon's and the practitioner's limits come first. "
        "cuff repair in February; not above the shoulder."
    )
    assert lines[2].startswith("About ")
    assert "Pain ceiling: 3 of 10." in lines[3]
    assert "1. Full can raise, right arm: 1 set of 1 rep, held 5 s" in lines
    assert "   load: a weight with which the last rep is as steady as the first; none to begin with" in lines
    assert "2. Raise with a band loop round the wrists, both arms: 2 sets of 4 right and 6 left reps, held 5 s" in lines
    assert "   load: lightest loop" in lines
    # What every drill's cautions say stands once.
    assert sum(line.lstrip(" -").startswith("Keep pain at or under your ceiling") for line in lines) == 1


@pytest.mark.parametrize("name", shipped_ids())
def test_the_load_of_every_drill_is_the_athletes_own(name):
    load = load_shipped(name).dose.load
    assert "to begin with" in load
    assert "kg" not in load
