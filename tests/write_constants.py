"""Moves every constant of the analysis to half and to twice its value, and writes docs/constants.md. Not part of CI.

    python tests/write_constants.py run  --state DIR   half an hour of one core; goes on where it was stopped
    python tests/write_constants.py page --state DIR   docs/constants.md from what has run so far

DIR lies outside the tree. --only NAME ...: the constants whose dotted names begin so. The sessions are those of
constants_population.py. What a constant is, and where it comes from, stands in the docstring of its class.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import time
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from constants_page import is_still, page
from constants_population import Session, close_calls, population

from imu_shoulder import pipeline
from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.drills import load_shipped
from imu_shoulder.engine import whole
from imu_shoulder.errors import ParameterError, ShoulderError
from imu_shoulder.live.params import LiveParams
from imu_shoulder.live.replay import plan_for_recording, run
from imu_shoulder.live.session import LiveSession
from imu_shoulder.parameters import built_in, changed, with_values
from imu_shoulder.sources import RecordingSource

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "constants.md"
FACTORS = {"half": 0.5, "double": 2.0}
# Read by streams alone, and tried on the sessions that are played as live.
OF_STREAMS = ("stream.", "align.latency_s", "slip.sure_evidence")
CHUNK_S = 0.1
# An arm's set with less of an angle than this many rows says nothing of it.
LEAST_ROWS = 50
# A set that is off by more has lost its way; how far no longer matters, and would drown the others.
MOST_OFF_DEG = 30.0


@dataclass(frozen=True, slots=True)
class Rep:
    """One row of reps.csv, as far as it is compared."""

    set: int
    side: str
    kind: str
    start_s: float
    end_s: float
    verdict: str
    hold_s: float


@dataclass(frozen=True, slots=True)
class Found:
    """What one session gave. errors_deg: by angle, one RMSE per set and arm; holds_s: absolute errors; sds_deg: means
    by column; inside: share of the rows within 1.96 sd of the truth; frames: what the page said, one text each.
    """

    reps: Sequence[Rep] = ()
    off: int = 0
    errors_deg: Mapping[str, Sequence[float]] | None = None
    holds_s: Sequence[float] = ()
    findings: frozenset[str] = frozenset()
    sds_deg: Sequence[float] = ()
    frames: Sequence[str] = ()
    refused: str = ""
    failed: str = ""


def remembered(work: Callable[..., Any]) -> Callable[..., Any]:
    """A stage that works a thing out once, as long as the parameters it is given are the built-in ones: most constants
    are read after it."""
    known: dict[int, Any] = {}

    def again(first: Any, *others: Any) -> Any:
        if any(changed(given) for given in others if is_dataclass(given)):
            return work(first, *others)
        if id(first) not in known:
            known[id(first)] = first, work(first, *others)  # kept, so that no other object gets its id
        return known[id(first)][1]

    return again


def numeric() -> dict[str, Any]:
    """Every constant with a number, by dotted name."""
    return {name: value for name, value in built_in(Params).items() if not isinstance(value, bool | str)}


def moved(value: Any, factor: float) -> Any:
    """The constant times the factor, of its own type; None where there is no number to move."""
    if isinstance(value, tuple):
        return tuple(one * factor for one in value)
    return None if value is None else max(1, int(value * factor)) if isinstance(value, int) else value * factor


def find(session: Session, params: Params, played: bool) -> Found:
    """The session worked out with these parameters; played: as a stream, with what the page says. A session that is
    refused has no reps."""
    try:
        analysis = pipeline.analyse(session.recording, replace(params, afterwards=not played))
        frames = tuple(_frames(session, params)) if played else ()
    except ShoulderError as error:
        return Found(off=len(session.reps), refused=str(error))
    except Exception:  # a value that breaks the program is a finding of this script
        return Found(off=len(session.reps), failed=traceback.format_exc(limit=-1))
    return replace(_found(session, analysis), frames=frames)


def _found(session: Session, analysis: Analysis) -> Found:
    reps, holds = [], []
    for found in analysis.sets:
        for judged in found.judged:
            rep, key = judged.rep, (found.arm_set.number, found.arm_set.side)
            verdict = judged.excluded or ";".join(judged.faults)
            reps.append(Rep(*key, rep.kind, rep.start_s, rep.end_s, verdict, judged.values["hold_s"]))
    # Sets that nobody marked have numbers of their own.
    marked = any(event.trial_type == "set" for event in session.recording.events)
    off = 0
    for key in sorted({_key(rep, marked) for rep in (*session.reps, *reps)}):
        true = [rep for rep in session.reps if _key(rep, marked) == key and rep.role == "lift"]
        own = [rep for rep in reps if _key(rep, marked) == key and rep.kind == "rep"]
        off += abs(len(true) - len(own)) if true else 0
        for rep in true:
            near = next((one for one in own if _overlap(one, rep) > 0.5), None)
            if near is not None and np.isfinite(near.hold_s) and len(load_shipped(rep.drill).stations) == 1:
                holds.append(abs(near.hold_s - _stay_s(rep)))
    sds = [float(np.nanmean(v)) for arm in analysis.arms.values() for v in arm.sd.values() if np.isfinite(v).any()]
    findings = frozenset(f"{f.placement} {f.code} {f.start_s or 0.0:.0f}" for f in _findings(analysis))
    errors = _errors_deg(session, analysis) if session.told else None
    return Found(tuple(reps), off, errors, tuple(holds), findings, tuple(sds))


def _stay_s(rep: Any) -> float:
    """How long the arm truly stayed; of the second simulator within 3 deg, as its band may be met long before."""
    begin_s, end_s = getattr(rep, "plateau_s", (rep.top_start_s, rep.top_end_s))
    return end_s - begin_s


def _key(rep: Any, marked: bool) -> tuple[int, str]:
    return (rep.set if marked else 0), rep.side


def _overlap(one: Any, other: Any) -> float:
    """Share of the shorter one that both have."""
    both = min(one.end_s, other.end_s) - max(one.start_s, other.start_s)
    return both / min(one.end_s - one.start_s, other.end_s - other.start_s)


def _findings(analysis: Analysis) -> Iterator[Any]:
    yield from analysis.findings
    yield from analysis.aligned.findings


def _errors_deg(session: Session, analysis: Analysis) -> dict[str, list[float]]:
    """RMSE of elevation and rotation over each set of an arm, from its first true rep to its last."""
    out: dict[str, list[float]] = {"elevation": [], "rotation": []}
    time_s = analysis.aligned.time_s
    for number, side in sorted({(rep.set, rep.side) for rep in session.reps}):
        own = [rep for rep in session.reps if (rep.set, rep.side) == (number, side)]
        arm, truth = analysis.arms.get(side), session.angles[side]
        if arm is None:
            continue
        rows = (time_s >= min(rep.start_s for rep in own)) & (time_s <= max(rep.end_s for rep in own))
        about = "_gravity" if arm.elevation_reference == "gravity" else ""
        for angle, errors in out.items():
            ours = arm.angles.get(f"{angle}_deg")
            column = f"{angle}{about}_deg" if f"{angle}{about}_deg" in truth else f"{angle}_deg"
            if ours is None:
                continue
            error = (ours[rows] - np.interp(time_s[rows], session.time_s, truth[column]) + 180) % 360 - 180
            error = error[np.isfinite(error)]
            if len(error) >= LEAST_ROWS:
                errors.append(min(float(np.sqrt(np.mean(error**2))), MOST_OFF_DEG))
    return out


def _frames(session: Session, params: Params) -> Iterator[str]:
    """What the page says of each arm in a set, chunk by chunk."""
    source = RecordingSource(session.recording, CHUNK_S)
    live = LiveParams(flow=replace(params, afterwards=False))
    said: list[str] = []

    def look(playing: LiveSession) -> None:
        frame = playing.frame()
        if frame["stage"] == "set":
            said.append(f"{frame['t']:.2f} {frame['arms']}")

    run(source, LiveSession(plan_for_recording(session.recording, {}), {}, source.rates_hz, live), each=look)
    yield from said


def figures(before: Sequence[Found], after: Sequence[Found]) -> dict[str, Any]:
    """What a constant moved, over all sessions: differences, after less before."""
    pairs = list(zip(before, after, strict=True))
    return {
        "reps": _counted(after) - _counted(before),
        "off": sum(b.off - a.off for a, b in pairs),
        "verdicts": sum(_verdicts(a.reps, b.reps) for a, b in pairs),
        "rotation_deg": _mean(after, "rotation") - _mean(before, "rotation"),
        "elevation_deg": _mean(after, "elevation") - _mean(before, "elevation"),
        "hold_s": _mean_of(h for b in after for h in b.holds_s) - _mean_of(h for a in before for h in a.holds_s),
        "findings": sum(len(a.findings ^ b.findings) for a, b in pairs),
        "sd_share": _mean_of(s for b in after for s in b.sds_deg) / _mean_of(s for a in before for s in a.sds_deg) - 1,
        "frames": sum(len(set(a.frames) ^ set(b.frames)) for a, b in pairs if a.frames and b.frames),
        "refused": sum(bool(b.refused) - bool(a.refused) for a, b in pairs),
        "failed": sorted({b.failed.strip().splitlines()[-1] for b in after if b.failed}),
    }


def _counted(found: Iterable[Found]) -> int:
    return sum(rep.kind == "rep" for one in found for rep in one.reps)


def _verdicts(before: Sequence[Rep], after: Sequence[Rep]) -> int:
    """Reps that one of the two alone has, or of which they say otherwise."""
    left, changed = list(after), 0
    for rep in before:
        near = next((one for one in left if one.side == rep.side and _overlap(one, rep) > 0.5), None)
        if near is not None:
            left.remove(near)
        changed += near is None or (near.kind, near.verdict) != (rep.kind, rep.verdict)
    return changed + len(left)


def _mean(found: Iterable[Found], angle: str) -> float:
    return _mean_of(error for one in found if one.errors_deg is not None for error in one.errors_deg[angle])


def _mean_of(values: Iterable[float]) -> float:
    every = list(values)
    return float(np.mean(every)) if every else float("nan")


# Trying, and what is kept of it.


def of_tree() -> dict[str, str]:
    """The commit, and what tells one state of the package and the sessions from another."""

    def git(*words: str) -> str:
        return subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()

    if git("status", "--porcelain", "imu_shoulder", "tests"):
        raise SystemExit("commit what was changed in imu_shoulder and tests first: the page names a commit")
    own = ("imu_shoulder", "tests/second_simulator", "tests/constants_population.py", "tests/write_constants.py")
    return {
        "commit": git("rev-parse", "--short=10", "HEAD"),
        "tree": " ".join(git("rev-parse", f"HEAD:{p}") for p in own),
    }


class Tried:
    """Sessions, and what they gave with the built-in constants: in a file's flow, and those to be played as live."""

    def __init__(self, sessions: Sequence[Session]) -> None:
        self.sessions = {False: sessions, True: [s for s in sessions if s.live]}
        self.base = {played: [find(s, Params(), played) for s in own] for played, own in self.sessions.items()}
        bad = [f"{f.refused}{f.failed}" for own in self.base.values() for f in own if not f.reps]
        if bad:
            raise SystemExit("\n".join(["a session gives no reps with the built-in constants:", *bad]))

    def moved_by(self, name: str, params: Params) -> dict[str, Any]:
        played = name.startswith(OF_STREAMS)
        return figures(self.base[played], [find(s, params, played) for s in self.sessions[played]])

    def sums(self) -> dict[str, Any]:
        """What the page says of the sessions."""
        base, sessions = self.base[False], self.sessions[False]
        return {
            "sessions": len(sessions),
            "minutes": sum(float(s.time_s[-1]) for s in sessions) / 60,
            "reps": _counted(base),
            "true": sum(rep.role == "lift" for s in sessions for rep in s.reps),
            "off": sum(found.off for found in base),
            "rotation_deg": _mean(base, "rotation"),
            "elevation_deg": _mean(base, "elevation"),
            "hold_s": _mean_of(h for found in base for h in found.holds_s),
            "names": list(dict.fromkeys(s.name for s in sessions)),
            "frames": sum(len(found.frames) for found in self.base[True]),
        }


def try_all(state: Path, wanted: Sequence[str]) -> None:
    """Append what each constant moved to DIR/moved.jsonl; what is there already is not tried again."""
    state.mkdir(parents=True, exist_ok=True)
    about, here = state / "about.json", of_tree()
    if about.exists() and json.loads(about.read_text())["tree"] != here["tree"]:
        raise SystemExit(f"{state} is of another state of the code: give a new folder")
    done = {(one["name"], one["way"]) for one in lines(state)}
    pipeline.align_recording = remembered(pipeline.align_recording)
    whole.orient_afterwards = remembered(whole.orient_afterwards)
    usual, close = Tried(list(population())), Tried(list(close_calls()))
    about.write_text(json.dumps({**here, "whole": usual.sums(), "close": close.sums()}, indent=1))
    for name, value in numeric().items():
        if wanted and not name.startswith(tuple(wanted)):
            continue
        for way, factor in FACTORS.items():
            if value is None or (name, way) in done:
                continue
            began = time.monotonic()
            came: dict[str, Any] = {"name": name, "way": way, "value": value}
            try:
                params = with_values(Params(), {name: moved(value, factor)})
            except ParameterError as error:
                came["impossible"] = f"{error.expected}, but {error.came}"
            else:
                came |= usual.moved_by(name, params)
                if is_still(came):
                    came |= {**close.moved_by(name, params), "close": True}
            with (state / "moved.jsonl").open("a", encoding="utf-8") as file:
                file.write(json.dumps(came) + "\n")
            print(f"{name} {way}: {time.monotonic() - began:.0f} s", flush=True)


def lines(state: Path) -> list[dict[str, Any]]:
    log = state / "moved.jsonl"
    return [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()] if log.exists() else []


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("run", "page"))
    parser.add_argument("--state", type=Path, required=True)
    parser.add_argument("--only", nargs="+", default=[], metavar="NAME")
    options = parser.parse_args()
    if options.what == "run":
        try_all(options.state, options.only)
    else:
        PAGE.write_text(page(numeric(), lines(options.state), json.loads((options.state / "about.json").read_text())))


if __name__ == "__main__":
    main()
