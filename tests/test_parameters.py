"""--params: any parameter by its name, what is refused, and that results say what they were made with."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import asdict, fields, replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from constants_page import classes, explained, number, sources, unit_of
from write_constants import FACTORS, moved, numeric

import imu_shoulder
from imu_shoulder.analysis import BY_OPTION, IN_ORDER, Params, load_params
from imu_shoulder.calibrate.store import read_calibration, require_same_parameters
from imu_shoulder.cli import cli
from imu_shoulder.errors import CalibrationError, ParameterError
from imu_shoulder.live.run import Settings
from imu_shoulder.model import Recording
from imu_shoulder.parameters import MOST_TIMES, built_in, changed, told, values_of, with_values
from imu_shoulder.plan import Plan, PlannedDrill

ROOT = Path(__file__).parents[1]
NUMBERS = numeric()


def run(*args: object):
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def as_toml(values: dict[str, object]) -> str:
    """A file of parameters, by dotted name."""
    tables: dict[str, list[str]] = {}
    for name, value in values.items():
        table, _, key = name.rpartition(".")
        tables.setdefault(table, []).append(f"{key} = {json.dumps(value)}")
    return "".join(f"[{table}]\n" + "\n".join(lines) + "\n" for table, lines in tables.items())


@pytest.fixture
def file(tmp_path):
    def write(text: str) -> Path:
        path = tmp_path / "mine.toml"
        path.write_text(text)
        return path

    return write


def other(value):
    """A value near the built-in one."""
    if isinstance(value, tuple):
        return [0.9 * one for one in value]
    return value + 1 if isinstance(value, int) else 0.95 * value


# What a file can set.


def test_a_file_sets_every_parameter(file):
    new = {name: 50.0 if value is None else other(value) for name, value in NUMBERS.items()}
    new["angles.estimate_skin"] = False
    params = load_params(file(as_toml(new)))
    assert set(new) | set(BY_OPTION) == set(built_in(Params))
    assert set(params.changed) == set(new)
    for name, value in values_of(params).items():
        if name in new:
            assert value == (tuple(new[name]) if isinstance(new[name], list) else new[name]), name


def test_names_are_the_keys_of_the_summary():
    def flat(table, before=""):
        for key, value in table.items():
            yield from flat(value, f"{before}{key}.") if isinstance(value, dict) else [f"{before}{key}"]

    assert list(flat(asdict(Params()))) == list(values_of(Params())) == list(built_in(Params))


def test_what_a_file_leaves_out_stays(file):
    params = load_params(file("[judge]\nleast_sd_deg = 3\n"))
    assert params == replace(Params(), judge=replace(Params().judge, least_sd_deg=3.0))
    assert params.changed == {"judge.least_sd_deg": {"value": 3.0, "built_in": 1.0}}


def test_an_empty_table_changes_nothing(file):
    assert load_params(file("[orient.stillness]\n[judge]\n")) == Params()


def test_a_value_that_is_the_built_in_one_is_no_change(file):
    assert load_params(file("[judge]\nleast_sd_deg = 1\n")).changed == {}


@pytest.mark.parametrize("name", NUMBERS)
@pytest.mark.parametrize("way", FACTORS)
def test_half_and_double_are_possible_where_no_other_value_limits_them(name, way):
    value = moved(NUMBERS[name], FACTORS[way])
    if value is None:
        return
    limited = name.endswith("share") or name.startswith("align.") or any(name in pair for pair in IN_ORDER)
    try:
        assert values_of(with_values(Params(), {name: value}))[name] == value
    except ParameterError:
        if not limited:
            raise


# What is refused.

REFUSED = {
    "a name of no table": (
        "[orient.stillness]\nquiet_rad_s = 0.05",
        "orient.stillness.quiet_rad_s",
        "heading.quiet_rad_s",
    ),
    "a misspelt name": ("[judge]\nleast_sdd_deg = 2", "judge.least_sdd_deg", "the nearest is judge.least_sd_deg"),
    "a misspelt table": ("[orient.stilness]\nwindow_s = 2", "orient.stilness", "the nearest is orient.stillness"),
    "a table under a value": ("[judge.gap_s]\nx = 1", "gap_s", "to be a number"),
    "a value for a table": ("judge = 1", "[judge]", "to be a table"),
    "a text": ("[judge]\nleast_sd_deg = 'wide'", "least_sd_deg of [judge]", "to be a number"),
    "true for a number": ("[judge]\nleast_sd_deg = true", "least_sd_deg of [judge]", "to be a number"),
    "a number for a flag": ("[angles]\nestimate_skin = 1", "estimate_skin", "true or false"),
    "half a link": ("[heading]\nlinks = 2.5", "links of [heading]", "a whole number"),
    "no links": ("[heading]\nlinks = 0", "heading.links", "from 1 to"),
    "a negative size": ("[judge]\nstart_margin_deg = -1", "judge.start_margin_deg", "from 0 to"),
    "no size": ("[orient]\ntau_acc_s = 0", "orient.tau_acc_s", "from 0.1 to 90"),
    "not a number": ("[orient]\ntau_acc_s = nan", "tau_acc_s of [orient]", "nan"),
    "infinite": ("[orient]\ntau_acc_s = inf", "tau_acc_s of [orient]", "finite"),
    "degrees for radians": ("[heading]\nquiet_rad_s = 5.0", "heading.quiet_rad_s", "2.618"),
    "more than all of it": ("[segment.reps]\nattempt_share = 1.2", "segment.reps.attempt_share", "to 1 in"),
    "an empty list": ("[slip]\npulse_s = []", "pulse_s of [slip]", "a list of numbers"),
    "a list with a text": ("[slip]\npulse_s = [0.3, 'b']", "pulse_s of [slip]", "a list of numbers"),
    "one of a list out of range": ("[slip]\npulse_s = [0.3, 99]", "slip.pulse_s", "it is 99"),
    "what the class refuses": ("[align]\nbridge_s = 0.3", "bridge_s from 0 to 0.15", "mine.toml"),
    "a contradiction": ("[segment.reps]\ncounts_share = 0.2", "partial_share less than", "0.25 and 0.2"),
    "what an option sets": ("afterwards = false", "afterwards", "--causal"),
    "the filter": ("[orient]\nmethod = 'ekf'", "orient.method", "--filter"),
    "no TOML": ("judge: 1", "mine.toml", "TOML"),
    "nothing": ("", "mine.toml", "empty"),
}


@pytest.mark.parametrize(("text", "name", "said"), REFUSED.values(), ids=REFUSED)
def test_it_is_refused_in_one_sentence(file, small_recording, tmp_path, text, name, said):
    found = run("analyse", small_recording, "--params", file(text), "--out", tmp_path / "out")
    assert found.exit_code == 2, found.output
    lines = found.stderr.splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("Error: expected ")
    for part in (name, said, "mine.toml"):
        assert part in lines[0]
    assert not (tmp_path / "out").exists()


def test_a_file_that_is_not_there_is_refused(small_recording, tmp_path):
    found = run("analyse", small_recording, "--params", tmp_path / "none.toml", "--out", tmp_path / "out")
    assert found.exit_code == 2
    assert "none.toml" in found.stderr


@pytest.mark.parametrize("times", [1.01 * MOST_TIMES, 0.99 / MOST_TIMES])
def test_a_slip_of_the_pen_is_refused_from_python_too(times):
    with pytest.raises(ParameterError, match=re.escape("orient.tau_acc_s")):
        replace(Params(), orient=replace(Params().orient, tau_acc_s=3.0 * times))


# What results say of it.


@pytest.fixture(scope="module")
def wide(small_recording, tmp_path_factory):
    """Results in which no angle is known to less than 25 deg and stillness is judged otherwise, and the file for it."""
    folder = tmp_path_factory.mktemp("wide")
    (folder / "wide.toml").write_text("[judge]\nleast_sd_deg = 25\n[orient.stillness]\nwindow_s = 0.8\n")
    found = run("analyse", small_recording, "--params", folder / "wide.toml", "--out", folder / "out")
    assert found.exit_code == 0, found.output
    return folder, found.stdout


CHANGES = {
    "orient.stillness.window_s": {"value": 0.8, "built_in": 1.0},
    "judge.least_sd_deg": {"value": 25.0, "built_in": 1.0},
}
SENTENCE = "judge.least_sd_deg 25 (not 1)"


def test_all_outputs_say_which_were_changed(wide):
    folder, said = wide
    summary = json.loads((folder / "out/summary.json").read_text())
    assert summary["parameters_changed"] == CHANGES
    assert summary["parameters"]["judge"]["least_sd_deg"] == 25.0
    assert json.loads((folder / "out/calibration.json").read_text())["parameters_changed"] == CHANGES
    report = (folder / "out/report.html").read_text()
    set_up = report.partition("How the angles were set up")[2].partition("<details>")[0]
    assert SENTENCE in set_up
    assert SENTENCE in said
    assert run("report", folder / "out", "--paper", "--out", folder / "paper").exit_code == 0
    assert SENTENCE in (folder / "paper/methods.md").read_text()


def test_nothing_is_said_where_nothing_was_changed(small_recording, tmp_path):
    found = run("analyse", small_recording, "--out", tmp_path / "out")
    assert json.loads((tmp_path / "out/summary.json").read_text())["parameters_changed"] == {}
    for text in (found.stdout, (tmp_path / "out/report.html").read_text()):
        assert "other than the built-in ones" not in text


def test_the_other_ways_of_an_analysis_are_named_too(small_recording, tmp_path):
    assert run("analyse", small_recording, "--causal", "--out", tmp_path / "out").exit_code == 0
    changes = json.loads((tmp_path / "out/summary.json").read_text())["parameters_changed"]
    assert changes == {"afterwards": {"value": False, "built_in": True}}


def test_the_value_reaches_the_judge(file):
    """The trunk leans by 14 deg in one rep; where that is known to 25 deg it is too close to the 8 asked to call."""
    recording = ROOT / "recordings/faulty_warm_up"
    usual = imu_shoulder.analyse(recording)
    wide = imu_shoulder.analyse(recording, params=file("[judge]\nleast_sd_deg = 25\n"))
    assert usual.reps["faults"].str.contains("trunk_moved").any()
    assert not wide.reps["faults"].str.contains("trunk_moved").any()
    assert len(wide.reps) == len(usual.reps)


def test_a_report_of_an_older_summary_is_still_written(wide, tmp_path):
    from imu_shoulder.report.headlines import terminal_lines
    from imu_shoulder.validate.results import read_results

    found = read_results(wide[0] / "out")
    older = {key: value for key, value in found.summary.items() if key != "parameters_changed"}
    assert not any("built-in" in line for line in terminal_lines(older))


def test_the_sentence_has_every_kind_of_value():
    params = with_values(Params(), {"align.rate_hz": 50.0, "slip.pulse_s": (0.2, 0.4), "angles.estimate_skin": False})
    said = told(changed(params))
    for part in ("align.rate_hz 50 (not the declared rate)", "slip.pulse_s 0.2 and 0.4 (not 0.3 and 0.5)"):
        assert part in said
    assert "angles.estimate_skin no (not yes)" in said


# Which results go together.


def test_a_calibration_of_other_parameters_is_refused(wide, small_recording, tmp_path):
    calibration = wide[0] / "out/calibration.json"
    found = run("analyse", small_recording, "--calibration", calibration, "--out", tmp_path / "out")
    assert found.exit_code == 2
    assert "these differ: orient.stillness.window_s;" in found.stderr
    again = ("--params", wide[0] / "wide.toml", "--calibration", calibration)
    assert run("analyse", small_recording, *again, "--out", tmp_path / "out").exit_code == 0


def test_what_comes_after_the_seat_may_differ(wide):
    stored = read_calibration(wide[0] / "out/calibration.json")
    require_same_parameters(stored, {"orient.stillness.window_s": CHANGES["orient.stillness.window_s"]})
    same = dict(CHANGES) | {"judge.least_sd_deg": {"value": 2.0, "built_in": 1.0}, "afterwards": {"value": False}}
    require_same_parameters(stored, same)
    with pytest.raises(CalibrationError, match=r"orient\.stillness\.window_s"):
        require_same_parameters(stored, {"orient.stillness.window_s": {"value": 0.9, "built_in": 1.0}})


def test_sessions_judged_otherwise_are_no_history(wide, small_recording, tmp_path):
    import shutil

    later = Path(shutil.copytree(small_recording, tmp_path / "later"))
    text = (later / "recording.toml").read_text()
    (later / "recording.toml").write_text(re.sub(r'start = "\d{4}', 'start = "2031', text))
    found = run("analyse", later, "--history", wide[0] / "out", "--out", tmp_path / "out")
    assert found.exit_code == 2
    assert "these differ: judge.least_sd_deg, orient.stillness.window_s;" in found.stderr
    same = ("--params", wide[0] / "wide.toml", "--history", wide[0] / "out")
    assert run("analyse", later, *same, "--out", tmp_path / "out").exit_code == 0


# Every command.


@pytest.mark.parametrize("command", ["analyse", "live", "range", "validate", "export", "compare-filters"])
def test_every_command_that_computes_takes_a_file(command):
    context = cli.make_context("imu-shoulder", ["--help"], resilient_parsing=True)
    assert "params_file" in {option.name for option in cli.get_command(context, command).params}


def test_exports_say_which_were_changed(wide, small_recording, tmp_path):
    for form, origin in (("tables", "origin.json"), ("bids", "code/origin.json")):
        out = tmp_path / form
        found = run("export", small_recording, "--format", form, "--params", wide[0] / "wide.toml", "--out", out)
        assert found.exit_code == 0, found.output
        assert json.loads((out / origin).read_text())["parameters_changed"] == CHANGES


def test_range_says_which_were_changed(tmp_path):
    (tmp_path / "p.toml").write_text("[uncertainty]\npose_out_deg = 4\n")
    out = ("--out", tmp_path / "out")
    found = run("range", ROOT / "recordings/range_tests", "--params", tmp_path / "p.toml", *out)
    assert found.exit_code == 0, found.output
    assert "uncertainty.pose_out_deg 4 (not 3)" in found.stdout
    changes = json.loads((tmp_path / "out/range.json").read_text())["parameters_changed"]
    assert changes == {"uncertainty.pose_out_deg": {"value": 4.0, "built_in": 3.0}}


def test_the_page_is_worked_out_with_them_too():
    from imu_shoulder.drills import load_shipped

    said: list[str] = []
    params = with_values(Params(), {"judge.gap_s": 0.3})
    drill = load_shipped("full_can")
    plan = Plan("one", "M.K.", (PlannedDrill(drill, "right", 1, {"right": 3}),))

    def analyse(recording: Recording, *_: object) -> None:
        raise AssertionError

    settings = Settings(analyse, said.append, {}, plan, "full_can", None, 8230, None, params=params)
    session = settings.session(plan, {"right_wrist": 100.0, "right_upper_arm": 100.0})
    assert session._params.flow == replace(params, afterwards=False)
    assert said == [told(params.changed)]


# The page of constants.


@pytest.mark.parametrize("name", NUMBERS)
def test_every_constant_says_what_it_is_and_where_it_comes_from(name):
    """In the docstring of its class: by name in the text, and in the paragraph that begins with "Sources."."""
    table, _, key = name.rpartition(".")
    kind = classes()[table]
    assert re.search(rf"\b{key}\b", explained(kind)), f"{kind.__name__} does not explain {key}"
    assert sources(kind).get(key), f"{kind.__name__} does not say where {key} comes from"


@pytest.mark.parametrize("kind", classes().values(), ids=classes())
def test_no_source_is_of_a_constant_that_is_gone(kind):
    assert set(sources(kind)) <= {field.name for field in fields(kind)}


def test_units_come_from_names():
    assert [unit_of(n) for n in ("a.rest_s", "a.quiet_rad_s", "a.least_rad", "a.shrug_sds", "a.cap", "a.rate_hz")] == [
        *("s", "rad/s", "rad", "standard deviations", "", "Hz")
    ]
    assert unit_of("orient.stillness.bias_walk_rad_s_sqrt_s") == "rad/s/√s"
    assert unit_of("orient.offset.still_m_s2") == "m/s²"


def test_the_page_has_every_constant_with_its_value():
    """Write it again with tests/write_constants.py where this fails; what was not tried since is said there."""
    page = (ROOT / "docs/constants.md").read_text(encoding="utf-8")
    tables = dict(re.findall(r"^## ([\w.]+)\n(.*?)(?=^## |\Z)", page, flags=re.MULTILINE | re.DOTALL))
    rows = {
        f"{table}.{key}": value
        for table, text in tables.items()
        for key, value in re.findall(r"^\| `(\w+)` \| ([^|]+) \|", text, flags=re.MULTILINE)
    }
    assert rows == {name: number(name, value) for name, value in NUMBERS.items()}


def test_the_example_of_the_page_can_be_used(file):
    text = (ROOT / "docs/parameters.md").read_text(encoding="utf-8")
    example = re.search(r"```toml\n(.*?)```", text, flags=re.DOTALL)[1]
    assert tomllib.loads(example)
    assert set(load_params(file(example)).changed) == {"orient.stillness.window_s", "judge.least_sd_deg"}
