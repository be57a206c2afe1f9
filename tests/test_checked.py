"""A user's TOML: what is right is read, and what is wrong is told by file and key in one sentence."""

from __future__ import annotations

import math

import pytest

from imu_shoulder.checked import Checked
from imu_shoulder.drills import parse_drill
from imu_shoulder.errors import DrillError, ShoulderError

GOOD = """
schema = 1
name = "a"
blank = ""
count = 2
share = 0.5
lines = ["x", "y"]
[range]
at_least = 3
[range.inner]
at_least = 3
at_most = 2
[[item]]
n = 1
[[item]]
n = "two"
[[item.part]]
n = -1
"""


class AnyError(ShoulderError):
    pass


def top() -> Checked:
    return Checked.parse(GOOD, "mine.toml", AnyError)


def test_what_is_right_is_read():
    table = top()
    assert (table.text("name"), table.text("none", ""), table.text("blank", "")) == ("a", "", "")
    assert (table.number("share", least=0, most=1), table.number("none", 4.0)) == (0.5, 4.0)
    assert table.texts("lines") == table.texts("lines", 2) == ("x", "y")
    assert table.texts("none") == ()
    assert table.table("range").ends() == (3.0, math.inf)
    assert [item.get("n") for item in table.tables("item")] == [1, "two"]
    assert table.tables("none", least=0) == []


@pytest.mark.parametrize(
    ("look", "said"),
    [
        (lambda t: t.schema(2), "schema in mine.toml to be 2, but it is 1; correct mine.toml"),
        (lambda t: t.text("count"), "count in mine.toml to be a text, but it is 2"),
        (lambda t: t.text("blank"), "blank in mine.toml to be a text"),
        (lambda t: t.text("none"), "none in mine.toml to be a text, but it is missing"),
        (lambda t: t.choice("name", ("b", "c")), "name in mine.toml to be one of b, c"),
        (lambda t: t.number("name"), "name in mine.toml to be a number, but it is 'a'"),
        (lambda t: t.number("count", least=3), "count in mine.toml to be a number of 3 or more"),
        (lambda t: t.number("count", least=0, most=1), "count in mine.toml to be a number from 0 to 1"),
        (lambda t: t.whole("share"), "share in mine.toml to be a whole number of 0 or more"),
        (lambda t: t.texts("lines", 3), "lines in mine.toml to be a list of 3 texts"),
        (lambda t: t.table("count"), "[count] in mine.toml to be a table, but it is 2"),
        (lambda t: t.table("none", required=True), "[none] in mine.toml to be a table, but it is missing"),
        (lambda t: t.tables("none"), "one [[none]] table or more"),
        (lambda t: t.table("range").table("inner").ends(), "[range.inner] in mine.toml to be a range with at_least"),
        (lambda t: t.table("none").ends(), "[none] in mine.toml to be a range with at_least"),
        (lambda t: t.tables("item")[1].number("n"), "n of [[item]] 2 in mine.toml to be a number"),
        (
            lambda t: t.tables("item")[1].tables("part")[0].number("n", least=0),
            "n of [[part]] 1 of [[item]] 2 in mine.toml to be a number of 0 or more",
        ),
        (lambda t: t.tables("item")[0].table("x").text("y"), "y of [x] of [[item]] 1 in mine.toml to be a text"),
        (lambda t: t.tables("item")[1].known(("n",)), "keys of [[item]] 2 in mine.toml out of n, but there is 'part'"),
    ],
)
def test_what_is_wrong_is_told_by_file_and_key(look, said):
    with pytest.raises(AnyError) as told:
        look(top())
    assert said in str(told.value)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize("value", ["nan", "inf", "true", '"1"', "1" + 400 * "0"])
def test_what_is_no_finite_number_is_refused(value):
    table = Checked.parse(f"x = {value}", "f", AnyError)
    with pytest.raises(AnyError, match="x in f to be"):
        table.number("x", least=0.0)
    with pytest.raises(AnyError, match="x in f to be a number over 0"):
        table.positive("x")


@pytest.mark.parametrize("value", [5000 * "1", 5000 * "[", "2026-13-45"], ids=["digits", "brackets", "date"])
def test_what_no_reader_of_toml_can_take_is_told_in_one_sentence(value):
    with pytest.raises(AnyError, match=r"f to be (TOML|tables and values), but it is ") as told:
        Checked.parse(f"x = {value}", "f", AnyError)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("schema = 1", "schema = 2", "schema in mine.toml"),
        ('leading_angle = "elevation"', 'leading_angle = "knee"', "one of elevation"),
        ("[tempo]", "[pace]", "'pace'"),
        ("lift_at_least_s = ", "lift_at_least_s = -", "lift_at_least_s of [tempo]"),
        ("sets = ", "sets = 0 #", "sets of [dose]"),
        ('{ angle = "elevation", at_least', '{ angle = "knee", at_least', "angle of [[ranges]] 1 of [[stations]] 1"),
        (
            '{ angle = "elevation", at_least',
            '{ angle = "elevation", above = "moon", at_least',
            "above of [[ranges]] 1 of [[stations]] 1",
        ),
    ],
)
def test_a_bad_drill_is_told_in_one_sentence(old, new, said):
    from importlib import resources

    text = (resources.files("imu_shoulder.drills") / "full_can.toml").read_text(encoding="utf-8")
    assert old in text
    with pytest.raises(DrillError) as told:
        parse_drill(text.replace(old, new), "mine.toml")
    assert said in str(told.value)
    assert "\n" not in str(told.value)
