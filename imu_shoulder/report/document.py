"""Faults, exclusions and findings in docs/outputs.md, from their tables.

`python -m imu_shoulder.report.document docs/outputs.md` writes them anew.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

from imu_shoulder.assess.exclusions import EXCLUSIONS
from imu_shoulder.assess.faults import CRITERIA, FAULTS
from imu_shoulder.files import write_text
from imu_shoulder.findings import KINDS

BEGIN = "<!-- written by python -m imu_shoulder.report.document docs/outputs.md: {what} -->"
END = "<!-- end -->"


def faults_table() -> str:
    """Each fault with its criterion, what it means, and whether an arm that holds is judged by it."""
    of = {fault.name: criterion.name for criterion in CRITERIA.values() for fault in criterion.faults}
    rows = [
        f"| `{own.name}` | {of[own.name]} | {own.meaning} | {'yes' if own.of_holder else ''} |"
        for own in FAULTS.values()
    ]
    return _table("| fault | criterion | meaning | of an arm that holds |", rows)


def exclusions_table() -> str:
    """Each reason why an attempt is not scored."""
    return _table("| excluded | meaning |", [f"| `{own.name}` | {own.meaning} |" for own in EXCLUSIONS.values()])


def findings_table() -> str:
    """Each code of a finding."""
    rows = [f"| `{own.code}` | {own.severity} | {own.meaning} | {own.what_to_do} |" for own in KINDS.values()]
    return _table("| code | severity | meaning | what to do |", rows)


def _table(head: str, rows: Iterable[str]) -> str:
    return "\n".join([head, "|" + "---|" * (head.count("|") - 1), *rows])


def page(text: str) -> str:
    """The page with its tables as they are now. Raises ValueError where it lacks the place of one."""
    tables = {"faults": faults_table(), "exclusions": exclusions_table(), "findings": findings_table()}
    for what, table in tables.items():
        begin = BEGIN.format(what=what)
        before, found, rest = text.partition(begin)
        _, ended, after = rest.partition(END)
        if not found or not ended:
            raise ValueError(f"expected {begin!r} and {END!r} in the page; they are not there; put them back")
        text = f"{before}{begin}\n{table}\n{END}{after}"
    return text


if __name__ == "__main__":
    _path = Path(sys.argv[1])
    write_text(_path, page(_path.read_text(encoding="utf-8")))
