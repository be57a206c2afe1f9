"""The Python face: its page's examples, its tables beside the files, its mistakes, and what an import costs."""

from __future__ import annotations

import ast
import doctest
import json
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

import imu_shoulder
from imu_shoulder.cautions import CAUTIONS
from imu_shoulder.errors import ColumnMapError, DrillError, ParameterError, RecordingError, ShoulderError
from imu_shoulder.measure.catalogue import all_measures

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def clean():
    return imu_shoulder.analyse(ROOT / "recordings" / "clean_warm_up")


def test_the_examples_of_the_page_say_what_it_shows(monkeypatch):
    monkeypatch.chdir(ROOT)
    examples = "\n".join(re.findall(r"^```pycon\n(.*?)^```", PAGE, flags=re.MULTILINE | re.DOTALL))
    page = doctest.DocTestParser().get_doctest(examples, {}, "docs/python.md", None, 0)
    assert len(page.examples) > 10
    said: list[str] = []
    runner = doctest.DocTestRunner(verbose=False, optionflags=doctest.NORMALIZE_WHITESPACE)
    found = runner.run(page, out=said.append)
    assert found.failed == 0, "".join(said)


def test_the_page_gives_the_cautions():
    assert all(caution in PAGE for caution in CAUTIONS)


def test_the_tables_are_those_of_the_files(clean, clean_outputs):
    reps = pd.read_csv(clean_outputs / "reps.csv", keep_default_na=False, na_values=[""])
    wanted = clean.reps.replace("", None)
    pd.testing.assert_frame_equal(reps.drop(columns="run"), wanted, check_dtype=False)
    angles = pd.read_parquet(clean_outputs / "angles.parquet")
    angles.attrs.clear()
    bare = clean.angles.copy()
    bare.attrs.clear()
    pd.testing.assert_frame_equal(angles, bare)


def test_the_summary_is_that_of_the_file(clean, clean_outputs):
    written = json.loads((clean_outputs / "summary.json").read_text(encoding="utf-8"))
    del written["run"]
    assert clean.summary == written


@pytest.mark.parametrize("table", ["reps", "angles"])
def test_every_column_of_numbers_has_its_unit_and_no_other(clean, table):
    frame = getattr(clean, table)
    units = frame.attrs["units"]
    assert list(units) == [name for name in frame.columns if pd.api.types.is_numeric_dtype(frame[name])]
    # Names carry units: those of the measures may say more than the ending does.
    own = {measure.name: measure.unit for measure in all_measures()}
    endings = {"_deg_s": "deg/s", "_deg": "deg", "_pct": "%", "_s": "s"}
    for name, unit in units.items():
        ending = next((of for end, of in endings.items() if name.removesuffix("_sd").endswith(end)), "1")
        assert unit == own.get(name, ending), name


def test_text_and_path_and_what_was_read_are_the_same(small_recording):
    one = imu_shoulder.analyse(str(small_recording)).reps
    for other in (small_recording, imu_shoulder.read(small_recording)):
        pd.testing.assert_frame_equal(imu_shoulder.analyse(other).reps, one)
    assert len(one) == 2


def test_causal_is_the_causal_form(small_recording):
    assert imu_shoulder.analyse(small_recording, causal=True).analysis.params.afterwards is False
    assert imu_shoulder.analyse(small_recording).analysis.params.afterwards is True


def test_drills_of_ones_own_are_taken(tmp_path, small_recording):
    own = (ROOT / "recordings" / "full_can_with_pauses.toml").read_text(encoding="utf-8")
    file = tmp_path / "own.toml"
    file.write_text(re.sub(r'^id = "\w+"', 'id = "full_can"', own, flags=re.MULTILINE), encoding="utf-8")
    sets = imu_shoulder.analyse(small_recording, drill_files=[str(file)]).analysis.sets
    assert [len(found.arm_set.drill.pauses) > 0 for found in sets] == [True]


def test_range_tests_are_no_sets_but_have_their_results():
    found = imu_shoulder.analyse(ROOT / "recordings" / "range_tests")
    assert len(found.reps) == 0
    assert found.summary["range"] is not None


def test_a_recording_and_what_was_found_show_themselves_in_a_line(clean):
    stream = clean.recording.streams["right_wrist"]
    for shown in (clean, clean.recording, stream, clean.analysis):
        assert len(repr(shown)) < 150
        assert "\n" not in repr(shown)
    assert "clean_warm_up" in repr(clean)
    assert "29 rows" in repr(clean)


@pytest.mark.parametrize(
    ("wrong", "error", "words"),
    [
        (lambda: imu_shoulder.read("nowhere"), RecordingError, "no such folder"),
        (lambda: imu_shoulder.analyse(7), ParameterError, "as text or Path, but it is of type int"),
        (lambda: imu_shoulder.analyse(None), ParameterError, "NoneType"),
        (lambda: imu_shoulder.read(".", column_map="nowhere.toml"), ColumnMapError, "nowhere.toml"),
        (lambda: imu_shoulder.read(".", column_map=7), ParameterError, "column map"),
        (lambda: imu_shoulder.analyse(".", drill_files=["nowhere.toml"]), DrillError, "nowhere.toml"),
        (lambda: imu_shoulder.analyse(".", drill_files="own.toml"), ParameterError, "put it in brackets"),
    ],
)
def test_a_mistake_is_one_sentence(tmp_path, monkeypatch, wrong, error, words):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(imu_shoulder.ShoulderError, match=r"^expected .+, but .+; .+$") as caught:
        wrong()
    assert type(caught.value) is error
    assert words in str(caught.value)


def test_what_is_offered_is_what_type_checkers_see():
    tree = ast.parse((ROOT / "imu_shoulder" / "__init__.py").read_text(encoding="utf-8"))
    named = {alias.name for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) for alias in node.names}
    # `face` itself is imported by the function that waits for the first use.
    assert named - {"face"} == set(imu_shoulder.__all__) - {"__version__"}
    assert set(imu_shoulder.__all__) <= set(dir(imu_shoulder))
    assert imu_shoulder.ShoulderError is ShoulderError


def test_a_name_that_is_not_there_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'analyze'"):
        _ = imu_shoulder.analyze


def test_an_import_loads_nothing_until_a_name_is_used():
    code = (
        "import sys\nbefore = set(sys.modules)\nimport imu_shoulder\n"
        "print(sorted(set(sys.modules) - before))\nimu_shoulder.read\nprint('pandas' in sys.modules)"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.splitlines() == ["['imu_shoulder']", "True"]
