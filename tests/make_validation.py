"""Writes docs/validation.md from runs: python tests/make_validation.py [--quick] [SECTION ...]

Runs the scripts that print figures, holds them against what was asked, and names what was missed. Given SECTIONS, only
these are measured anew, and the page keeps the text of the others. --quick takes fewer seeds and shorter runs.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

from validation_sections import SECTIONS, Section

from imu_shoulder import __version__

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "validation.md"
HEAD = """# How far the numbers can be trusted

Written by `python tests/make_validation.py`; do not edit. `python tests/make_validation.py --quick SECTION` measures
one section anew; the sections: {names}.

Almost everything here is held against our own simulation, whose truth is known: an invented athlete who sways,
trembles, hangs imperfectly and wears sensors with offset, noise and scale error on skin that moves. It is no sample
of people, and says nothing about how well a drill works. Open recordings of real people are used where there are some
(counts without a drill). Agreement with a goniometer has to be measured on people: [protocol.md](protocol.md) says
how; [agreement.md](agreement.md) holds published examples and simulated studies.

Each section has the command, its date, the machine, and what was asked. What was missed is named under **Missed**.
Few seeds leave rare failures unseen: with 0 failures in 8 recordings the true share can still be 31 % (one-sided
95 %, Clopper and Pearson).
"""


def machine() -> str:
    return f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"


def revision() -> str:
    """Short commit, and whether the tree differed from it."""

    def git(*words: str) -> str:
        return subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()

    changed = [line for line in git("status", "--porcelain").splitlines() if not line.endswith("docs/validation.md")]
    return git("rev-parse", "--short", "HEAD") + (" with changes" if changed else "")


def measured(section: Section, quick: bool) -> str:
    """The text of a section from running its command; exits with what the command said where it fails."""
    words = section.words(quick)
    load, begin = os.getloadavg()[0], time.monotonic()
    run = subprocess.run([sys.executable, *words], cwd=ROOT, capture_output=True, text=True)
    if run.returncode:
        sys.exit(f"{section.name}: {' '.join(words)} failed, the page is left as it was:\n{run.stderr.strip()}")
    took_s, output = time.monotonic() - begin, run.stdout.strip()
    missed = [text for goal in section.goals for text in goal.missed(output)]
    body = output if section.is_markdown else f"```text\n{output}\n```"
    said = "\n".join(["**Missed:**", "", *(f"- {text}" for text in missed)]) if missed else "**Nothing missed.**"
    return "\n\n".join(
        [
            section.about,
            f"`python {' '.join(words)}`, {datetime.now(UTC):%Y-%m-%d}, version {__version__} at {revision()}, "
            f"{took_s:.0f} s on {machine()}, load {load:.1f} before.",
            f"Asked: {section.asked}",
            said,
            body,
        ]
    )


def kept() -> dict[str, str]:
    """Texts of the sections that the page holds already."""
    page = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
    return dict(re.findall(r"<!-- begin (\S+) -->\n(.*?)\n<!-- end \1 -->", page, flags=re.DOTALL))


def write(texts: dict[str, str]) -> None:
    parts = [HEAD.format(names=", ".join(section.name for section in SECTIONS))]
    for section in SECTIONS:
        text = texts.get(section.name, f"{section.about}\n\n**Not measured yet.**\n\nAsked: {section.asked}")
        parts.append(f"## {section.title}\n\n<!-- begin {section.name} -->\n{text}\n<!-- end {section.name} -->\n")
    PAGE.write_text("\n".join(parts), encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sections", nargs="*", metavar="SECTION", help="what to measure anew; all where none is named")
    parser.add_argument("--quick", action="store_true", help="fewer seeds, shorter runs")
    options = parser.parse_args()
    known = {section.name: section for section in SECTIONS}
    if unknown := sorted(set(options.sections) - set(known)):
        parser.error(f"no section {', '.join(unknown)}; there are {', '.join(known)}")
    texts = kept()
    for name in options.sections or known:
        texts[name] = measured(known[name], options.quick)
        write(texts)
        print(name, flush=True)


if __name__ == "__main__":
    main()
