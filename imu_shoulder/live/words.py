"""The few words an athlete reads from three metres away."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from imu_shoulder.assess.faults import FAULTS, RAISED
from imu_shoulder.assess.words import HOLDER_SINKS
from imu_shoulder.drills import Drill
from imu_shoulder.engine.running import RunningSet
from imu_shoulder.live.uncounted import Uncounted
from imu_shoulder.live.view import sinks
from imu_shoulder.model import Side

STEPS: Mapping[str, str] = {
    "pose": "Stand still, arms hanging, thumbs forward",
    "bends": "Bend your elbows and straighten them fully, three times, upper arms still",
    "raises": "Raise your straight arms forward to shoulder height twice",
    "high": "As far as it does not hurt, or leave it out: arms up to the side, thumbs up; bend your elbows there twice",
    "ready": "Calibration is complete",
}
# Of one arm alone, by its side.
ONE_ARM: Mapping[str, str] = {
    "bends": "Bend your {0} elbow and straighten it fully, three times, upper arm still",
    "raises": "Raise your straight {0} arm forward to shoulder height twice",
    "high": "As far as it does not hurt, or leave it out: {0} arm up to the side, thumb up; bend the elbow there twice",
}
# Of an arm that is to hold while the other one lifts, and no longer can.
LOWER_BOTH: Mapping[str, str] = {"code": "holder_sinks", "text": "lower both arms"}


def step_text(step: str, side: Side | None) -> str:
    """What a step of the calibration asks; side: of one arm alone."""
    return ONE_ARM[step].format(side) if side is not None and step in ONE_ARM else STEPS[step]


def cue(faults: Collection[str], drill: Drill) -> dict[str, str] | None:
    """The most important of the faults, in the order in which a coach would raise them; None without any."""
    fault = next((fault for fault in RAISED if fault.name in faults), None)
    if fault is None:
        return None
    in_drill = "" if fault.cue_in_drill is None else fault.cue_in_drill(drill)
    return {"code": fault.name, "text": in_drill or fault.cue}


class Cues:
    """What the newest of the final reps lacked: said for stays_s, and not how high where the arm is high enough now.

    uncounted: what is said where no rep is counted.
    """

    def __init__(self, stays_s: float, uncounted: Uncounted) -> None:
        self._stays_s, self._uncounted = stays_s, uncounted
        self._told = 0
        self._cue: tuple[float, Mapping[str, str]] | None = None

    def begin(self) -> None:
        """A set begins."""
        self._told, self._cue = 0, None
        self._uncounted.begin()

    def end(self) -> None:
        self._cue = None

    def look(self, live: RunningSet, drill: Drill, now_s: float) -> None:
        self._uncounted.look(live, now_s)
        reps = [final for finals in live.final.values() for final in finals]
        if len(reps) > self._told:
            self._told = len(reps)
            latest = max(reps, key=lambda final: final.known_s)
            said = cue(latest.judged.faults, drill)
            self._cue = None if said is None else (latest.known_s, said)

    def now(self, now_s: float, running: RunningSet | None) -> dict[str, str] | None:
        """A holding arm that sinks comes before all."""
        watches = [] if running is None else list(running.watches.values())
        if any(map(sinks, watches)):
            return dict(LOWER_BOTH)
        if self._cue is None or now_s - self._cue[0] > self._stays_s:
            return None if running is None else self._uncounted.now()
        holds = any(watch.phase == "hold" for watch in watches)
        return None if holds and FAULTS[self._cue[1]["code"]].quiet_in_hold else dict(self._cue[1])


def summary(parts: Sequence[tuple[str, str, str]]) -> dict[str, Any]:
    """Of a set, before pain was told. parts: of each arm, its side, headline and what to change."""

    def told(side: str, text: str) -> str:
        return f"{side.capitalize()}: {text}" if len(parts) > 1 else text

    # What keeps the athlete from harm comes before what makes the drill better.
    changes = sorted(parts, key=lambda part: not part[2].startswith(HOLDER_SINKS))
    return {
        "headline": " ".join(told(side, text) for side, text, _ in parts) or "The sensors worn do not show this drill.",
        "change": " ".join(told(side, text) for side, _, text in changes if text),
        "pain_needed": True,
    }
