"""What a person reads: nobody is called cleared, safe or ready, and how soon to get help is said by one text only."""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path

import pytest

from imu_shoulder.cautions import CAUTIONS, HELP

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "imu_shoulder"
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")), ROOT / "recordings" / "README.md"]
TEMPLATES = [*PACKAGE.glob("*/web/*.html"), *PACKAGE.glob("report/assets/*.j2")]
SCRIPTS = [*PACKAGE.glob("*/web/*.js"), PACKAGE / "report" / "assets" / "report.js"]
DATA = [*PACKAGE.rglob("*.toml"), *(ROOT / "recordings").glob("*.toml"), *(ROOT / "docs").glob("*.toml")]
CODE = sorted(PACKAGE.rglob("*.py"))

CLAIMS = re.compile(
    r"\b(clear(s|ed|ance)?\s+(nobody|anyone|any\b|for\b|to\b|by\b|of\s+pain)|cleared|clearance|safe(ly|ty)?|ready"
    r"|harmless|risk[- ]free|fit\s+(to|for)\s+\w+|good\s+to\s+go|return\s+to\s+(play|sport|training)|healed)\b",
    re.IGNORECASE,
)
# Said of no person: that nobody is cleared, and of a log or a radio.
DENIALS = (
    "It clears nobody",
    "The figures clear nobody",
    "Nothing here clears anyone",
    "crash-safe log",
)
# Words of how soon to get help.
URGENT = re.compile(
    r"\b(emergency|ambulance|same day|at once for|within days|fractures?|dislocat\w+|infected|red joint|chest pain"
    r"|breathless\w*|shoulder-tip|wakes? you|loss of (strength|feeling))\b",
    re.IGNORECASE,
)


def sentences_of_code(path: Path) -> str:
    """The string constants of a module that are no docstrings and no bare names, its f-strings' parts among them."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    documented = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef))
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    texts = [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in documented
    ]
    # A command's help is its docstring.
    helps = [ast.get_docstring(node) or "" for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    return "\n".join(
        [text for text in texts if " " in text or text[:1].isupper()] + (helps if "cli" in path.parts else [])
    )


def sentences_of_script(path: Path) -> str:
    """The texts of a script that have a space in them, and those that are written as they stand."""
    found = re.findall(r'"([^"\n]*)"|`([^`]*)`', path.read_text(encoding="utf-8"))
    texts = [one or other for one, other in found]
    return "\n".join(
        text for text in texts if (" " in text or text[:1].isupper()) and not text.startswith(("M ", "body["))
    )


def sentences_of_template(path: Path) -> str:
    """What stands between the tags, and in their labels."""
    text = path.read_text(encoding="utf-8")
    labels = re.findall(r'(?:aria-label|title|alt)="([^"]*)"', text)
    return "\n".join([re.sub(r"<[^>]*>|\{%.*?%\}|\{\{.*?\}\}", " ", text), *labels])


READ = {
    **{path: path.read_text(encoding="utf-8") for path in (*PAGES, *DATA)},
    **{path: sentences_of_template(path) for path in TEMPLATES},
    **{path: sentences_of_script(path) for path in SCRIPTS},
    **{path: sentences_of_code(path) for path in CODE},
}


def claims(text: str) -> list[str]:
    """Each claim with the words around it, but for denials."""
    flat = " ".join(text.replace("**", "").split())
    for denial in DENIALS:
        flat = flat.replace(denial, "")
    return [flat[max(0, found.start() - 30) : found.end() + 30] for found in CLAIMS.finditer(flat)]


def urgency(text: str) -> list[str]:
    """Words of how soon to get help that are not the one text's."""
    flat = " ".join(text.split())
    for sentence in CAUTIONS:
        flat = flat.replace(sentence, "")
    return [flat[max(0, found.start() - 30) : found.end() + 30] for found in URGENT.finditer(flat)]


@pytest.mark.parametrize("path", READ, ids=lambda path: str(path.relative_to(ROOT)))
def test_nobody_is_called_cleared_safe_or_ready(path):
    assert claims(READ[path]) == []


@pytest.mark.parametrize("path", READ, ids=lambda path: str(path.relative_to(ROOT)))
def test_nobody_is_told_to_let_go(path):
    """With a weight at shoulder height that is the opposite of every drill here, which lowers slowly."""
    assert not re.search(r"\blet(s|ting)?\s+go\b", READ[path], re.IGNORECASE)


def test_nobody_is_called_so_in_what_is_written_either(clean_outputs):
    for name in ("report.html", "summary.json"):
        text = (clean_outputs / name).read_text(encoding="utf-8")
        assert claims(re.sub(r"<(script|style|template)\b.*?</\1>", " ", text, flags=re.DOTALL)) == []


@pytest.mark.parametrize(
    "text",
    [
        "Cleared for training.",
        "you are READY to press",
        "This level is safe.",
        "fit to throw",
        "clears you to lift? no: cleared",
    ],
)
def test_a_claim_is_found(text):
    """So that the tests above can fail."""
    assert claims(text)


@pytest.mark.parametrize("path", READ, ids=lambda path: str(path.relative_to(ROOT)))
def test_how_soon_to_get_help_is_said_in_the_words_of_the_one_text(path):
    if path == PACKAGE / "cautions.py":
        return
    assert urgency(READ[path]) == []


def test_other_words_of_urgency_are_found():
    assert urgency("See a practitioner the same day for a suspected fracture.")
    assert not urgency(" ".join(CAUTIONS))


def test_the_levels_are_told_in_the_order_of_their_urgency():
    """Murphy and Bintcliffe, BMJ 2023;382:p1255, as summarised for primary care: emergency department for suspected
    fracture, dislocation or infection and for sudden serious loss of strength or feeling. The heart's signs, from
    memory, are general first-aid knowledge: emergency help at once.
    """
    at_once, department, soon, elsewhere = HELP
    assert [line.split(":")[0] for line in HELP[:3]] == [
        "Emergency help at once",
        "Emergency department",
        "A practitioner within days",
    ]
    assert all(sign in at_once for sign in ("chest pain or pressure", "breathlessness", "arm, jaw or back", "collapse"))
    assert all(
        sign in department for sign in ("fracture", "dislocation", "hot, red, swollen, fever", "sudden serious loss")
    )
    assert all(
        sign in soon for sign in ("cannot be raised after an injury", "wakes you at night", "stays the next morning")
    )
    assert all(part in elsewhere for part in ("heart", "belly", "neck"))


@pytest.mark.parametrize("page", ["README.md", "docs/live.md"])
def test_pages_give_the_whole_text(page):
    text = " ".join((ROOT / page).read_text(encoding="utf-8").split())
    assert [caution for caution in CAUTIONS if caution not in text] == []


def test_report_and_summary_give_the_whole_text(clean_outputs):
    report = (clean_outputs / "report.html").read_text(encoding="utf-8")
    assert [caution for caution in CAUTIONS if caution not in report] == []
    assert json.loads((clean_outputs / "summary.json").read_text())["cautions"] == list(CAUTIONS)
