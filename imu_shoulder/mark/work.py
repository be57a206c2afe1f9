"""One recording on the marking page: what is worked out of it in the background, and what the page is told of it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from imu_shoulder.align import align_recording
from imu_shoulder.analysis import Params
from imu_shoulder.drills import Drill, load_shipped, shipped_ids
from imu_shoulder.errors import ShoulderError
from imu_shoulder.mark.curves import Kind, angle_kinds, motion_kinds
from imu_shoulder.mark.keeping import Keeper, Saved, calibration_of
from imu_shoulder.mark.proposed import as_told, calibration_beside, find
from imu_shoulder.model import SIDES, TRIAL_TYPES, Event, Proposal, Recording, limbs_of
from imu_shoulder.one_run import REPORT
from imu_shoulder.pipeline import analyse
from imu_shoulder.plan import Plan
from imu_shoulder.range import shipped_tests
from imu_shoulder.sources.folder import read_recording

# Recording folder, folder for the results, told each stage: the first lines of the report.
Analyse = Callable[[Path, Path, Callable[[str], None]], Sequence[str]]
# What the stages are called on the page.
STAGES: Mapping[str, str] = {
    "reading": "reading the files",
    "align": "putting the sensors on one clock",
    "proposals": "looking for sets",
    "orient": "working out how each sensor was held",
    "calibrate": "looking for the neutral pose",
    "angles": "working out the angles",
    "sets": "counting",
    "report": "writing the report",
}
TYPE_TITLES: Mapping[str, str] = {
    "set": "Set",
    "neutral_pose": "Neutral pose",
    "elbow_bends": "Elbow bends",
    "forward_raises": "Forward raises",
    "bends_at_shoulder_height": "Elbow bends at shoulder height",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """What the page was opened with. out: folder of the results. plan: its drills come first and say what is likely."""

    analyse: Analyse
    out: Path
    plan: Plan | None = None
    drills: Mapping[str, Drill] = field(default_factory=dict)
    params: Params = field(default_factory=Params)


@dataclass(slots=True)
class _Known:
    """What is there so far. Each field is replaced as a whole, so that a reader never sees half of it."""

    head: Mapping[str, Any] | None = None
    kinds: tuple[Kind, ...] = ()
    angles: tuple[Kind, ...] = ()
    no_angles: str = ""
    proposals: tuple[Proposal, ...] | None = None
    stage: str = "reading"
    failed: str = ""
    analysis: Mapping[str, Any] = field(default_factory=lambda: {"state": "none"})


class Work:
    """What is known of one recording. Everything that computes runs in one thread after another, beside the server."""

    def __init__(self, folder: Path, asked: Asked, recording: Recording | None = None) -> None:
        """recording: of the folder, where it was read already."""
        self.folder, self.asked = folder, asked
        self.keeper = Keeper(folder)
        self._recording = recording
        self._known = _Known()
        self._one_at_a_time = threading.Lock()
        self._begun = False
        # Of the marks that the angles were worked out with.
        self._calibrated_by: tuple[Event, ...] = ()

    @property
    def report(self) -> Path | None:
        """The report of this page's own analysis."""
        return self.asked.out / REPORT if self._known.analysis["state"] == "done" else None

    def begin(self) -> None:
        """Start to work it out, once."""
        if not self._begun:
            self._begun = True
            self._in_background(self._work_out)

    def state(self) -> dict[str, Any]:
        """What the page is told each time it asks."""
        known = self._known
        return {
            "head": known.head,
            "stage": STAGES.get(known.stage, ""),
            "failed": known.failed,
            "kinds": [kind.about for kind in (*known.angles, *known.kinds)],
            "no_angles": known.no_angles,
            "proposals": None if known.proposals is None else [as_told(own) for own in known.proposals],
            "analysis": known.analysis,
            "version": self.keeper.version,
        }

    def tile(self, name: str, level: int, number: int) -> dict[str, Any] | None:
        """Part of the curves of a kind; None where there is no such part."""
        known = self._known
        kind = next((kind for kind in (*known.angles, *known.kinds) if kind.name == name), None)
        if kind is None or level >= len(kind.curves[0].levels):
            return None
        return kind.tile(level, number)

    def save(self, version: str, rows: object) -> Saved:
        """Write events.tsv. Raises ShoulderError; see Keeper.keep."""
        saved = self.keeper.keep(version, rows)
        if saved.changed and self._recording is not None:
            self._recording = replace(self._recording, events=saved.events)
            if calibration_of(saved.events) != self._calibrated_by:
                self._in_background(self._work_out_angles)
        return saved

    def analyse(self) -> bool:
        """Start the analysis of what is on the disk; False while one runs."""
        if self._known.analysis["state"] == "running":
            return False
        self._known.analysis = {"state": "running", "stage": STAGES["reading"]}
        self._in_background(self._analyse)
        return True

    def _in_background(self, work: Callable[[], None]) -> None:
        def one() -> None:
            with self._one_at_a_time:
                work()

        # Nobody waits for it at the end: what it writes appears whole or not at all.
        threading.Thread(target=one, name=work.__name__, daemon=True).start()

    def _work_out(self) -> None:
        known = self._known
        try:
            recording = self._recording or read_recording(self.folder)
            self._recording = recording
            known.stage = "align"
            # What stands in events.tsv may be wrong: it is here to be put right.
            aligned = align_recording(replace(recording, events=()), self.asked.params.align)
            known.kinds = motion_kinds(aligned)
            start_s, end_s = float(aligned.time_s[0]), float(aligned.time_s[-1])
            worn = [side for side in SIDES if any(placement in aligned.tracks for placement in limbs_of(side))]
            known.head = {**_head(recording, self.asked), "from_s": start_s, "to_s": end_s, "arms": worn}
            known.stage = "proposals"
            del aligned
            known.proposals = find(recording, self.asked.plan, self.asked.drills, self.asked.params)
        except ShoulderError as error:
            known.failed, known.stage = str(error), ""
            return
        except Exception as error:
            known.failed, known.stage = f"It cannot be worked out ({type(error).__name__}: {error}).", ""
            raise
        self._work_out_angles()

    def _work_out_angles(self) -> None:
        """The angles by the marks on the disk and by what is proposed beside them.

        Where the marks do not allow any, by what stands still in the recording, and it is said why.
        """
        known, recording = self._known, self._recording
        assert recording is not None
        self._calibrated_by = marked = calibration_of(recording.events)
        known.angles, known.no_angles = (), ""
        refused = ""
        try:
            for events in dict.fromkeys([calibration_beside(marked, known.proposals or ()), marked, ()]):
                try:
                    # All was looked for already; a pose is once more where the marked one cannot be used.
                    again = bool(marked) and not events
                    alone = replace(recording, events=events, proposals=None if again else ())
                    found = analyse(alone, self.asked.params, progress=self._tell)
                except ShoulderError as error:
                    refused = str(error)
                    continue
                known.angles = angle_kinds(found.arms, found.aligned)
                known.no_angles = found.no_pose if set(marked) <= set(events) else refused
                break
            else:
                known.no_angles = refused
        finally:
            known.stage = ""

    def _tell(self, stage: str) -> None:
        self._known.stage = stage

    def _analyse(self) -> None:
        known = self._known

        def tell(stage: str) -> None:
            known.analysis = {"state": "running", "stage": STAGES.get(stage, stage)}

        try:
            lines = self.asked.analyse(self.folder, self.asked.out, tell)
        except ShoulderError as error:
            known.analysis = {"state": "failed", "text": str(error)}
        except Exception as error:
            text = f"The analysis broke off ({type(error).__name__}: {error})."
            known.analysis = {"state": "failed", "text": text}
            raise
        else:
            known.analysis = {"state": "done", "lines": list(lines), "out": str(self.asked.out)}


def _head(recording: Recording, asked: Asked) -> dict[str, Any]:
    return {
        "name": recording.name,
        "athlete": recording.athlete,
        "start": recording.start,
        "types": [{"name": name, "title": TYPE_TITLES[name]} for name in TRIAL_TYPES],
        "drills": _drills(asked),
    }


def _drills(asked: Asked) -> list[dict[str, Any]]:
    """Every drill a set may name: of the plan, the user's own, the shipped ones, and the range tests."""
    planned = [] if asked.plan is None else [item.drill for item in asked.plan.drills]
    shipped = [load_shipped(name) for name in shipped_ids()]
    groups = {"In the plan": planned, "Your own": list(asked.drills.values()), "Drills": shipped}
    found: dict[str, dict[str, Any]] = {}
    for group, drills in groups.items():
        for drill in drills:
            own = {"title": drill.title, "directions": list(drill.directions), "group": group}
            found.setdefault(drill.id, {"name": drill.id, **own})
    for name, test in shipped_tests().items():
        found.setdefault(name, {"name": name, "title": test.title, "directions": [], "group": "Range tests"})
    return list(found.values())
