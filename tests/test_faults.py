"""One table of faults: every piece is there, the orders are kept, the page of results says each, no cue is missing."""

from __future__ import annotations

import ast
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest

from imu_shoulder.assess.fault import Criterion, Fault, range_text
from imu_shoulder.assess.faults import CRITERIA, FAULTS, RAISED, faults_in_order, in_order
from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.live.words import cue
from imu_shoulder.measure.catalogue import all_measures
from imu_shoulder.report import words
from imu_shoulder.report.document import exclusions_table, faults_table, page
from imu_shoulder.simulate.script import ATTEMPTS, possible_faults

ROOT = Path(__file__).parents[1]
# Contracts: names and orders as results have had them, typed here by hand.
NAMED = ("short_arc", "over_arc", "hold_short", "hold_broken", "too_fast", "thumb_down", "elbow_off", "plane_off")
NAMED += ("trunk_moved", "arms_together", "start_missed", "shrug", "station_skipped", "order_wrong")
ASKED = ("arc", "hold", "tempo", "thumb", "elbow", "plane", "apart", "trunk", "start", "stations", "shrug")
RAISED_FIRST = ("shrug", "trunk_moved", "thumb_down", "elbow_off", "station_skipped", "order_wrong", "short_arc")
RAISED_FIRST += ("over_arc", "hold_broken", "hold_short", "too_fast", "arms_together", "plane_off", "start_missed")
OF_HOLDER = {"short_arc", "over_arc", "hold_broken", "thumb_down", "elbow_off", "plane_off", "trunk_moved"}


def own_fault(**pieces) -> Fault:
    given = {"name": "new", "place": 1, "raised": 1, "missed": lambda drill, case: 0.0}
    return Fault(**given | {"label": "l", "advice": "a", "cue": "c", "meaning": "m"} | pieces)


def test_names_and_orders_are_those_of_earlier_results():
    assert tuple(name for name in FAULTS if name in NAMED) == NAMED
    assert tuple(name for name in CRITERIA if name in ASKED) == ASKED
    assert tuple(fault.name for fault in RAISED if fault.name in NAMED) == RAISED_FIRST
    assert {fault.name for fault in FAULTS.values() if fault.of_holder and fault.name in NAMED} == OF_HOLDER


@pytest.mark.parametrize("piece", ["name", "label", "advice", "cue", "meaning"])
def test_a_fault_that_lacks_a_piece_is_refused(piece):
    own_fault()
    with pytest.raises(ValueError, match=f"expected {piece} "):
        own_fault(**{piece: " "})


def test_a_criterion_without_numbers_or_faults_is_refused():
    given = {"name": "c", "place": 1, "label": "C", "asked": lambda drill: "all"}
    for numbers, faults in (((), (own_fault(),)), (("arc_deg",), ())):
        with pytest.raises(ValueError, match="numbers and faults of criterion c"):
            Criterion(**given, numbers=numbers, faults=faults)


def test_two_of_one_name_or_place_are_refused():
    criterion = CRITERIA["arc"]
    first, second = criterion.faults
    for change in ({"name": first.name}, {"place": first.place}, {"raised": first.raised}):
        twin = replace(criterion, faults=(first, replace(second, **change)))
        with pytest.raises(ValueError, match=f"{next(iter(change))} of a fault once"):
            faults_in_order([twin])
    for change in ({"name": "arc"}, {"place": criterion.place}):
        with pytest.raises(ValueError, match=f"{next(iter(change))} of a criterion once"):
            in_order([criterion, replace(CRITERIA["hold"], **change)])


def test_every_module_beside_the_table_is_in_it():
    names = {path.stem for path in (ROOT / "imu_shoulder" / "assess" / "faults").glob("*.py")} - {"__init__"}
    assert names == set(CRITERIA)


def test_what_shows_a_criterion_is_a_measure():
    measures = {measure.name for measure in all_measures()} | {"top_deg", "hold_s"}
    assert {number for own in CRITERIA.values() for number in own.numbers} <= measures
    assert {own.column[0] for own in CRITERIA.values() if own.column is not None} <= measures


@pytest.mark.parametrize("drill_id", shipped_ids())
def test_the_live_page_has_a_cue_for_every_fault_alone_and_the_first_of_two(drill_id):
    drill = load_shipped(drill_id)
    for fault in FAULTS.values():
        said = cue([fault.name], drill)
        assert said is not None
        assert said["code"] == fault.name
        assert said["text"].strip()
    for one, two in combinations(FAULTS, 2):
        said = cue([two, one], drill)
        assert said == cue([min(one, two, key=[fault.name for fault in RAISED].index)], drill)
    assert cue([], drill) is None


@pytest.mark.parametrize(
    ("drill_id", "name", "text"),
    [
        ("full_can", "short_arc", "higher"),
        ("band_external_rotation", "short_arc", "further"),
        ("full_can", "over_arc", "not so high"),
        ("band_external_rotation", "over_arc", "not so far"),
        ("full_can", "elbow_off", "elbow straight"),
        ("band_external_rotation", "elbow_off", "elbow bent"),
        ("row_rotate", "elbow_off", "mind the elbow"),
        ("full_can", "plane_off", "a little in front"),
        ("band_external_rotation", "plane_off", "mind the direction"),
        ("full_can", "too_fast", "slower"),
    ],
)
def test_the_cue_fits_the_drill(drill_id, name, text):
    assert cue([name], load_shipped(drill_id)) == {"code": name, "text": text}


def test_only_the_arc_is_left_unsaid_while_an_arm_holds():
    assert [fault.name for fault in FAULTS.values() if fault.quiet_in_hold] == ["short_arc"]


def test_the_report_says_each_in_words_and_an_unknown_one_by_its_name():
    assert [words.fault(name) for name in FAULTS] == [fault.label for fault in FAULTS.values()]
    assert [words.criterion(name) for name in CRITERIA] == [own.label for own in CRITERIA.values()]
    assert (words.fault("of_old"), words.criterion("of_old"), words.exclusion("of_old")) == (
        "of old",
        "Of old",
        "of old",
    )


def test_the_page_of_the_results_has_the_tables_as_they_are():
    text = (ROOT / "docs" / "outputs.md").read_text(encoding="utf-8")
    assert faults_table() in text
    assert exclusions_table() in text
    assert page(text) == text
    without = text.replace(f"| `{next(iter(FAULTS))}` |", "| |")
    assert without != text
    assert page(without) == text
    with pytest.raises(ValueError, match="put them back"):
        page("no place")


@pytest.mark.parametrize("drill_id", shipped_ids())
def test_what_the_simulator_can_do_wrong_is_judged(drill_id):
    assert possible_faults(load_shipped(drill_id)) - set(ATTEMPTS) <= set(FAULTS)


def test_no_other_file_lists_the_faults():
    """A second table beside the one: a file of the package, its simulator aside, that spells three faults or more."""
    found = {}
    for path in (ROOT / "imu_shoulder").rglob("*.py"):
        if path.parts[-2] in ("faults", "simulate"):
            continue
        nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        spelled = {node.value for node in nodes if isinstance(node, ast.Constant) and node.value in FAULTS}
        if len(spelled - {"shrug"}) > 2:
            found[path.name] = spelled
    assert found == {}


@pytest.mark.parametrize(
    ("limits", "text"),
    [
        ((-5.0, 25.0), "-5 to 25 deg"),
        ((30.0, float("inf")), "at least 30 deg"),
        ((-float("inf"), 8.0), "at most 8 deg"),
        (None, ""),
    ],
)
def test_limits_in_words(limits, text):
    assert range_text(limits) == text


@pytest.mark.parametrize(
    ("drill_id", "text"), [("full_can", "at most 25 deg"), ("band_external_rotation", "75 to 105 deg")]
)
def test_what_a_drill_asks_is_said_in_words(drill_id, text):
    """The elbow's limits as full_can.toml and band_external_rotation.toml have them."""
    asked = {name: own.asked(load_shipped(drill_id)) for name, own in CRITERIA.items()}
    assert all(isinstance(words_, str) for words_ in asked.values())
    assert asked["elbow"] == text
