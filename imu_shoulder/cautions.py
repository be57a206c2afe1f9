"""The cautions: one text for the page, every report, the terminal, README and docs.

Levels of urgency after Murphy and Bintcliffe, BMJ 2023;382:p1255, as summarised for primary care, and Mitchell et al.,
BMJ 2005;331:1124. The emergency signs of the heart are general first-aid knowledge, from memory.
"""

from __future__ import annotations

# How soon to get help, the most urgent first.
HELP = (
    "Emergency help at once: chest pain or pressure, with or without breathlessness, or spreading to arm, jaw or back; "
    "and collapse.",
    "Emergency department: a suspected fracture or dislocation; a joint that may be infected (hot, red, swollen, "
    "fever); sudden serious loss of strength or feeling in the arm.",
    "A practitioner within days: an arm that suddenly cannot be raised after an injury; pain that wakes you at night "
    "or stays the next morning.",
    "Pain at the shoulder may come from the heart, the belly or the neck.",
)
CAUTIONS = (
    "This is a training aid, not a medical device. It clears nobody for anything: the licensed practitioner decides.",
    "Keep pain at or under the ceiling your practitioner set (2 of 10 where none was set). Above it: stop.",
    *HELP,
)
