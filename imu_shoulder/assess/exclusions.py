"""Why an attempt is not scored: one table, the worst first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Exclusion:
    """A reason. text: said of "Rep 3: ...". label: in the report's table. advice: what to do about the sensor, "" where
    it is no sensor's doing. meaning: its line in docs/outputs.md. given_up: an attempt of the athlete that is no rep;
    all others are reps that were done and could not be scored.
    """

    name: str
    label: str
    text: str
    meaning: str
    advice: str = ""
    given_up: bool = False


EXCLUSIONS: Mapping[str, Exclusion] = {
    found.name: found
    for found in (
        Exclusion(
            name="sensor_slip",
            label="sensor slipped",
            text="a sensor had slipped",
            meaning="a sensor had turned on its strap: every later rep of that arm",
            advice="Fasten the strap tighter, the sensor slipped",
        ),
        Exclusion(
            name="clipping",
            label="sensor overloaded",
            text="the sensor hit the end of its range in it",
            meaning="a sensor at the end of its range in it",
            advice="Use a sensor with a wider range, this one reached its end",
        ),
        Exclusion(
            name="gap",
            label="data missing",
            text="sensor data is missing in it",
            meaning="over 0.15 s of data missing in it or right beside it",
            advice="Check the sensors before the set, data is missing",
        ),
        Exclusion(
            name="heading_lost",
            label="direction lost",
            text="it was not known well enough which way the body faced",
            meaning="a drill counted by where rotation or plane is, and by nothing else, done where it was not known "
            "within 10 deg (sd) which way the body faced: after walking or long restlessness without a breastbone "
            "sensor",
            advice="Wear a sensor on the breastbone, or face one way from the pose to the last set: "
            "which way the body faced was lost",
        ),
        Exclusion(
            name="cut_by_mark",
            label="cut by the mark",
            text="the set was marked while it was under way",
            meaning="the set's start or end was marked while its lift or its lowering was under way",
        ),
        Exclusion(
            name="partial",
            label="partial",
            text="turned back before half the asked arc",
            meaning="turned back before half the asked arc",
            given_up=True,
        ),
        Exclusion(
            name="false_start",
            label="false start",
            text="a false start, a few degrees and back",
            meaning="a few degrees and back; it carries the number of the rep it precedes",
            given_up=True,
        ),
    )
}
