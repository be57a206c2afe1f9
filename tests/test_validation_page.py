"""The page of validation says what was missed: goals fail where figures miss them or are not there."""

from __future__ import annotations

import pytest
from make_validation import PAGE, kept
from validation_goals import Goal, Loses, Same, Share, TimesBetter, number, table_rows
from validation_sections import SECTIONS

TABLE = """Two ways.

| drill    | way   |   shape |   live shape | found   |
|:---------|:------|--------:|-------------:|:--------|
| full_can | ours  |    0.50 |         1.75 | 7/8     |
| full_can | plain |    1.50 |         1.50 | 8/8     |
"""
LINES = "all, as recorded      exact  85.0%  within 1  97.9%\n5 dropped by the script, 6 counted lost\n"


def test_rows_have_the_names_of_their_columns():
    rows = list(table_rows(TABLE))
    assert [row["way"] for row in rows] == ["ours", "plain"]
    assert [number(row["found"]) for row in rows] == [0.875, 1.0]


COUNTS = """
| persons | sets | exact | clean | blamed |
|:--------|-----:|------:|------:|-------:|
| calm    |   21 |    20 |   200 |      2 |
| quick   |   21 |    21 |    30 |      4 |
"""


@pytest.mark.parametrize(
    ("goal", "output", "missed"),
    [
        (Goal("shape", at_most=0.5, rows="ours"), TABLE, []),
        (Goal("shape", at_most=1.0), TABLE, ["full_can, plain, shape: 1.50, asked at most 1"]),
        (Goal("found", at_least=1.0), TABLE, ["full_can, ours, found: 7/8, asked at least 1"]),
        (Goal("hold", at_most=1.0), TABLE, ["hold: no such figure in the output"]),
        (
            Goal("shape", at_most=1.0),
            TABLE.replace("1.50 |  ", "nan |  "),
            ["full_can, plain, shape: nan, asked at most 1"],
        ),
        (
            Goal("", at_least=90.0, rows="^all", find=r"exact +([\d.]+)%"),
            LINES,
            ["all, as recorded: 85.0, asked at least 90"],
        ),
        (TimesBetter("shape", 3.0), TABLE, []),
        (TimesBetter("shape", 4.0), TABLE, ["full_can, shape: 3.0 times better than the plain way, asked at least 4"]),
        (Share("blamed", "clean", at_most=0.01), COUNTS, ["quick, blamed: 4 of 30 clean, asked at most 0.01 of them"]),
        (Share("blamed", "clean", at_most=0.01, rows="^calm"), COUNTS, []),
        (Share("exact", "sets", at_least=0.99), COUNTS, ["calm, exact: 20 of 21 sets, asked at least 0.99 of them"]),
        (Share("found", "sets", at_least=0.99), COUNTS, ["found: no such figure in the output"]),
        (Loses("live shape", "shape", 1.5), TABLE, []),
        (
            Loses("live shape", "shape", 1.0),
            TABLE,
            ["full_can, ours: live shape 1.25 more than shape, asked at most 1 more"],
        ),
        (
            Same(r"(\d+) dropped by the script, (\d+) counted"),
            LINES,
            ["5 dropped by the script, 6 counted lost: 5 is not 6"],
        ),
        (Same(r"(\d+) of (\d+)"), LINES, [r"(\d+) of (\d+): no such line in the output"]),
    ],
)
def test_a_goal_names_what_missed_it(goal, output, missed):
    assert goal.missed(output) == missed


def test_every_command_of_a_section_is_a_script_that_is_there():
    for section in SECTIONS:
        for quick in (False, True):
            assert (PAGE.parents[1] / section.words(quick)[0]).is_file()


def test_the_page_holds_every_section_with_its_command():
    texts = kept()
    assert list(texts) == [section.name for section in SECTIONS]
    for section in SECTIONS:
        text = texts[section.name]
        assert section.words(False)[0] in text or "**Not measured yet.**" in text
        assert f"Asked: {section.asked}" in text
