"""The report: one HTML file that needs no network and no other file."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any

import pandas as pd
from markupsafe import Markup

from imu_shoulder.cautions import CAUTIONS, HELP
from imu_shoulder.errors import OutputError
from imu_shoulder.one_run import RUN
from imu_shoulder.parameters import told
from imu_shoulder.report import figure, headlines, sections, words
from imu_shoulder.report.templates import TEMPLATES, environment

SCHEMA = 1
# The cautions that stand above the sets; those of how soon to get help follow them.
BEFORE_HELP = len(CAUTIONS) - len(HELP)
DECIDES = "The practitioner decides."  # the end of every line of advice; the report says it once above them all
REFERENCES = {
    "gravity": "Elevation is an angle about gravity, not about the trunk: leaning counts as elevation, and of someone "
    "who lies or bends over it is not given.",
    "trunk": "Elevation is measured about the trunk, by the sensor on the breastbone.",
}


def build_report(summary: Mapping[str, Any], reps: pd.DataFrame, angles: pd.DataFrame) -> str:
    """The whole page as text.

    summary: what summary.json holds. reps, angles: the tables of reps.csv and angles.parquet. So a report
    can be built again from a finished folder. Raises OutputError for a summary of another schema.
    """
    if summary.get("schema") != SCHEMA:
        raise OutputError(
            f"a summary of schema {SCHEMA}", f"it has schema {summary.get('schema')!r}", "analyse the recording again"
        )
    assets = resources.files(__package__) / "assets"
    style, chart_code, page_code, licence = (
        (assets / name).read_text(encoding="utf-8")
        for name in ("report.css", "uPlot.iife.min.js", "report.js", "uPlot.LICENSE")
    )
    style = (assets / "uPlot.min.css").read_text(encoding="utf-8") + style
    chart_code = f"/*\n{licence}\n*/\n{chart_code}"
    found, ranges = sections.build(summary, reps, angles), summary.get("range") or {}
    template = environment(TEMPLATES).get_template("report.html.j2")
    return template.render(
        policy=_policy([chart_code, page_code], style),
        style=Markup(style),
        scripts=[Markup(chart_code), Markup(page_code)],
        run=summary.get(RUN),
        recording=summary["recording"],
        date=words.date(summary["recording"]["start"]),
        length=words.clock(summary["recording"]["duration_s"]),
        said=[(kind, words.degrees(text)) for kind, text in headlines.by_kind(summary)],
        data_line=headlines.data_line(summary),
        cautions=summary["cautions"][:BEFORE_HELP],
        help=summary["cautions"][BEFORE_HELP:],
        how_checked=words.HOW_CHECKED,
        not_seen=summary["not_seen"],
        sections=found,
        data={
            "body": figure.page_geometry(),
            "curves": [section.curve for section in found if section.curve is not None],
        },
        trunks=[(name, Markup(figure.trunk_svg(view))) for view, name in enumerate(figure.VIEWS)],
        pain={"over": [], "text": "", **(summary.get("pain") or {})},
        plan=plan_lines(summary.get("plan")),
        range_table=[_plain(row) for row in (ranges.get("table") or {}).get("rows", [])],
        range_head=(ranges.get("table") or {}).get("head", []),
        ranges=[
            (words.degrees(test["title"]), _plain(test["lines"]), _plain(test["published_lines"]))
            for test in ranges.get("tests") or []
        ],
        range_notes=_plain(ranges.get("notes") or []),
        since=[words.degrees(entry["text"]) for entry in summary.get("since_last") or []],
        takes=criteria_for_next(summary.get("advice") or []),
        advice=advice_lines(summary.get("advice") or []),
        sensors=[_sensor(*item) for item in (summary.get("data_quality") or {}).items()],
        findings=[_finding(finding) for finding in headlines.findings(summary)],
        references=[REFERENCES[name] for name in summary["elevation_reference"].split("/") if name in REFERENCES],
        calibration=[
            f"{words.sentence(side)} arm: {found['text']}" for side, found in (summary.get("calibration") or {}).items()
        ],
        changed=told(summary.get("parameters_changed") or {}),
        parameters=words.flat(summary.get("parameters") or {}),
        versions=words.flat(summary.get("versions") or {}),
        files=words.flat(summary["recording"].get("sha256") or {}),
    )


def _plain(texts: Sequence[str]) -> list[str]:
    return [words.degrees(text).replace("+-", "±") for text in texts]


def plan_lines(plan: Mapping[str, Any] | None) -> list[str]:
    """The session against its plan: the count, then what was skipped, partly done, extra or out of order."""
    if not plan:
        return []
    kept = [plan["order_text"]] if plan.get("order_kept") and plan.get("order_text") else []
    return [words.degrees(line) for line in [*(plan.get("lines") or [plan["text"]]), *kept]]


def advice_lines(advice: Sequence[Mapping[str, Any]]) -> list[tuple[str, str, str, str, str]]:
    """A line per drill and arm. Stop is for all of them, and the head of the page says why: it is said once."""
    if any(item["advice"] == "stop" for item in advice):
        return [("Every drill", "stop", "stop", "", "")]
    return [_advice(item) for item in advice]


def criteria_for_next(advice: Sequence[Mapping[str, Any]]) -> str:
    """What the next step would take, where a drill is to stay and none to stop; empty where nothing is known of it."""
    if any(item["advice"] == "stop" for item in advice):
        return ""
    return next((item["next_takes"] for item in advice if item["advice"] == "stay" and item.get("next_takes")), "")


def _advice(item: Mapping[str, Any]) -> tuple[str, str, str, str, str]:
    """Whom it is for, the advice's name and its words, the first thing to know of it, and all that it comes from."""
    whom = f"{item['title']}, {item['side']} arm{', holding' if item.get('role') == 'hold' else ''}"
    text = str(item["text"]).removeprefix(f"{whom}: ").removesuffix(DECIDES)
    said, _, because = text.partition(". ")
    first = [sentence for start in FIRST_SAID if (sentence := _sentence_of(because, start))]
    for sentence in first:
        because = because.replace(sentence, "", 1)
    return whom, item["advice"], said.rstrip(". "), " ".join(first), " ".join(because.split())


# How the sentences begin that a coach reads first in a line of advice.
FIRST_SAID = ("The surgeon's", "Missing first:", "Steps to choose from")


def _sentence_of(text: str, start: str) -> str:
    """The sentence of a text that begins so; empty where there is none. A number's point ends no sentence."""
    found = re.search(rf"{re.escape(start)}.*?\.(?= |$)", text)
    return found.group() if found else ""


def _policy(scripts: list[str], style: str) -> str:
    """A Content-Security-Policy that lets exactly the page's own scripts and style run, and nothing load.

    Source: W3C Content Security Policy Level 3, hash sources: base64 of the SHA-256 of the element's text.
    """

    def source(text: str) -> str:
        return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"

    allowed = " ".join(source(script) for script in scripts)
    return f"default-src 'none'; script-src {allowed}; style-src {source(style)}; base-uri 'none'; form-action 'none'"


def _sensor(placement: str, quality: Mapping[str, Any]) -> str:
    gaps = quality.get("gap_count")
    gap_text = (
        "no gaps" if not gaps else f"{words.counted(gaps, 'gap')}, {words.number(quality['gap_total_s'], 1)} s in all"
    )
    return (
        f"{words.sentence(words.plain(placement))}: {words.number(quality.get('measured_rate_hz'), 1)} Hz "
        f"(declared {words.number(quality.get('declared_rate_hz'), 0)}), {gap_text}, "
        f"{words.number(quality.get('clipped_pct'), 1)} % overloaded"
    )


def _finding(finding: Mapping[str, Any]) -> tuple[str, str, str]:
    """Severity, its word, and the sentence with where and when."""
    where = words.sentence(words.plain(finding.get("placement") or ""))
    if words.is_number(finding.get("start_s")):
        where += f" at {words.clock(finding['start_s'])}"
    return finding["severity"], words.SEVERITIES[finding["severity"]], f"{where}: {words.degrees(finding['text'])}"
