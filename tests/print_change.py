"""Statements of change on simulated seasons with known truth: python tests/print_change.py [docs/history.md].

Seeds from 0, which nothing was tuned on; with a page the table is written into it, with the date.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from scipy import stats
from seasons import KINDS, Score, days_of, practice, score, total

from imu_shoulder.history.change import MOST_FALSE

PRACTICES, ATHLETES = 200, 15
# Sessions with sensors, and drills in each: a family has 5 measures per drill and arm.
CASES = ((3, 2), (5, 2), (6, 2), (8, 1), (8, 2), (8, 4), (10, 2), (14, 2), (24, 2))
BEGIN, END = "<!-- written by python tests/print_change.py docs/history.md -->", "<!-- end -->"


def share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f}" if whole else ""


def most(sessions: int, statements: int) -> float:
    """Of changes of twice the minimal detectable one, the share in % that the best test of the family's level finds
    were everybody's scatter known and normal: by least squares on as many days, at Bonferroni's step.

    Simulated days, known power of the normal distribution.
    """
    rng = np.random.default_rng(9000)
    limit = stats.norm.isf(MOST_FALSE / statements / 2.0)
    found = []
    for _ in range(2000):
        days = days_of(rng, sessions)
        error = np.ptp(days) / np.sqrt(((days - days.mean()) ** 2).sum())
        found.append(stats.norm.sf(limit - 2.0 * 1.96 * np.sqrt(2.0) / error))
    return 100.0 * float(np.mean(found))


def row(place: int, sessions: int, drills: int) -> str:
    window = min(10, sessions)
    seeds = range(place * PRACTICES, (place + 1) * PRACTICES)
    scores = total([score(practice(seed, ATHLETES, sessions, drills, window), window) for seed in seeds])
    every = Score(*(sum(getattr(own, name) for own in scores.values()) for name in vars(Score())))
    false = [share(scores[kind].false, scores[kind].sessions) for kind in KINDS if kind != "up and down"]
    cells = [sessions, drills * 5, every.sessions, *false, share(every.false, every.sessions)]
    cells += [share(every.wrong, every.sessions), share(every.found, every.changed)]
    cells += [f"{most(window, drills * 5):.0f}"]
    return "| " + " | ".join(map(str, cells)) + " |"


def table() -> str:
    names = ("sessions", "statements", "athletes", "false: plateau", "improves", "falls back", "noisy", "all")
    names += ("wrong", "found", "at most")
    head, rule = f"| {' | '.join(names)} |", "|" + "---|" * len(names)
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
