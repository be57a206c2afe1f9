"""The whole summary of a session: what the stages found, the plan it is held against, ranges and advice."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from imu_shoulder.advise import Rules, shipped_rules
from imu_shoulder.advise.advice import advise
from imu_shoulder.advise.history import Summary, in_time
from imu_shoulder.advise.since import since_last
from imu_shoulder.align import align_recording
from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.calibrate.store import StoredCalibration
from imu_shoulder.drills import Drill
from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.range import SHIPPED
from imu_shoulder.range.results import range_ids, range_results
from imu_shoulder.range.words import with_words
from imu_shoulder.report.headlines import first_lines
from imu_shoulder.report.pain import PAIN_CEILING
from imu_shoulder.report.summary import summarise

if TYPE_CHECKING:
    from imu_shoulder.plan import Plan
    from imu_shoulder.plan.matching import Matches


def analyse_session(
    recording: Recording,
    drills: Mapping[str, Drill],
    params: Params,
    progress: Callable[[str], None] = lambda stage: None,
    plan: Plan | None = None,
    history: Sequence[Summary] = (),
    rules: Rules | None = None,
    stored: StoredCalibration | None = None,
) -> tuple[Analysis, dict[str, Any]]:
    """A recording through the flow, by what the plan asks of its sets; returns the analysis and its whole summary.

    drills: the user's own, by id. progress: told each stage's name. history: summaries of earlier sessions, for advice.
    Raises ShoulderError.
    """
    if plan is not None:
        from imu_shoulder.plan.matching import asked_by, check_athlete, match_sets  # most recordings have none

        check_athlete(plan, recording.athlete)
    progress("align")
    aligned = align_recording(recording, params.align)
    progress("proposals")
    if recording.lacks_marks:
        from imu_shoulder.propose import proposed  # takes its time to be imported

        recording = proposed(recording, plan, drills, params, aligned)
    apart = set(SHIPPED) - drills.keys()
    planned = asked = None
    if plan is not None:
        planned = plan, match_sets(plan, recording.events, apart)
        asked = asked_by(*planned)
    analysis = analyse(recording, params, drills, progress, asked, apart, stored, aligned)
    return analysis, session_summary(analysis, planned, history, rules)


def session_summary(
    analysis: Analysis,
    plan: tuple[Plan, Matches] | None = None,
    history: Sequence[Summary] = (),
    rules: Rules | None = None,
) -> dict[str, Any]:
    """The contents of summary.json.

    plan: the plan by which the sets were analysed, and which set it asked where. history: summaries of earlier
    sessions, in any order. Raises HistoryError.
    """
    summary = summarise(analysis, PAIN_CEILING if plan is None else plan[0].pain_ceiling)
    summary["plan"] = None
    if plan is not None:
        from imu_shoulder.plan.held import hold_against

        summary["plan"] = hold_against(*plan, summary["sets"])
    has_range = bool(range_ids(analysis.recording.events, SHIPPED))
    summary["range"] = with_words(range_results(analysis)) if has_range else None
    drills = {found.arm_set.drill.id: found.arm_set.drill for found in analysis.sets if found.arm_set.drill is not None}
    first = plan is not None and bool(plan[0].limits_first)
    sessions = in_time(history, summary)
    summary["advice"] = advise(sessions, drills, rules or shipped_rules(), limits_first=first)
    summary["since_last"] = since_last(sessions)
    return {**summary, "first_lines": first_lines(summary)}
