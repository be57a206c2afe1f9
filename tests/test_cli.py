"""The commands: what they print, what they write, how light they start, and how quiet they are in a pipe."""

from __future__ import annotations

import json
import os
import pty
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from imu_shoulder import __version__
from imu_shoulder.cli import cli
from imu_shoulder.cli.summaries import SUMMARIES

ROOT = Path(__file__).parents[1]
FILES = {"reps.csv", "angles.parquet", "summary.json", "calibration.json", "report.html"}
HEAVY = ("numpy", "scipy", "pandas", "pyarrow", "vqf", "ahrs", "jinja2", "bleak", "asyncio")


def run(*args: object):
    return CliRunner().invoke(cli, [str(arg) for arg in args])


def program(*args: object, **options):
    command = [sys.executable, "-m", "imu_shoulder", *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, **options)


def commands():
    """Every command with the words that call it."""
    context = cli.make_context("imu-shoulder", ["--help"], resilient_parsing=True)
    for name in cli.list_commands(context):
        command = cli.get_command(context, name)
        yield name, command
        for inner, subcommand in getattr(command, "commands", {}).items():
            yield f"{name} {inner}", subcommand


@pytest.mark.parametrize("words", [words for words, _ in commands()])
def test_every_command_has_help(words):
    found = run(*words.split(), "--help")
    assert found.exit_code == 0
    assert f"Usage: cli {words}" in found.stdout
    assert len(re.findall(r"\w+", found.stdout.split("\n\n")[1])) >= 4


def test_every_option_has_help():
    bare = [
        f"{words} {param.opts[0]}"
        for words, command in commands()
        for param in command.params
        if param.param_type_name == "option" and not param.help
    ]
    assert bare == []


def test_the_list_of_commands_names_each_and_no_other():
    context = cli.make_context("imu-shoulder", ["--help"], resilient_parsing=True)
    assert set(SUMMARIES) == set(cli.list_commands(context))
    listed = re.findall(r"^  ([\w-]+)  ", run("--help").stdout.split("Commands:")[1], flags=re.MULTILINE)
    assert listed == cli.list_commands(context)


def test_the_module_and_the_installed_command_say_the_same_version():
    assert program("--version").stdout.strip() == f"imu-shoulder, version {__version__}"
    installed = subprocess.run(
        [Path(sys.executable).with_name("imu-shoulder"), "--version"], capture_output=True, text=True, timeout=60
    )
    assert installed.stdout.strip() == f"imu-shoulder, version {__version__}"


@pytest.mark.parametrize("args", [["--help"], ["--version"], ["analyse", "--help"], ["record", "--help"], ["nonsense"]])
def test_help_starts_without_heavy_imports(args):
    code = (
        "import sys\nfrom imu_shoulder.cli import main\n"
        f"try:\n    main({args})\nexcept SystemExit:\n    pass\n"
        f"print([name for name in {HEAVY} if name in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert found.stdout.splitlines()[-1] == "[]"


# What an analysis of marked sets has no use for.
UNUSED = ("scipy.fft", "scipy.optimize", "scipy.signal", "scipy.stats", "xml.sax", "imu_shoulder.sources.column_map")
UNUSED += ("scipy.ndimage", "numpy.f2py.crackfortran", "numpy.testing._private", "unittest", "statistics")
UNUSED += ("imu_shoulder.propose", "imu_shoulder.engine.stream", "imu_shoulder.plan", "imu_shoulder.segment.free")


def test_an_analysis_imports_only_what_it_uses(small_recording, tmp_path):
    code = (
        "import gc, sys\nfrom imu_shoulder.cli import main\n"
        f"try:\n    main(['analyse', {str(small_recording)!r}, '--out', {str(tmp_path / 'out')!r}])\n"
        "except SystemExit as end:\n    assert not end.code\n"
        f"print([name for name in {UNUSED} if name in sys.modules], gc.get_threshold()[0])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert found.stdout.splitlines()[-1] == "[] 200000"


def test_a_spared_import_is_there_for_who_uses_it():
    code = (
        "import sys\nfrom imu_shoulder.cli.spared import SPARED, spare_imports\nspare_imports()\n"
        "import numpy, scipy.spatial.transform\nassert 'numpy.testing._private' not in sys.modules\n"
        "import numpy.f2py\nfrom numpy.testing import assert_allclose\nassert_allclose(1.0, 1.0)\n"
        "spare_imports()\nprint(all(name in sys.modules for name in SPARED), callable(numpy.f2py.get_include), "
        "numpy.testing.assert_allclose is assert_allclose)"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert found.stdout.strip() == "True True True", found.stderr


def test_import_of_the_package_is_light():
    code = f"import sys, imu_shoulder, imu_shoulder.errors\nprint([n for n in {HEAVY} if n in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert found.stdout.strip() == "[]"


def test_analyse_writes_its_files_and_says_what_the_report_says(small_recording, tmp_path):
    out = tmp_path / "deep" / "out"
    found = run("analyse", small_recording, "--out", out)
    assert found.exit_code == 0, found.output
    assert {path.name for path in out.iterdir()} == FILES
    summary = json.loads((out / "summary.json").read_text())
    assert summary["sets"][0]["headline"] in found.stdout
    assert summary["sets"][0]["headline"] in (out / "report.html").read_text()
    assert found.stdout.splitlines()[-1] == f"Report: {out / 'report.html'}"
    for caution in summary["cautions"]:
        assert caution in found.stdout


def test_the_same_input_gives_the_same_bytes(small_recording, tmp_path):
    for name in ("first", "second"):
        assert run("analyse", small_recording, "--out", tmp_path / name).exit_code == 0
    for name in sorted(FILES - {"angles.parquet"}):
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes(), name


def test_older_results_are_replaced_and_other_files_kept(small_recording, tmp_path):
    (tmp_path / "reps.csv").write_text("old")
    (tmp_path / "notes.txt").write_text("mine")
    assert run("analyse", small_recording, "--out", tmp_path).exit_code == 0
    assert (tmp_path / "reps.csv").read_text().startswith("set,drill,side,rep,")
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert {path.name for path in tmp_path.iterdir()} == FILES | {"notes.txt"}


@pytest.mark.parametrize("method", ["madgwick", "mahony", "ekf"])
def test_each_filter_finds_the_reps(small_recording, tmp_path, method):
    found = run("analyse", small_recording, "--out", tmp_path, "--filter", method)
    assert found.exit_code == 0, found.output
    assert "1 set: 2 reps done, all clean." in found.stdout


def test_analyse_is_quiet_in_a_pipe(small_recording, tmp_path):
    found = program("analyse", small_recording, "--out", tmp_path)
    assert found.returncode == 0
    assert found.stderr == ""
    assert "\r" not in found.stdout
    assert "\x1b" not in found.stdout


def test_analyse_shows_its_stages_on_a_terminal_and_wipes_the_line(small_recording, tmp_path):
    command = [sys.executable, "-m", "imu_shoulder", "analyse", str(small_recording), "--out", str(tmp_path)]
    reader, writer = pty.openpty()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=writer, text=True)
    os.close(writer)
    stdout = process.communicate(timeout=120)[0]
    shown = os.read(reader, 100_000).decode()
    os.close(reader)
    assert process.returncode == 0
    for stage in ("reading", "align", "orient", "report"):
        assert f"\r\x1b[K{stage} ..." in shown
    assert shown.endswith("\r\x1b[K")
    assert "\r" not in stdout


def test_a_mistake_on_a_terminal_stands_on_a_line_of_its_own(tmp_path):
    command = [sys.executable, "-m", "imu_shoulder", "analyse", str(tmp_path / "gone"), "--out", str(tmp_path / "out")]
    reader, writer = pty.openpty()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=writer, text=True)
    os.close(writer)
    process.communicate(timeout=120)
    shown = os.read(reader, 100_000).decode()
    os.close(reader)
    assert process.returncode == 2
    assert "\r\x1b[KError: expected a recording folder" in shown


def test_a_closed_pipe_is_no_traceback(small_recording, tmp_path):
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-m", "imu_shoulder", "analyse", str(small_recording), "--out", str(tmp_path)]
    found = subprocess.run(command, stdout=writer, stderr=subprocess.PIPE, text=True, timeout=120)
    os.close(writer)
    assert "Traceback" not in found.stderr
    assert {path.name for path in tmp_path.iterdir()} == FILES


def test_a_foreign_csv_through_the_sample_map_gives_the_same_reps(small_recording, tmp_path):
    """The small recording rewritten as the sample map says it is, then analysed: same counts, same arcs."""
    import numpy as np
    import pandas as pd

    from imu_shoulder.units import STANDARD_GRAVITY_M_S2

    data = tmp_path / "foreign"
    data.mkdir()
    shutil.copy(small_recording / "events.tsv", data)
    first_s = 0.0
    for name, file in (("right_wrist", "forearm.csv"), ("right_upper_arm", "upper.csv")):
        frame = pd.read_csv(small_recording / f"{name}.csv")
        foreign = pd.DataFrame({"Stamp": (1000 * (frame["time_s"] - first_s)).round(3)})
        foreign[["AX", "AY", "AZ"]] = -frame[["acc_x", "acc_y", "acc_z"]] / STANDARD_GRAVITY_M_S2
        foreign[["GX", "GY", "GZ"]] = np.degrees(frame[["gyr_x", "gyr_y", "gyr_z"]])
        if file == "upper.csv":
            # As the map says of this file, z points the wrong way: a mirror, which turns the other two rates round.
            foreign["AZ"] *= -1
            foreign[["GX", "GY"]] *= -1
        with (data / file).open("w", encoding="utf-8") as stream:
            stream.write("a program's name\nits date\n")
            foreign.to_csv(stream, sep=";", index=False)
    found = run("analyse", data, "--out", tmp_path / "a", "--map", ROOT / "docs" / "column_map_sample.toml")
    assert found.exit_code == 0, found.output
    assert run("analyse", small_recording, "--out", tmp_path / "b").exit_code == 0
    mapped, own = (pd.read_csv(tmp_path / name / "reps.csv") for name in ("a", "b"))
    assert len(mapped) == len(own) == 2
    for column in ("arc_deg", "hold_s", "thumb_up_deg", "plane_deg"):
        np.testing.assert_allclose(mapped[column], own[column], atol=0.05)


def test_demo_needs_nothing_and_shows_faults(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    found = run("demo")
    assert found.exit_code == 0, found.output
    assert {path.name for path in (tmp_path / "demo_report").iterdir()} == FILES
    assert "Keep the shoulder down while the arm rises: rep 5." in found.stdout
    assert "not a medical device" in found.stdout


def test_demo_refuses_a_scenario_it_does_not_have(tmp_path):
    found = run("demo", "--out", tmp_path / "out", "--scenario", "perfect")
    assert found.exit_code == 2
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("command", "part"), [(("live",), "live"), (("validate", "x", "--out", "y"), "research")])
def test_a_part_that_is_not_installed_is_named(command, part, monkeypatch):
    monkeypatch.setattr("imu_shoulder.cli.extras.find_spec", lambda name: None)
    found = run(*command)
    assert found.exit_code == 2
    assert f"imu-shoulder[{part}]" in found.stderr
