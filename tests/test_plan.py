"""Plans: read from TOML, held against sessions, and pain over the ceiling. Cases are worked out by hand."""

from __future__ import annotations

import json
import re
import shutil
from itertools import permutations
from pathlib import Path

import pytest
from click.testing import CliRunner

from imu_shoulder.cli import cli
from imu_shoulder.drills import load_shipped
from imu_shoulder.model import Event
from imu_shoulder.plan import DRILL_KEYS, LIMIT_KEYS, PLAN_KEYS, PlanError, load_plan, parse_plan
from imu_shoulder.plan.held import hold_against
from imu_shoulder.plan.matching import asked_by, match_sets
from imu_shoulder.report.pain import tell_sets

HEAD = 'schema = 1\nathlete = "M.K."\n'
FULL_CAN = '[[drill]]\nid = "full_can"\nside = "right"\n'
PLAN = (
    HEAD
    + FULL_CAN
    + 'sets = 2\nreps = 6\nload_kg = 1.5\n[[drill]]\nid = "band_loop_raise"\nside = "both"\nsets = 1\n'
    + "reps = { right = 4, left = 6 }\n"
)


def done(number, drill, side, reps, clean=None, load_kg=None, role="lift"):
    """The entry of a set as the summary has it, as far as a plan looks at it."""
    clean = reps if clean is None else clean
    counts = {"reps": reps, "clean": clean}
    title = load_shipped(drill).title
    return {
        "set": number,
        "drill": drill,
        "title": title,
        "side": side,
        "role": role,
        "done": counts,
        "load_kg": load_kg,
    }


def marked(drill, side):
    return Event(0.0, 1.0, "set", drill, side)


def held(plan_text, sets):
    """The plan against sets given as (drill, side, reps of the right arm or only one, reps of the left)."""
    plan = parse_plan(plan_text, "plan.toml")
    matches = match_sets(plan, [Event(0, 5, "neutral_pose"), *(marked(drill, side) for drill, side, *_ in sets)])
    entries = [
        done(number, drill, arm, count, load_kg=1.5)
        for number, (drill, side, *counts) in enumerate(sets, start=1)
        for arm, count in zip(("right", "left") if side == "both" else (side,), counts, strict=True)
    ]
    return hold_against(plan, matches, entries)


def test_a_plan_changes_dose_hold_tempo_and_limits_and_nothing_else():
    text = HEAD + "pain_ceiling = 3\n" + FULL_CAN + "hold_s = 3\nlift_at_least_s = 2\n[drill.limits]\n"
    plan = parse_plan(text + "top_deg = { at_least = 60, at_most = 80 }\ntrunk_deg = 5\n", "plan.toml")
    asked, own = plan.drills[0].asked_of("right", "the plan"), load_shipped("full_can")
    assert plan.pain_ceiling == 3.0
    assert (asked.top.hold_s, asked.lift_at_least_s, asked.lower_at_least_s) == (3.0, 2.0, own.lower_at_least_s)
    assert (asked.top.ranges[0].low_deg, asked.top.ranges[0].high_deg) == (60.0, 80.0)
    assert asked.form.trunk_deg == 5.0
    assert asked.form.of("thumb_up") == own.form.of("thumb_up")
    assert (asked.dose.sets, asked.dose.reps) == (own.dose.sets, own.dose.reps)
    assert parse_plan(HEAD + FULL_CAN, "plan.toml").pain_ceiling == 2.0


def test_a_hold_is_asked_at_every_station_that_the_drill_holds():
    text = HEAD + '[[drill]]\nid = "row_rotate_press"\nside = "right"\nhold_s = 4\n'
    drill = parse_plan(text, "plan.toml").drills[0].drill
    assert [station.hold_s for station in drill.stations] == [4.0, 4.0, 4.0]


def test_the_page_has_an_example_that_can_be_used_and_every_key():
    page = (Path(__file__).parents[1] / "docs" / "plan.md").read_text(encoding="utf-8")
    example = re.search(r"^```toml\n(.*?)^```", page, flags=re.MULTILINE | re.DOTALL)
    assert len(parse_plan(example[1], "example.toml").drills) == 4
    keys = (*PLAN_KEYS[:-1], *DRILL_KEYS, *LIMIT_KEYS)
    assert [key for key in keys if f"`{key}`" not in page] == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("schema = 1\nathlete =\n", "plan.toml to be TOML"),
        (HEAD.replace("1", "2") + FULL_CAN, "schema in plan.toml to be 1"),
        ("schema = 1\n" + FULL_CAN, "athlete in plan.toml"),
        (HEAD, "one [[drill]] table or more"),
        (HEAD + "drill = []\n", "one [[drill]] table or more"),
        (HEAD + "pain_ceiling = 11\n" + FULL_CAN, "pain_ceiling in plan.toml to be a number from 0 to 10"),
        (HEAD + "pain_ceiling = nan\n" + FULL_CAN, "pain_ceiling"),
        (HEAD + "pain_ceiling = true\n" + FULL_CAN, "pain_ceiling"),
        (HEAD + "colour = 1\n" + FULL_CAN, "'colour'"),
        (HEAD + FULL_CAN.replace("full_can", "no_drill"), "'no_drill'"),
        (HEAD + FULL_CAN.replace("right", "up"), "one of right, left, both"),
        (HEAD + '[[drill]]\nid = "full_can"\n', "side of [[drill]] 1"),
        (HEAD + FULL_CAN + "sets = 0\n", "sets of [[drill]] 1"),
        (HEAD + FULL_CAN + "reps = 2.5\n", "reps of [[drill]] 1"),
        (HEAD + FULL_CAN + "reps = { left = 3 }\n", "reps of [[drill]] 1"),
        (HEAD + FULL_CAN + "hold_s = -1\n", "hold_s of [[drill]] 1"),
        (HEAD + FULL_CAN + 'load_kg = 1\nband = "red"\n', "load_kg or band"),
        (HEAD + FULL_CAN + "[drill.limits]\nelbow_deg = { at_least = 30, at_most = 20 }\n", "limits.elbow_deg"),
        (HEAD + FULL_CAN + "[drill.limits]\nelbow_deg = 20\n", "limits.elbow_deg"),
        (HEAD + FULL_CAN + "[drill.limits]\nknee_deg = { at_most = 20 }\n", "'knee_deg'"),
        (HEAD + FULL_CAN + "[drill.limits]\ntrunk_deg = inf\n", "trunk_deg"),
    ],
)
def test_a_bad_plan_is_told_in_one_sentence(text, said):
    with pytest.raises(PlanError) as told:
        parse_plan(text, "plan.toml")
    assert said in str(told.value)
    assert "\n" not in str(told.value)


def test_a_session_as_asked_is_said_to_be_done():
    found = held(PLAN, [("full_can", "right", 6), ("full_can", "right", 7), ("band_loop_raise", "both", 4, 6)])
    assert [item["status"] for item in found["drills"]] == ["done", "done"]
    assert (found["skipped"], found["extra"], found["order_kept"]) == ([], [], True)
    assert found["lines"] == ["Plan: 2 of 2 drills done as asked."]


@pytest.mark.parametrize(
    ("sets", "states"),
    [
        ([("full_can", "right", 6)], ["partly", "skipped"]),
        ([("full_can", "right", 6), ("full_can", "right", 5)], ["partly", "skipped"]),
        ([("full_can", "left", 6), ("full_can", "left", 6)], ["skipped", "skipped"]),
        ([("band_loop_raise", "both", 6, 5)], ["skipped", "partly"]),
        ([("band_loop_raise", "right", 4), ("band_loop_raise", "left", 6)], ["skipped", "done"]),
        ([("band_loop_raise", "right", 4)], ["skipped", "partly"]),
    ],
)
def test_what_is_missing_is_named(sets, states):
    found = held(PLAN, sets)
    assert [item["status"] for item in found["drills"]] == states
    titles = [load_shipped(name).title for name in ("full_can", "band_loop_raise")]
    skipped = [title for title, state in zip(titles, states, strict=True) if state == "skipped"]
    assert len(found["skipped"]) == len(skipped)
    for title in skipped:
        assert any(line.startswith(title) and line.endswith("skipped.") for line in found["lines"])


def test_extra_work_is_named_with_its_reason():
    sets = [("full_can", "right", 6)] * 3 + [("full_can", "left", 6), ("row_rotate", "right", 8)]
    found = held(PLAN, sets)
    told = [(entry["set"], entry["side"], entry["text"].split(": ")[-1]) for entry in found["extra"]]
    more = "more sets than the plan asks."
    assert told == [(3, "right", more), (4, "left", "not in the plan."), (5, "right", "not in the plan.")]


def test_the_order_is_that_of_beginning_each_drill():
    ids = ["sidelying_external_rotation", "full_can", "row_rotate"]
    text = HEAD + "".join(f'[[drill]]\nid = "{name}"\nside = "right"\nsets = 2\n' for name in ids)
    for order in permutations(ids):
        found = held(text, [(name, "right", 20) for name in order for _ in range(2)])
        assert found["order_kept"] is (list(order) == ids)
    alternating = held(text, [(name, "right", 20) for _ in range(2) for name in ids])
    assert alternating["order_kept"]
    wrong = held(text, [("full_can", "right", 20), ("sidelying_external_rotation", "right", 20)])
    assert "Side-lying external rotation (right) is asked before Full can raise" in wrong["lines"][-1]


def test_another_load_than_asked_is_named():
    plan = parse_plan(HEAD + FULL_CAN + "sets = 1\nreps = 6\nload_kg = 2\n", "plan.toml")
    matches = match_sets(plan, [marked("full_can", "right")])
    item = hold_against(plan, matches, [done(1, "full_can", "right", 6, load_kg=1.5)])["drills"][0]
    assert item["load_differs"]
    assert "1.5 kg instead of 2 kg" in item["text"]


def test_a_planned_set_that_no_sensor_saw_is_not_called_done():
    plan = parse_plan(HEAD + FULL_CAN + "sets = 1\n", "plan.toml")
    item = hold_against(plan, match_sets(plan, [marked("full_can", "right")]), [])["drills"][0]
    assert item["status"] == "partly"
    assert "reps not seen" in item["text"]


def test_each_arm_is_asked_its_own_count_and_extra_sets_keep_the_limits():
    text = PLAN + "[drill.limits]\ntrunk_deg = 3\n"
    plan = parse_plan(text, "plan.toml")
    events = [marked("band_loop_raise", "both"), marked("band_loop_raise", "left"), marked("row_rotate", "left")]
    asked = asked_by(plan, match_sets(plan, events))
    assert {side: drill.dose.reps for side, drill in asked[1].items()} == {"right": 4, "left": 6}
    assert asked[2]["left"].form.trunk_deg == 3
    assert asked[3] == {}


def test_a_set_goes_to_the_line_that_asks_its_direction():
    """Asked forward, then to the side. Done to the side first, then once more to the side: forward was skipped."""
    ways = (f'{FULL_CAN}sets = 1\nreps = 5\ndirection = "{way}"\n' for way in ("forward", "side"))
    plan = parse_plan(HEAD + "".join(ways), "plan.toml")
    events = [Event(10 * k, 1, "set", "full_can", "right", direction="side") for k in (1, 2)]
    matches = match_sets(plan, events)
    assert [(matches[k]["right"].item, matches[k]["right"].extra) for k in (1, 2)] == [(1, False), (1, True)]
    told = hold_against(plan, matches, [done(k, "full_can", "right", 5) for k in (1, 2)])
    assert told["skipped"] == ["Full can raise, forward, right arm: skipped."]
    # A set that names no direction goes to the line that is due.
    assert match_sets(plan, [marked("full_can", "right")])[1]["right"].item == 0


def of_set(number):
    """The entry of a set, as far as its ratings look at it."""
    return {"set": number, "side": "right", "done": {"reps": 0}}


@pytest.mark.parametrize(("pain", "over"), [(0.0, False), (2.0, False), (2.1, True), (10.0, True)])
def test_pain_over_the_ceiling_and_only_over_it_means_stop(pain, over):
    sets = [of_set(1), of_set(2)]
    events = [Event(0, 1, "set", "full_can", "right", pain=1.0), Event(2, 1, "set", pain=pain, load_kg=2.0, note="a")]
    found = tell_sets(sets, events, 2.0)
    assert [entry["pain_over"] for entry in sets] == [False, over]
    assert (sets[1]["pain"], sets[1]["load_kg"], sets[1]["note"]) == (pain, 2.0, "a")
    assert (found["highest"], found["over"]) == (max(1.0, pain), [2] if over else [])
    assert ("Stop" in found["text"] and "practitioner" in found["text"]) is over


@pytest.mark.parametrize(("before", "over"), [(2.0, []), (5.0, [0])])
def test_pain_before_the_first_set_over_the_ceiling_means_stop(before, over):
    sets = [of_set(1)]
    events = [Event(0, 1, "neutral_pose", pain=before), Event(2, 1, "set", "full_can", "right", pain=1.0)]
    found = tell_sets(sets, events, 2.0)
    assert (found["before"], found["highest"], found["over"], found["unrated"]) == (before, before, over, [])
    assert ("Stop" in found["text"] and "before the first set: 5 of 10" in found["text"]) is bool(over)
    assert not sets[0]["pain_over"]


def test_a_set_without_a_rating_is_named_and_not_taken_for_painless():
    found = tell_sets([of_set(1)], [Event(0, 1, "set", "full_can", "right")], 2.0)
    assert (found["highest"], found["unrated"]) == (None, [1])
    assert "No pain was rated" in found["text"]


def test_range_tests_are_no_sets_to_rate_but_their_pain_counts():
    events = [Event(0, 1, "set", "flexion", "both"), Event(2, 1, "set", "full_can", "right", pain=1.0)]
    found = tell_sets([of_set(2)], events, 2.0, {"flexion"})
    assert found["unrated"] == []
    assert found["text"] == "Pain was at most 1 of 10, the ceiling is 2."
    asked = tell_sets([of_set(2)], events, 2.0)
    assert asked["unrated"] == [1]
    assert "1 of 2 sets not rated" in asked["text"]
    hurt = [Event(0, 1, "set", "external_rotation_at_90", "both", pain=4.0), *events[1:]]
    over = tell_sets([of_set(2)], hurt, 2.0, {"external_rotation_at_90"})
    assert over["over"] == [1]
    assert over["text"].startswith("Stop: ")
    assert "(external rotation at 90: 4 of 10)" in over["text"]


# Through the command.


def run(*args):
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def planned(recording, tmp_path, rest, athlete="M.K."):
    file = tmp_path / "plan.toml"
    file.write_text(HEAD.replace("M.K.", athlete) + FULL_CAN + rest)
    found = run("analyse", recording, "--out", tmp_path / "out", "--plan", file)
    return found, json.loads((tmp_path / "out" / "summary.json").read_text()) if found.exit_code == 0 else None


def test_what_the_plan_asks_is_what_the_reps_are_judged_by(small_recording, tmp_path):
    """The two reps of the recording are clean by the drill (hold of 5 s), and held under 7 s."""
    found, summary = planned(small_recording, tmp_path, "sets = 1\nreps = 2\nhold_s = 9\nload_kg = 1\n")
    assert found.exit_code == 0, found.output
    entry = summary["sets"][0]
    assert (entry["asked"]["reps"], entry["asked"]["hold_s"]) == (2, 9.0)
    hold = next(criterion for criterion in entry["criteria"] if criterion["name"] == "hold")
    assert hold["missed"] == [1, 2]
    assert summary["plan"]["drills"][0]["status"] == "done"
    assert summary["plan"]["text"] in found.stdout


def test_pain_over_the_ceiling_is_the_first_thing_said_and_all_advice_is_stop(small_recording, tmp_path):
    folder = shutil.copytree(small_recording, tmp_path / "recording")
    lines = (folder / "events.tsv").read_text().splitlines()
    lines = [
        lines[0] + "\tpain\tnote",
        *(f"{line}\t{'4' if 'full_can' in line else 'n/a'}\ttwinge" for line in lines[1:]),
    ]
    (folder / "events.tsv").write_text("\n".join(lines) + "\n")
    found, summary = planned(folder, tmp_path, "sets = 1\nreps = 2\n")
    assert found.stdout.startswith("Stop: pain was over the ceiling of 2 of 10 (set 1: 4 of 10).")
    assert {entry["advice"] for entry in summary["advice"]} == {"stop"}
    assert (summary["sets"][0]["pain_over"], summary["sets"][0]["note"]) == (True, "twinge")


@pytest.mark.parametrize(
    ("rest", "athlete", "said"),
    [("sets = 0\n", "M.K.", "sets of [[drill]] 1"), ("sets = 1\n", "T.S.", "plan.toml is of T.S.")],
)
def test_a_plan_that_cannot_be_used_is_refused_and_nothing_written(small_recording, tmp_path, rest, athlete, said):
    found, _ = planned(small_recording, tmp_path, rest, athlete)
    assert found.exit_code == 2
    assert found.stdout == ""
    assert len(found.stderr.splitlines()) == 1
    assert said in found.stderr
    assert not (tmp_path / "out").exists()


def test_a_plan_file_that_is_not_there_is_one_sentence(tmp_path):
    with pytest.raises(PlanError, match="a readable plan file"):
        load_plan(tmp_path / "none.toml")


@pytest.fixture(scope="module")
def range_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What the command `range` writes of the bundled range tests, whose true ranges differ between the arms."""
    out = tmp_path_factory.mktemp("range")
    recording = Path(__file__).parents[1] / "recordings" / "range_tests"
    assert CliRunner().invoke(cli, ["range", str(recording), "--out", str(out)]).exit_code == 0
    return out


def own_plan(folder: Path, more: str = "") -> str:
    (folder / "plan.toml").write_text(
        HEAD
        + f'range_test = "range.json"\n{more}[[drill]]\nid = "band_external_rotation"\nside = "both"\n'
        + "limits = { top_deg = { at_least = 40, of_own = 0.5 } }\n"
        + '[[drill]]\nid = "full_can"\nside = "right"\nlimits = { top_deg = { at_least = 80, of_own = 0.5 } }\n'
    )
    return str(folder / "plan.toml")


def test_a_plan_asks_for_a_share_of_the_range_that_was_tested(range_folder):
    rotation, can = load_plan(Path(own_plan(range_folder))).drills
    tests = {test["id"]: test["sides"] for test in json.loads((range_folder / "range.json").read_text())["tests"]}
    for side in ("right", "left"):
        asked = rotation.asked_of(side, "plan").top_band_deg(0.0)
        assert asked is not None
        assert asked[0] == pytest.approx(0.5 * tests["external_rotation_at_side"][side]["mean_deg"])
    # Of flexion and abduction the smaller.
    asked = can.asked_of("right", "plan").top_band_deg(0.0)
    assert asked is not None
    assert asked[0] == pytest.approx(0.5 * tests["abduction"]["right"]["mean_deg"])
    assert tests["abduction"]["right"]["mean_deg"] < tests["flexion"]["right"]["mean_deg"]


def test_a_range_with_pain_over_the_ceiling_is_no_pain_free_range(range_folder, tmp_path):
    found = json.loads((range_folder / "range.json").read_text())
    for test in found["tests"]:
        test["sides"]["right"]["pain"] = 3.0
    (tmp_path / "range.json").write_text(json.dumps(found))
    bands = {}
    for ceiling in ("2", "3"):
        planned = load_plan(Path(own_plan(tmp_path, f"pain_ceiling = {ceiling}\n"))).drills[0]
        bands[ceiling] = [planned.asked_of(side, "plan").own_unknown for side in ("right", "left")]
    assert bands == {"2": [("rotation",), ()], "3": [(), ()]}


@pytest.mark.parametrize("text", ["{}", '{"tests": [{"angle": "elevation", "sides": {"right": {}}}]}', "[]", "{"])
def test_a_file_that_is_no_range_json_is_one_sentence(tmp_path, text):
    (tmp_path / "range.json").write_text(text)
    with pytest.raises(PlanError, match=r"range\.json"):
        load_plan(Path(own_plan(tmp_path)))
