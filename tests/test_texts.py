"""An athlete's text is shown and never obeyed: in terminals, spreadsheets and pages."""

from __future__ import annotations

import csv
import io
import shutil

import pandas as pd
import pytest
from bad_workspace import DRILL, ROOT, run
from hypothesis import given
from hypothesis import strategies as st

from imu_shoulder.texts import as_written, csv_text, visible

FORMULAS = ["=1+1", "+cmd", "-2+3", "@SUM(A1)", "\t=1", "\r=1"]
PLAIN = ["full_can", "", "-12.5", "+3", "3/1/2/0", "'quoted'", "n/a", "a=b"]


@pytest.mark.parametrize("cell", FORMULAS)
def test_a_text_like_a_formula_is_written_as_text(cell):
    table = pd.DataFrame({"note": [cell, "x"], "n": [-1.5, 2.0]})
    rows = list(csv.reader(csv_text(table).splitlines(keepends=True)))
    assert rows[1] == [f"'{cell}".replace("\r", " "), "-1.5"]
    assert as_written(pd.DataFrame({"note": [f"'{cell}"]}))["note"].tolist() == [cell]


@pytest.mark.parametrize("cell", PLAIN)
def test_other_texts_stay(cell):
    table = pd.DataFrame({"note": [cell, "x"]})
    assert csv_text(table) == table.to_csv(index=False, lineterminator="\n")
    assert as_written(table).equals(table)


@given(st.text(st.characters(exclude_characters="\r", exclude_categories=["Cs"])), st.booleans())
def test_what_is_written_comes_back(text, formula):
    cell = f"={text}" if formula else text
    rows = list(csv.reader(io.StringIO(csv_text(pd.DataFrame({"note": [cell]})), newline="")))
    assert len(rows) == 2
    assert not rows[1][0].startswith(("=", "@", "\t"))
    bare = text.startswith("'") and not formula
    assert bare or as_written(pd.DataFrame({"note": rows[1]}))["note"].tolist() == [cell]


@given(st.text())
def test_nothing_that_a_terminal_obeys_is_left(text):
    shown = visible(text)
    assert all(letter == "\n" or letter.isprintable() or ord(letter) > 0x9F for letter in shown)
    assert "\u202e" not in shown


def test_a_text_without_such_letters_stays():
    assert visible("Zoë 5 °\nß") == "Zoë 5 °\nß"


@pytest.fixture(scope="module")
def results(small_recording, tmp_path_factory):
    """Of a drill whose id and station begin like formulas, by an athlete whose name is an attack."""
    place = tmp_path_factory.mktemp("texts")
    shutil.copytree(small_recording, place / "r")
    text = DRILL.read_text().replace('id = "full_can"', "id = '=HYPERLINK(1)'")
    text = text.replace('title = "Full can raise"', r'title = "<script>alert(1)</script>\u001b[2J"')
    (place / "drill.toml").write_text(text.replace('name = "top"', "name = '@top'"))
    for name, old, new in (
        ("recording.toml", 'athlete = "', r'athlete = "<img src=x onerror=alert(1)>\u001b]0;x\u0007'),
        ("events.tsv", "full_can", "=HYPERLINK(1)"),
    ):
        path = place / "r" / name
        assert old in path.read_text()
        path.write_text(path.read_text().replace(old, new))
    found = run(f"analyse {place}/r --drill-file {place}/drill.toml --out {place}/o")
    assert found.exit_code == 0, found.output
    return found, place / "o"


def test_reps_csv_holds_no_formula(results):
    with (results[1] / "reps.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {row["drill"] for row in rows} == {"'=HYPERLINK(1)"}
    for row in rows:
        for name, cell in row.items():
            number = cell.lstrip("-").replace(".", "", 1).replace("e", "", 1).isalnum()
            assert not cell.startswith(("=", "+", "@", "\t")), name
            assert not cell.startswith("-") or number, name


def test_the_terminal_is_told_nothing_to_obey(results):
    assert "\x1b" not in results[0].output
    assert "\x07" not in results[0].output


def test_the_report_holds_no_markup_of_the_athletes(results):
    page = (results[1] / "report.html").read_text()
    assert "<img src=x" not in page
    assert "<script>alert" not in page


def test_the_report_written_again_shows_the_name_without_apostrophe(results, tmp_path):
    again = run(f"report {results[1]} --out {tmp_path}")
    assert again.exit_code == 0, again.output
    assert (tmp_path / "report.html").read_text() == (results[1] / "report.html").read_text()


def test_every_table_goes_through_one_place():
    """So that a new one cannot forget it; tab-separated tables are read by programs, not by spreadsheets."""
    for path in (ROOT / "imu_shoulder").rglob("*.py"):
        if path.name not in ("texts.py", "bids_write.py"):
            assert ".to_csv(" not in path.read_text(), path.name
    for path in (ROOT / "imu_shoulder" / "cli").glob("*.py"):
        if path.name not in ("say.py", "progress.py"):
            assert "click.echo" not in path.read_text(), path.name
