"""A plan that is written, as TOML or as a spreadsheet's table, is the same plan when it is read."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imu_shoulder.cli import main
from imu_shoulder.drills import shipped_ids
from imu_shoulder.plan import DAYS, PlanError, load_plan, parse_plan
from imu_shoulder.plan.drafting import draft
from imu_shoulder.plan.writing import plan_csv, plan_from_csv, plan_table, plan_text

ROOT = Path(__file__).parents[1]
WHOLE = (ROOT / "recordings" / "planned_warm_up.toml").read_text()
# Keys with every kind of value there is.
EVERY_KEY = """schema = 1
athlete = "M.K."
pain_ceiling = 3
after_surgery = "no load"
instability = "not behind the body"
days = ["Friday", "Monday"]
note = "=slowly"

[[drill]]
id = "full_can"
side = "both"
direction = "side"
sets = 2
reps = { right = 8, left = 10 }
hold_s = 4
lift_at_least_s = 1.5
load_kg = 1.5
rest_s = 45
own_range_deg = { elevation = { right = 90, left = 80 } }
pauses = []
note = "-2 is a text here"

[drill.limits]
top_deg = { at_least = 60, at_most = 95 }
trunk_deg = 5

[[drill]]
id = "band_loop_raise"
side = "both"
band = "lightest loop"
"""

texts = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=20).filter(str.strip)
drills = st.fixed_dictionaries(
    {"id": st.sampled_from(shipped_ids()), "side": st.sampled_from(("right", "left", "both"))},
    optional={
        "sets": st.integers(1, 9),
        "reps": st.integers(1, 20),
        "rest_s": st.floats(0, 300),
        "note": texts,
        "load_kg": st.floats(0, 20),
    },
)
plans = st.fixed_dictionaries(
    {"athlete": texts.map(str.strip), "drill": st.lists(drills, min_size=1, max_size=4)},
    optional={"note": texts, "days": st.lists(st.sampled_from(DAYS), unique=True), "pain_ceiling": st.floats(0, 10)},
)


@given(plans)
def test_a_table_that_is_written_is_read_as_it_was(table):
    found = tomllib.loads(plan_text(table))
    assert found == {"schema": 1, **{key: value for key, value in table.items() if value != []}}
    parse_plan(plan_text(table), "plan")


@given(plans)
def test_a_plan_goes_through_a_spreadsheet_unchanged(table):
    text = plan_text(table)
    assert tomllib.loads(plan_from_csv(plan_csv(text, "plan"), "plan.csv")) == tomllib.loads(text)


@pytest.mark.parametrize("text", [EVERY_KEY])
def test_every_key_goes_both_ways(text):
    table = plan_table(text, "plan")
    assert plan_table(plan_text(table), "plan") == table
    assert plan_table(plan_from_csv(plan_csv(text, "plan"), "plan.csv"), "plan") == table
    found = parse_plan(text, "plan")
    assert found.days == ("Monday", "Friday")
    assert (found.note, found.drills[0].note) == ("=slowly", "-2 is a text here")


def test_a_formula_is_a_text_in_the_spreadsheet():
    assert ",'=slowly," in plan_csv(EVERY_KEY, "plan")


def test_the_shipped_plan_is_written_as_it_means():
    assert parse_plan(plan_text(plan_table(WHOLE, "plan")), "x") == parse_plan(WHOLE, "x")


def test_a_key_that_no_plan_has_is_refused_by_name_after_writing():
    with pytest.raises(PlanError, match="'colour'"):
        parse_plan(plan_text({"athlete": "M.K.", "colour": "red", "drill": [{"id": "full_can", "side": "right"}]}), "p")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "CSV"),
        ("id,side\n", "no row"),
        ("id,colour\nfull_can,red\n", "'colour'"),
        ("plan_athlete,id\nM.K.,full_can\nT.S.,full_can\n", "one plan_athlete"),
        ("plan_athlete,id,sets\nM.K.,full_can,two\n", "'two'"),
        ("plan_athlete,id,limits\nM.K.,full_can,{ x = \n", "limits"),
    ],
)
def test_a_table_that_is_no_plan_is_refused_in_one_sentence(text, said):
    with pytest.raises(PlanError, match=said):
        plan_from_csv(text, "plan.csv")


@pytest.mark.parametrize("days", [["Sonntag"], ["Monday", "Monday"]])
def test_days_are_days_of_the_week_each_once(days):
    with pytest.raises(PlanError, match="days"):
        draft("M.K.", ["full_can:right"], {}, days)


@pytest.mark.parametrize("line", ["full_can", "full_can:up", "none:right", "full_can:right:2", "full_can:right:0x1"])
def test_a_line_that_is_no_drill_is_refused(line):
    with pytest.raises(PlanError):
        draft("M.K.", [line], {})


def test_a_draft_has_the_usual_dose_where_none_is_given():
    plan = parse_plan(draft("M.K.", ["full_can:right", "band_loop_raise:both:1x4@2.5"], {}), "plan")
    assert [(item.sets, dict(item.reps), item.load_kg) for item in plan.drills] == [
        (2, {"right": 10}, None),
        (1, {"right": 4, "left": 4}, 2.5),
    ]


def run(*args: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(arg) for arg in args])
    return int(ended.value.code or 0)


def test_plans_on_the_command_line(tmp_path, capsys):
    file, table, db = tmp_path / "p.toml", tmp_path / "p.csv", tmp_path / "h.db"
    new = ("plan", "new", "M.K.", "--drill", "full_can:right:2x8@1.5", "--day", "Friday", "--out", file)
    assert run(*new) == 0
    assert run(*new) == 2
    assert "a new file" in capsys.readouterr().err
    assert run("plan", "check", file) == 0
    assert "a plan of 1 drill for M.K., about 5 minutes" in capsys.readouterr().out
    assert run("plan", "show", file) == 0
    assert "On Friday." in capsys.readouterr().out
    assert run("plan", "keep", file, "--who", "Coach", "--why", "start", "--db", db) == 0
    assert run("plan", "take", "m.k.", "--out", table, "--db", db) == 0
    table.write_text(table.read_text().replace(",8,", ",9,"))
    assert run("plan", "keep", table, "--who", "Other", "--db", db) == 0
    capsys.readouterr()
    assert run("plan", "versions", "M.K.", "--db", db) == 0
    lines = capsys.readouterr().out.splitlines()
    assert ["Other" in lines[1], "Coach" in lines[2], len(lines)] == [True, True, 3]
    assert run("plan", "take", "M.K.", "--version", 7, "--out", table, "--db", db) == 2
    assert "out of 1, 2" in capsys.readouterr().err


def test_a_kept_plan_needs_no_range_test_beside_it(tmp_path, monkeypatch):
    from imu_shoulder.history.people import add_athlete
    from imu_shoulder.history.plans import plan_version, put_plan
    from imu_shoulder.history.store import open_store

    shown = ROOT / "recordings" / "range_tests"
    assert run("range", shown, "--out", tmp_path) == 0
    file = tmp_path / "p.toml"
    head = 'schema = 1\nathlete = "L.V."\nrange_test = "range.json"\n'
    file.write_text(f'{head}[[drill]]\nid = "band_external_rotation"\nside = "both"\n')
    wanted = load_plan(file).drills[0].own_deg
    assert wanted["right"]
    assert run("plan", "keep", file, "--db", tmp_path / "h.db") == 0
    monkeypatch.chdir(tmp_path / "..")
    with open_store(tmp_path / "h.db") as store:
        athlete = add_athlete(store, "L.V.").id
        kept = plan_version(store, athlete)
        assert "range_test" not in kept.toml
        assert kept.plan.drills[0].own_deg == wanted
        with pytest.raises(PlanError, match="no other file"):
            put_plan(store, athlete, file.read_text(), "Coach")
