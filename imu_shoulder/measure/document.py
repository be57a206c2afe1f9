"""docs/measures.md from the measures' own declarations: `python -m imu_shoulder.measure.document docs/measures.md`."""

from __future__ import annotations

import sys
from itertools import groupby
from pathlib import Path

from imu_shoulder.files import write_text
from imu_shoulder.measure.catalogue import all_measures
from imu_shoulder.measure.registry import Measure

TITLES = {
    "movement": "Arc, tempo, speed and smoothness",
    "hold": "The hold",
    "steadiness": "What the unsteadiness of a hold is made of",
    "pauses": "Pauses part-way",
    "form": "Form",
    "station_holds": "Stations",
    "scapula": "The shoulder blade",
}
HEAD = """# Measures

Written by `python -m imu_shoulder.measure.document docs/measures.md` from the declarations in `imu_shoulder/measure`:
change those, not this page. Each measure is one function of one rep and a column of `reps.csv`; it is empty where the
sensors worn, or the rep, do not show it.

The leading angle is the one whose rise and fall makes the rep of the drill. *Start*, *top* and *end* are the moments
`start_s`, `top_start_s` to `top_end_s` and `end_s`. The *settled hold* is the longest unbroken stretch at the top
without its first and last 0.3 s, and at least 0.8 s long.

What a *hold* is, `hold_s`, the angle alone tells, for the athlete, the simulators' truth and the measure in the same
words: the longest stay in the band asked for at the top, or within 3 deg of the level held. Where the drill asks for no
hold, or that level lies outside the band, the 3 deg alone count. A way out that goes no further than 5 deg, or is over
within 0.3 s, ends nothing. At the last of several stations all its ranges are the band, and the angle of the first of
them tells the level. Speed does not matter: of a stroke of 4 s to shoulder height over a second lies in the band, so
that `hold_s` is longer than from `top_start_s` to `top_end_s`, where the strokes end and begin.

How long a *stroke* takes, speed tells: it begins and ends where it comes to rest, carried on from 20 % of its peak by
how the person's strokes in this set rise and fall. That is all of a stroke of minimum jerk. One with softer ends is
longer by what moves the arm by less than 0.1 deg, which nobody sees.

No sensor here shows pain or muscle activity; the shoulder blade is seen with a sensor on the acromion only. No norms
exist for these drills: compare with the athlete's own history. The figures clear nobody: the practitioner decides.

Besides the numbers a rep has texts: `tempo`, the four fields lowering / pause at the bottom / lifting / pause at the
top in whole seconds (notation: PMC6006544; a drill that begins with the lift performs them in the order 3-4-1-2);
`pauses`, `station_holds` and `notes`, what exactly was missed and where.
"""

TABLE_HEAD = "| measure | unit | meaning | formula | source |\n|---|---|---|---|---|\n"


def page() -> str:
    """The whole page."""
    parts = [HEAD]
    ordered = sorted(all_measures(), key=lambda measure: _place(measure.group))
    for group, measures in groupby(ordered, key=lambda measure: measure.group):
        parts.append(f"\n## {TITLES.get(group, group)}\n\n{TABLE_HEAD}")
        parts += [_row(measure) for measure in measures]
    return "".join(parts)


def _place(group: str) -> tuple[int, str]:
    names = list(TITLES)
    return (names.index(group) if group in names else len(names), group)


def _row(measure: Measure) -> str:
    texts = (measure.meaning, measure.formula, measure.source)
    cells = [f"`{measure.name}`", measure.unit, *(text.replace("|", "\\|") for text in texts)]
    return f"| {' | '.join(cells)} |\n"


if __name__ == "__main__":
    write_text(Path(sys.argv[1]), page())
