"""Advice by rule: the rules said, the reps named, pain before all, and nobody ever cleared."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from imu_shoulder.advise import Criteria, Rule, RuleError, load_rules, parse_rules, shipped_rules
from imu_shoulder.advise.advice import DECIDES, LIMITS_FIRST, advise
from imu_shoulder.advise.history import HistoryError, in_time, load_history
from imu_shoulder.advise.lacks import lacks
from imu_shoulder.drills import Dose, load_shipped, shipped_ids
from imu_shoulder.report.pain import tell_sets

DRILLS = {name: load_shipped(name) for name in shipped_ids()}
# From the worst to the best that can be said.
RANK = {"stop": 0, "step_back": 1, "stay": 2, "criteria_met": 3}


def a_set(number, drill="full_can", side="right", asked=10, missed=(), done=None, pain=0.0, sets=None, faults=None):
    """The entry of a set as the summary has it: `missed` are the reps with a fault. sets: that a plan asks."""
    done = asked if done is None else done
    reps = list(range(1, done + 1))
    criteria = [{"name": "arc", "met": [r for r in reps if r not in missed], "missed": list(missed), "unknown": []}]
    counts = {"reps": done, "scored": done, "clean": done - len(missed), "excluded": 0}
    return {
        "set": number,
        "drill": drill,
        "side": side,
        "role": "lift",
        "judged": True,
        "pain": pain,
        "asked": {"reps": asked, "sets": sets or 2, "by": "plan" if sets else "usual"},
        "done": counts,
        "criteria": criteria,
        "faults": [{"name": name, "reps": list(shown)} for name, shown in (faults or {}).items()],
    }


def a_hold(number, drill="full_can_hold_and_lift", side="left", kept=True, moved_deg=0.0):
    """The entry of an arm that holds while the other one lifts."""
    entry = a_set(number, drill, side, asked=None, done=1, missed=() if kept else (1,))
    entry |= {"role": "hold", "done": {"reps": 0, "scored": 0, "clean": None}}
    return entry | {"holding": {"moved_deg": moved_deg, "sank": not kept}}


def a_session(*sets, day=10, athlete="M.K.", ceiling=2.0):
    rated = {entry["set"]: entry["pain"] for entry in sets if entry["pain"] is not None}
    over = [number for number, pain in rated.items() if pain > ceiling]
    start = f"2025-03-{day:02d}T09:00:00+01:00"
    recording = {"name": f"day_{day}", "athlete": athlete, "start": start}
    return {"schema": 1, "recording": recording, "sets": list(sets), "pain": {"ceiling": ceiling, "over": over}}


def said(*sessions, drill="full_can", side="right", rules=None, drills=DRILLS, **options):
    lines = advise(sessions, drills, rules or shipped_rules(), **options)
    return next(line for line in lines if (line["drill"], line["side"]) == (drill, side))


GOOD = (a_set(1), a_set(2, missed=(4, 9)))


@pytest.mark.parametrize(
    ("done", "scored", "clean", "lacking"),
    [(10, 10, 8, []), (8, 8, 8, []), (7, 7, 7, ["dose"]), (10, 7, 7, ["scored"]), (10, 10, 7, ["clean"])],
)
def test_what_keeps_a_set_from_so_many_clean_reps_is_the_dose_the_sensors_or_the_form(done, scored, clean, lacking):
    """8 of the 10 asked: too few were done, or of those that were done some were lost, or were not clean."""
    entry = a_set(1)
    entry["done"] |= {"reps": done, "scored": scored, "clean": clean}
    assert [lack.reason for lack in lacks(entry, Criteria(clean_at_least=0.8), 2.0)] == lacking


def test_two_good_sets_in_two_sessions_are_enough_to_ask():
    line = said(a_session(*GOOD), a_session(*GOOD, day=8))
    assert line["advice"] == "criteria_met"
    assert line["next"] == list(DRILLS["full_can"].followed_by)
    assert [(b["session"], b["set"], b["missed"]) for b in line["because"]] == [
        ("day_10", 1, []),
        ("day_10", 2, [4, 9]),
        ("day_8", 1, []),
        ("day_8", 2, [4, 9]),
    ]
    assert all(b["met"] for b in line["because"])
    assert "reps 4 and 9 not" in line["text"]


@pytest.mark.parametrize(
    "sessions",
    [
        [a_session(*GOOD)],
        [a_session(a_set(1)), a_session(*GOOD, day=8)],
        [a_session(*GOOD), a_session(a_set(1), a_set(2, missed=(1, 2, 3)), day=8)],
        [a_session(*GOOD, a_set(3, missed=(1, 2, 3))), a_session(*GOOD, day=8)],
        [a_session(a_set(1), a_set(2, done=9)), a_session(*GOOD, day=8)],
        [a_session(a_set(1), a_set(2, pain=None)), a_session(*GOOD, day=8)],
        [a_session(*GOOD), a_session(a_set(1), a_set(2, pain=2.5), day=8)],
        [a_session(a_set(1, side="left"), *GOOD[1:]), a_session(*GOOD, day=8)],
    ],
    ids=["one session", "one set", "worse before", "a third set", "a rep short", "pain unrated", "pain before", "arm"],
)
def test_less_than_the_rule_asks_is_stay(sessions):
    assert said(*sessions)["advice"] == "stay"


def test_reps_that_could_not_be_scored_are_not_counted_as_clean():
    lost = copy.deepcopy(GOOD)
    for entry in lost:
        entry["done"] |= {"scored": 7, "clean": 7}
    assert said(a_session(*lost), a_session(*GOOD, day=8))["advice"] == "stay"


def test_most_reps_missed_in_every_set_is_a_step_back_and_half_is_not():
    missed = a_session(a_set(1, missed=range(1, 7)), a_set(2, missed=range(1, 8)))
    assert said(missed)["advice"] == "step_back"
    half = a_session(a_set(1, missed=range(1, 6)), a_set(2, missed=range(1, 8)))
    assert said(half)["advice"] == "stay"


def test_pain_over_the_ceiling_stops_every_drill():
    sets = [*GOOD, a_set(3, "row_rotate", pain=3.0)]
    lines = advise([a_session(*sets), a_session(*GOOD, day=8)], DRILLS, shipped_rules())
    assert {line["advice"] for line in lines} == {"stop"}
    assert all("set 3" in line["text"] and "Ask the practitioner" in line["text"] for line in lines)


def test_pain_over_the_ceiling_before_the_first_set_stops_every_drill():
    session = a_session(*GOOD)
    session["pain"]["over"] = [0]
    line = said(session, a_session(*GOOD, day=8))
    assert line["advice"] == "stop"
    assert "over the ceiling of 2 of 10 before the first set." in line["text"]


def test_what_is_met_are_criteria_and_the_practitioner_decides():
    line = said(a_session(*GOOD), a_session(*GOOD, day=8))
    assert line["text"].startswith("Full can raise, right arm: meets the criteria set. ")
    # Once, at the end.
    assert line["text"].lower().count("the practitioner decides") == 1
    assert line["text"].endswith("The practitioner decides.")


def test_the_ceiling_of_the_plan_is_the_one_that_counts():
    sets = (a_set(1, pain=3.0), a_set(2, pain=3.0))
    both = [a_session(*sets, ceiling=4.0), a_session(*sets, day=8, ceiling=4.0)]
    assert said(*both)["advice"] == "criteria_met"


def test_a_prerequisite_is_checked_on_the_same_arm_in_its_latest_session():
    drill = "full_can_hold_and_lift"
    good = (a_set(1, drill), a_set(2, drill))
    assert DRILLS[drill].clean_before == ("full_can",)
    cases = {
        "not_seen": [],
        "shown": [a_session(a_set(1), day=7)],
        "not_clean": [a_session(a_set(1, missed=range(1, 6)), day=7), a_session(a_set(1), day=6)],
        # Five clean reps of ten: nothing was wrong with them but their number.
        "short": [a_session(a_set(1, done=5), day=7)],
    }
    for state, earlier in cases.items():
        line = said(a_session(*good), a_session(*good, day=8), *earlier, drill=drill)
        assert [entry["state"] for entry in line["prerequisites"]] == [state]
        assert line["advice"] == ("stay" if state in ("not_clean", "short") else "criteria_met")
        assert ("not clean" in line["text"]) is (state == "not_clean")
        assert ("Full can raise" in line["text"]) is (state != "shown")
    other_arm = said(a_session(*good), a_session(*good, day=8), a_session(a_set(1, side="left"), day=7), drill=drill)
    assert other_arm["prerequisites"][0]["state"] == "not_seen"


def test_a_set_that_was_only_counted_gets_no_advice():
    counted = a_set(2)
    counted["judged"] = False
    assert advise([a_session(counted)], DRILLS, shipped_rules()) == []


def test_a_holding_arm_has_advice_of_its_own():
    drill = "full_can_hold_and_lift"
    kept = a_session(a_set(1, drill), a_hold(1), a_set(2, drill), a_hold(2))
    lines = advise([kept], DRILLS, shipped_rules())
    assert [(line["side"], line["role"]) for line in lines] == [("right", "lift"), ("left", "hold")]
    assert lines[1]["text"].startswith(
        "Full can, one arm holds, the other lifts, left arm, holding: stay at this step."
    )
    assert "set 1: hold kept" in lines[1]["text"]
    sank = a_session(a_hold(1, kept=False, moved_deg=-9.0), a_hold(2, kept=False, moved_deg=-6.0))
    line = said(sank, drill=drill, side="left")
    assert line["advice"] == "step_back"
    assert "set 1: hold not kept, sank by 9 deg" in line["text"]
    # To hold longer would be the opposite of what the drill's cautions say.
    assert line["steps"] == ["less load", "a shorter set"]
    once = said(a_session(a_hold(1), a_hold(2, kept=False, moved_deg=-6.0)), drill=drill, side="left")
    assert "the hold kept for the whole set (set 2: not kept)" in once["missing"]


@pytest.mark.parametrize("sets", [1, 2, 3])
def test_a_plan_is_met_by_as_many_sets_as_it_asks(sets):
    done = [a_set(number, sets=sets) for number in range(1, sets + 1)]
    assert said(a_session(*done), a_session(*done, day=8))["advice"] == "criteria_met"
    if sets > 1:
        line = said(a_session(*done[:-1]), a_session(*done, day=8))
        assert line["advice"] == "stay"
        assert line["missing"][0] == f"{sets} sets in a session ({sets - 1} done)"


def test_what_is_missing_is_said_the_first_thing_first():
    """Pain before the dose, the dose before clean reps, and sessions last."""
    line = said(a_session(a_set(1, done=8, missed=(1, 2, 3), pain=None, sets=2)))
    assert line["missing"] == [
        "pain rated and within the ceiling (set 1: not rated)",
        "2 sets in a session (1 done)",
        "all of the asked reps (set 1: 8 of 10)",
        "at least 80 % of the reps clean (set 1: 5 of 8)",
        "the same in 1 session more",
    ]
    assert f"Missing first: {line['missing'][0]}. Then: {'; '.join(line['missing'][1:])}." in line["text"]
    only = said(a_session(*GOOD))
    assert only["missing"] == ["the same in 1 session more"]
    assert said(a_session(a_set(1, done=9), a_set(2)))["missing"][0] == "all of the usual dose of reps (set 1: 9 of 10)"


def test_reps_that_were_lost_are_asked_of_the_sensors():
    lost = a_set(1, done=10)
    lost["done"] |= {"scored": 6, "clean": 6}
    missing = said(a_session(lost, a_set(2)))["missing"]
    assert missing[0] == "reps that can be scored (set 1: 6 of 10)"
    assert not any("clean" in text for text in missing)


def test_a_shoulder_that_hitched_meets_no_criteria_of_a_drill_whose_cautions_speak_of_it():
    """Of ten reps one shrugged: nine are clean, and the drill's cautions still say to stop the set then."""
    shrugged = (a_set(1, missed=(5,), faults={"shrug": (5,)}), a_set(2))
    line = said(a_session(*shrugged), a_session(*GOOD, day=8))
    assert line["advice"] == "stay"
    assert line["missing"] == ["no shoulder shrugged (set 1, rep 5)"]
    # No caution of this drill speaks of it.
    drill = "sidelying_external_rotation"
    sets = (a_set(1, drill, missed=(5,), faults={"shrug": (5,)}), a_set(2, drill))
    assert said(a_session(*sets), a_session(*sets, day=8), drill=drill)["advice"] == "criteria_met"


def test_reps_sets_hold_and_load_are_steps_too():
    own = DRILLS["full_can"]
    asked = replace(
        own,
        dose=Dose(1, 6, "1 kg", "the plan", asked=True),
        stations=(replace(own.stations[0], hold_s=3.0),),
    )
    done = a_set(1, asked=6, sets=1)
    line = said(a_session(done), a_session(done, day=8), drills={"full_can": asked})
    assert line["advice"] == "criteria_met"
    assert line["steps"] == [
        "reps from 6 to the usual 10",
        "sets from 1 to the usual 2",
        "hold from 3 s to the usual 5 s",
        f"load (1 kg now; {own.dose.load})",
    ]
    assert all(step in line["text"] for step in line["steps"])
    bad = a_set(1, asked=6, sets=1, missed=(1, 2, 3, 4))
    bad["load_kg"] = 2.0
    back = said(a_session(bad), drills={"full_can": asked})
    assert back["advice"] == "step_back"
    assert back["steps"] == ["less load than 2 kg", "a hold shorter than 3 s", "fewer than 6 reps or 1 set"]


def test_after_surgery_the_limits_of_surgeon_and_practitioner_come_first():
    line = said(a_session(*GOOD), a_session(*GOOD, day=8), limits_first=True)
    first, second = line["text"].split(". ")[:2]
    assert first == "Full can raise, right arm: meets the criteria set"
    assert f"{second}." == LIMITS_FIRST
    assert line["next"] == []
    assert "Drills that follow" not in line["text"]


reps_missed = st.sets(st.integers(1, 10))
pains = st.sampled_from([None, 0.0, 1.0, 2.0, 3.0, 8.0])


@st.composite
def sessions(draw):
    days = draw(st.integers(1, 3))
    return [
        a_session(
            *(a_set(k + 1, missed=sorted(draw(reps_missed)), pain=draw(pains)) for k in range(draw(st.integers(1, 3)))),
            day=20 - day,
        )
        for day in range(days)
    ]


@given(sessions(), st.integers(0, 2), st.integers(1, 10))
def test_a_worse_rep_never_makes_better_advice(given_sessions, which, rep):
    before = RANK[said(*given_sessions)["advice"]]
    worse = copy.deepcopy(given_sessions)
    entry = worse[which % len(worse)]["sets"][-1]
    if rep not in entry["criteria"][0]["missed"]:
        entry["criteria"][0]["missed"].append(rep)
        entry["criteria"][0]["met"].remove(rep)
        entry["done"]["clean"] -= 1
    assert RANK[said(*worse)["advice"]] <= before


@given(sessions())
def test_every_line_leaves_the_decision_to_the_practitioner_and_names_reps_that_were_done(given_sessions):
    for line in advise(given_sessions, DRILLS, shipped_rules()):
        assert line["text"].endswith(DECIDES)
        for word in ("cleared", "clearance", "safe to", "allowed", "fit to"):
            assert word not in line["text"].lower()
        assert line["because"]
        for entry in line["because"]:
            assert sorted([*entry["clean"], *entry["missed"]]) == entry["reps"]


def test_pain_as_the_summary_tells_it_is_what_advice_reads():
    sets = [{"set": 1}]
    assert {"ceiling", "over"} <= tell_sets(sets, [], 2.0).keys()


# The rule file.


def test_the_page_says_the_limits_that_the_shipped_rules_have():
    page = (Path(__file__).parents[1] / "docs" / "advice.md").read_text(encoding="utf-8")
    rules = shipped_rules()
    assert [rule.advice for rule in rules.rules] == ["step_back", "criteria_met", "stay"]
    back, met = rules.of("step_back"), rules.of("criteria_met")
    assert (back.sets, met.sets, met.sessions, met.each_set.done_at_least) == (2, 2, 2, 1.0)
    assert f"under {back.each_set.clean_below * 100:.0f} % of the scored reps" in page
    assert f"at least {met.each_set.clean_at_least * 100:.0f} % of them clean" in page


STAY = '[[rules]]\nadvice = "stay"\n[prerequisite]\neach_set = { clean_at_least = 0.5 }\n'


def test_rules_of_ones_own_are_followed(tmp_path):
    file = tmp_path / "rules.toml"
    file.write_text('schema = 1\n[[rules]]\nadvice = "criteria_met"\neach_set = { clean_at_least = 0.5 }\n' + STAY)
    line = said(a_session(a_set(1, missed=(1, 2, 3), pain=None)), rules=load_rules(file))
    assert line["advice"] == "criteria_met"


@pytest.mark.parametrize(
    ("sessions", "sets", "others", "words"),
    [
        (2, 2, 0, "in each of the latest 2 sessions every set, at least 2 of them, with all asked reps done"),
        (1, 2, 1, "in this session all but 1 of the sets, at least 2 of them, with all asked reps done"),
        (1, 1, 0, "in this session every set with all asked reps done"),
        (1, 1, None, "in this session at least 1 set with all asked reps done"),
    ],
)
def test_a_rule_in_words(sessions, sets, others, words):
    assert Rule("criteria_met", sessions, sets, others, Criteria(done_at_least=1.0)).text == words
    half = Rule("criteria_met", sessions, sets, others, Criteria(done_at_least=0.5)).text
    assert half.endswith("with at least 50 % of the asked reps done")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("schema =\n", "to be TOML"),
        ("schema = 3\n" + STAY, "schema"),
        ("schema = 1\n", "one [[rules]] table"),
        ('schema = 1\n[[rules]]\nadvice = "clear"\neach_set = { clean_below = 1 }\n' + STAY, "'clear'"),
        ('schema = 1\n[[rules]]\nadvice = "stop"\n' + STAY, "criteria_met, stay, step_back"),
        ('schema = 1\n[[rules]]\nadvice = "step_back"\n' + STAY, "without each_set"),
        ('schema = 1\n[[rules]]\nadvice = "step_back"\neach_set = { clean_below = 50 }\n' + STAY, "from 0 to 1"),
        ('schema = 1\n[[rules]]\nadvice = "step_back"\nsets = 0\neach_set = { clean_below = 0.5 }\n' + STAY, "sets of"),
        ('schema = 1\n[[rules]]\nadvice = "step_back"\neach_set = { luck = 1 }\n' + STAY, "'luck'"),
        ('schema = 1\n[[rules]]\nadvice = "stay"\n', "prerequisite"),
    ],
)
def test_a_bad_rule_file_is_told_in_one_sentence(text, words):
    with pytest.raises(RuleError) as told:
        parse_rules(text, "rules.toml")
    assert words in str(told.value)


# Earlier sessions.


def test_sessions_are_put_in_time_and_read_from_their_folders(tmp_path):
    for day in (5, 8):
        (tmp_path / str(day)).mkdir()
        (tmp_path / str(day) / "summary.json").write_text(json.dumps(a_session(*GOOD, day=day)))
    history = load_history([tmp_path / "5", tmp_path / "8" / "summary.json"])
    ordered = in_time(history, a_session(*GOOD))
    assert [session["recording"]["name"] for session in ordered] == ["day_10", "day_8", "day_5"]


@pytest.mark.parametrize(
    ("history", "words"),
    [
        ([a_session(*GOOD, day=8, athlete="T.S.")], "T.S."),
        ([a_session(*GOOD, day=12)], "day_12 began"),
        ([a_session(*GOOD, day=10)], "day_10 began"),
        ([a_session(*GOOD, day=8), a_session(*GOOD, day=8)], "twice"),
    ],
)
def test_a_history_that_is_none_is_refused(history, words):
    with pytest.raises(HistoryError, match=words):
        in_time(history, a_session(*GOOD))


@pytest.mark.parametrize("content", ["", "[]", "{}", '{"schema": 9, "recording": {}, "sets": []}'])
def test_a_file_that_is_no_summary_is_refused(tmp_path, content):
    (tmp_path / "summary.json").write_text(content)
    with pytest.raises(HistoryError):
        load_history([tmp_path])
