"""Statements of change on simulated seasons with known truth: python tests/print_change.py [docs/history.md].

Seeds from 0, which nothing was tuned on; with a page the table is written into it, with the date.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

from seasons import KINDS, Score, practice, score, total

PRACTICES, ATHLETES = 60, 15
# Sessions with sensors, and drills in each: a family has 5 measures per drill and arm.
CASES = ((3, 2), (5, 2), (10, 2), (14, 1), (14, 2), (24, 2))
BEGIN, END = "<!-- written by python tests/print_change.py docs/history.md -->", "<!-- end -->"


def share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f}" if whole else ""


def row(place: int, sessions: int, drills: int) -> str:
    window = min(10, sessions)
    seeds = range(place * PRACTICES, (place + 1) * PRACTICES)
    scores = total([score(practice(seed, ATHLETES, sessions, drills, window), window) for seed in seeds])
    every = Score(*(sum(getattr(own, name) for own in scores.values()) for name in vars(Score())))
    false = [share(scores[kind].false, scores[kind].sessions) for kind in KINDS if kind != "up and down"]
    cells = [sessions, drills * 5, every.sessions, *false, share(every.false, every.sessions)]
    cells += [share(every.wrong, every.sessions), share(every.found, every.changed)]
    return "| " + " | ".join(map(str, cells)) + " |"


def table() -> str:
    head = "| sessions | statements | athletes | false: plateau | improves | falls back | noisy | all | wrong | found |"
    rule = "|" + "---|" * 10
    return "\n".join([head, rule, *(row(place, *case) for place, case in enumerate(CASES))])


def main() -> None:
    found = f"{datetime.now(UTC):%Y-%m-%d}, in %:\n\n{table()}"
    print(found)
    if len(sys.argv) > 1:
        page = Path(sys.argv[1])
        before, _, rest = page.read_text(encoding="utf-8").partition(BEGIN)
        _, _, after = rest.partition(END)
        page.write_text(f"{before}{BEGIN}\n{found}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
