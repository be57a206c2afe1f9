"""The documents hold: links lead somewhere, examples work, what is written and what is there have the same names."""

from __future__ import annotations

import json
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

from imu_shoulder import __version__
from imu_shoulder.cli import cli

ROOT = Path(__file__).parents[1]
IGNORED = {".venv", ".git", ".pytest_cache", ".hypothesis", "build"}
PAGES = sorted(path for path in ROOT.rglob("*.md") if not IGNORED & set(path.relative_to(ROOT).parts))


def text(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def anchors(page: Path) -> set[str]:
    """The names that links may use for the headings of a page."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def blocks(name: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text(name), flags=re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_relative_link_leads_somewhere(page):
    broken = []
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if re.match(r"[a-z]+:", target):
            continue
        place, _, anchor = target.partition("#")
        file = (page.parent / place).resolve() if place else page
        if not file.exists() or (anchor and anchor not in anchors(file)):
            broken.append(target)
    assert broken == []


def test_every_page_of_docs_is_linked_from_the_readme_or_another_page():
    linked = {
        (page.parent / target.partition("#")[0]).resolve()
        for page in PAGES
        for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8"))
    }
    assert [page.name for page in PAGES if page.parent == ROOT / "docs" and page not in linked] == []


def test_every_command_is_named_in_a_page():
    pages = "\n".join(page.read_text(encoding="utf-8") for page in [ROOT / "README.md", *(ROOT / "docs").glob("*.md")])
    context = cli.make_context("imu-shoulder", ["--help"], resilient_parsing=True)
    unnamed = [name for name in cli.list_commands(context) if not re.search(rf"imu-shoulder {name}\b|`{name}`", pages)]
    assert unnamed == []


def test_every_command_is_in_the_changelog():
    context = cli.make_context("imu-shoulder", ["--help"], resilient_parsing=True)
    page = text("docs/changelog.md")
    assert [name for name in cli.list_commands(context) if f"`{name}`" not in page] == []


def test_the_changelog_begins_with_this_version():
    newest = re.findall(r"^## (\S+)", text("docs/changelog.md"), flags=re.MULTILINE)[0]
    assert newest == __version__ == tomllib.loads(text("pyproject.toml"))["project"]["version"]


def test_the_readme_has_two_commands_that_set_up_everything():
    commands = [line for block in blocks("README.md", "sh") for line in block.splitlines() if "python3 -m venv" in line]
    assert len(commands) == 2
    assert commands[0].endswith("imu-shoulder demo")
    assert commands[1].endswith("pytest")


def test_ci_takes_the_test_command_from_the_readme():
    pattern = re.search(r"grep -E \"(.+?)\" README\.md", text(".ci/run"))
    assert pattern is not None
    found = subprocess.run(["grep", "-E", pattern[1], ROOT / "README.md"], capture_output=True, text=True)
    assert found.stdout.splitlines() == [line for line in text("README.md").splitlines() if line.endswith("-m pytest")]
    assert len(found.stdout.splitlines()) == 1


def test_the_readme_gives_the_cautions_of_every_report():
    from imu_shoulder.cautions import CAUTIONS

    readme = " ".join(text("README.md").split())
    for caution in CAUTIONS:
        assert caution in readme


def test_the_readme_says_how_far_it_was_checked_as_every_report_does():
    from imu_shoulder.report.words import HOW_CHECKED

    readme = re.sub(r"\[([^]]+)\]\([^)]+\)", r"\1", " ".join(text("README.md").split()))
    assert HOW_CHECKED in readme
    for page in re.findall(r"docs/\w+\.md", HOW_CHECKED):
        assert (ROOT / page).is_file()
    # What the line leans on: counts of people's open recordings are measured there.
    assert "counts without a drill" in text("docs/validation.md")


def test_the_example_drill_can_be_used():
    from imu_shoulder.drills import parse_drill

    examples = blocks("docs/drills.md", "toml")
    assert len(examples) == 1
    drill = parse_drill(examples[0], "example.toml")
    assert f"{drill.id}.toml" in text("docs/drills.md")


def test_every_key_of_a_drill_file_is_in_its_page():
    from imu_shoulder.drills import shipped_ids

    page = text("docs/drills.md")
    keys = {key for name in shipped_ids() for key in tomllib.loads(text(f"imu_shoulder/drills/{name}.toml"))} | {
        "lift_at_least_s",
        "lower_at_least_s",
        "hold_s",
        "ranges",
        "at_least",
        "at_most",
        "above",
    }
    assert [
        key for key in sorted(keys) if f"`{key}`" not in page and f"`[{key}]`" not in page and f"[[{key}]]" not in page
    ] == []


def test_every_column_is_in_the_page_of_the_results(clean_outputs):
    import pandas as pd

    page = text("docs/outputs.md")
    columns = set(pd.read_csv(clean_outputs / "reps.csv", nrows=0).columns)
    for column in pd.read_parquet(clean_outputs / "angles.parquet").columns:
        columns.add(re.sub(r"^(right|left)_", "", column).removesuffix("_sd"))
    assert [column for column in sorted(columns) if f"`{column}`" not in page] == []


def test_every_key_of_the_summary_is_in_the_page_of_the_results(clean_outputs):
    page = text("docs/outputs.md")
    summary = json.loads((clean_outputs / "summary.json").read_text())

    def keys(value) -> set[str]:
        if isinstance(value, list):
            return set().union(*map(keys, value))
        return set(value).union(*map(keys, value.values())) if isinstance(value, dict) else set()

    # What is keyed by placement, side, library, file, sensor, parameter or measure is described as a whole.
    data = ("versions", "parameters", "calibration", "data_quality", "recording", "sets")
    wanted = set(summary) | set(summary["recording"]) | keys(list(summary["calibration"].values()))
    wanted -= {key for arm in summary["calibration"].values() for key in arm["residual_deg"]}
    wanted |= keys(list(summary["data_quality"].values())) | keys(summary["findings"]) | keys(summary["sets"])
    assert set(data) <= set(summary)
    assert [key for key in sorted(wanted) if f"`{key}`" not in page and f"_{key}`" not in page] == []
