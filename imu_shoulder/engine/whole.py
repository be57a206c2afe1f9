"""The stages over a finished recording as one part: what only past and future together can show."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from math import inf

import numpy as np

from imu_shoulder.analysis import AnalysedSet, Params
from imu_shoulder.angles.joint import ArmAngles, arm_angles, skin_of
from imu_shoulder.angles.lean import asked_stance, off_upright, upright_only
from imu_shoulder.angles.mirrored import Mirrored
from imu_shoulder.angles.plausible import Beyond
from imu_shoulder.angles.scapula import seat_blade
from imu_shoulder.angles.uncertainty import angle_sd
from imu_shoulder.assess.unseen import unjoined_findings
from imu_shoulder.calibrate.calibration import calibrate
from imu_shoulder.calibrate.model import ArmCalibration, Calibration
from imu_shoulder.calibrate.mounting import Stretch, mounting_findings, stretch_of
from imu_shoulder.calibrate.pose import Pose, find_pose
from imu_shoulder.calibrate.slip import find_slips, slip_findings
from imu_shoulder.calibrate.slip_model import Slip
from imu_shoulder.calibrate.store import StoredCalibration, reuse
from imu_shoulder.engine.asked import Asked
from imu_shoulder.engine.blade import blade_columns, ups_from_pose
from imu_shoulder.engine.judging import Seen, judge_arm_set, seen_by, without_angles
from imu_shoulder.engine.order import Part, Stages
from imu_shoulder.engine.seating import before
from imu_shoulder.measure.scapula import excess
from imu_shoulder.model import SIDES, STERNUM, Aligned, Event, Finding, FloatArray, IntArray, Side, limbs_of
from imu_shoulder.orient.attitude import Attitude, orient_afterwards, turned
from imu_shoulder.orient.heading import track_heading
from imu_shoulder.orient.keeping import held_together
from imu_shoulder.orient.moments import QuietMoments, quiet_for, quiet_moments
from imu_shoulder.orient.settling import knots_in_passing, knots_of_events, settled_at
from imu_shoulder.segment.beside import with_reps_beside
from imu_shoulder.segment.model import ArmSet, rows_between, unseen_stretches
from imu_shoulder.segment.sets import segment_set
from imu_shoulder.segment.unguided import counting_track, marked_set
from imu_shoulder.spill import let_go, spilled

# A share of a set that is most of it.
MOSTLY = 0.8


class Whole(Stages):
    """Give `advance` the whole recording once, then read what was found."""

    def __init__(
        self,
        aligned: Aligned,
        params: Params,
        asked: Asked,
        stored: StoredCalibration | None = None,
        progress: Callable[[str], None] = lambda stage: None,
    ) -> None:
        """stored: an earlier recording's calibration, for the arms that have no calibration movements in this one."""
        self._aligned, self._params, self._asked, self._stored = aligned, params, asked, stored
        self._progress = progress
        self.attitudes: Mapping[str, Attitude] = {}
        self.pose: Pose | None = None
        self.calibration: Calibration | None = None
        self.arms: dict[Side, ArmAngles] = {}
        self.sets: list[AnalysedSet] = []
        self.findings: tuple[Finding, ...] = ()
        self._moments: dict[Side, QuietMoments] = {}
        self._slips: Sequence[Slip] = ()
        self._slipped_s: dict[Side, float] = {}

    def orient(self, part: Part) -> Mapping[str, Attitude]:
        self._progress("orient")
        rate_hz, quality = self._aligned.rate_hz, self._aligned.quality
        own_hz = {placement: own.declared_rate_hz for placement, own in quality.items()}
        self.attitudes = {
            placement: orient_afterwards(track, rate_hz, self._params.orient, own_hz.get(placement))
            for placement, track in part.tracks.items()
        }
        return self.attitudes

    def find_pose(self, part: Part, attitudes: Mapping[str, Attitude]) -> None:
        self._progress("calibrate")
        let_go()
        # Reps are counted without one.
        if any(event.trial_type == "neutral_pose" for event in part.ended):
            self.pose = find_pose(part.time_s, attitudes, part.ended, None, self._params.calibrate, part.tracks)

    def find_quiet_moments(self, part: Part, attitudes: Mapping[str, Attitude]) -> None:
        self._moments = arm_moments(self._aligned, attitudes, part.ended, self._params, self.pose)

    def find_slips(self, part: Part) -> None:
        if self.pose is None:
            return
        let_go()
        rows = part.time_s, self._aligned.rate_hz
        self._slips = find_slips(*rows, self.attitudes, self._moments, part.ended, self.pose, self._params.slip)
        self._slipped_s = {
            side: min((slip.time_s for slip in self._slips if slip.placement.startswith(side)), default=inf)
            for side in SIDES
        }

    def keep_headings(self, part: Part, attitudes: Mapping[str, Attitude]) -> dict[Side, dict[str, Attitude]]:
        if self.pose is None:
            return {}
        let_go()
        kept = {
            side: keep_heading(
                self._aligned, attitudes, side, own, part.ended, self.pose, self._params, self._slipped_s[side]
            )
            for side, own in self._moments.items()
        }
        return held_together(kept, part.time_s, self.pose.end_s)

    def calibrate(self, part: Part, kept: Mapping[Side, Mapping[str, Attitude]]) -> None:
        if self.pose is None:
            return
        seated = {side: before(self._slipped_s[side], part.time_s, own) for side, own in kept.items()}
        found = calibrate(
            part.time_s, self._aligned.rate_hz, seated, part.ended, self.pose, self._params.heading.shared
        )
        self.calibration = found if self._stored is None else reuse(self._stored, found, self.pose)

    def work_out_angles(self, part: Part, kept: dict[Side, dict[str, Attitude]]) -> Mapping[Side, ArmAngles]:
        if self.calibration is None or self.pose is None:
            self.arms = without_angles(self._aligned)
            return self.arms
        self._progress("angles")
        let_go()
        stance = asked_stance(part.time_s, part.ended, self._asked.drills)
        for side, arm in self.calibration.arms.items():
            self.arms[side] = self._angles_of(arm, kept.pop(side), stance)
            let_go()
        return self.arms

    def _angles_of(self, arm: ArmCalibration, kept: Mapping[str, Attitude], stance: IntArray) -> ArmAngles:
        """Of one arm, on all rows. stance: (M,) what was asked of the body."""
        assert self.pose is not None
        params, rate_hz = self._params, self._aligned.rate_hz
        skin = skin_of(arm, kept, rate_hz, params.angles)
        found = arm_angles(arm, kept, skin, params.angles)
        found = replace(found, sd=angle_sd(found, arm, kept, rate_hz, stance, params.angles, params.uncertainty))
        elevation_deg = found.angles.get("elevation_deg")
        ups = ups_from_pose(arm.side, self.attitudes, self.pose)
        if ups is not None and elevation_deg is not None:
            seat = seat_blade(*ups, elevation_deg, rate_hz, params.angles.scapula)
            found = blade_columns(found, seat, ups, params)
        return upright_only(found, off_upright(found, stance, params.angles.leant_deg))

    def cut_and_judge_sets(self, part: Part, arms: Mapping[Side, ArmAngles]) -> None:
        self._progress("sets")
        arm_sets = self._find_sets(part, arms)
        over = {
            side: excess(side, arm_sets, part.time_s, {**arm.angles, **arm.hidden})
            for side, arm in arms.items()
            if arm.scapula_reference
        }
        numbers = [arm_set.number for arm_set in arm_sets]
        for own in arm_sets:
            other = next((arm for side, arm in arms.items() if side != own.side), None)
            seen = Seen(
                part.time_s,
                self._aligned.rate_hz,
                {**arms[own.side].columns, **over.get(own.side, {})},
                *seen_by(self._seat(own.side), part.tracks, own.side, len(part.time_s)),
                None if other is None or numbers.count(own.number) < 2 else other.angles,
            )
            judged = judge_arm_set(own, seen, self._params.judge, self._slipped_s.get(own.side, inf))
            self.sets.append(AnalysedSet(own, judged))
            let_go()

    def check_mounting(self, part: Part) -> None:
        stretches: list[Stretch] = []
        sets = 0
        for event in part.ended:
            let_go()
            sets += event.trial_type == "set"
            own = stretch_of(
                event, sets, part.time_s, self._aligned.rate_hz, part.tracks, self.attitudes, self._params.mounting
            )
            stretches += [] if own is None else [own]
        beyond, mirrored = Beyond(), Mirrored(self._params.mirror)
        for found in self.sets:
            rows = slice(*found.arm_set.rows)
            arm = self.arms[found.arm_set.side]
            angles, sd = ({name: values[rows] for name, values in table.items()} for table in (arm.angles, arm.sd))
            own_s, rate_hz = part.time_s[rows], self._aligned.rate_hz
            beyond.look(found.arm_set.side, own_s, angles, sd, rate_hz)
            mirrored.look(found.arm_set.side, found.arm_set.drill, own_s, angles, sd, rate_hz)
            let_go()
        self.findings = (
            *mounting_findings(stretches, self._asked.drills, self._params.mounting),
            *slip_findings(self._slips),
            *beyond.findings(),
            *mirrored.findings(),
            *unjoined_findings(self.calibration),
        )

    def _find_sets(self, part: Part, arms: Mapping[Side, ArmAngles]) -> list[ArmSet]:
        """The sets that are marked or proposed."""
        marked = [event for event in part.ended if event.trial_type == "set"]
        time_s, rate_hz = part.time_s, self._aligned.rate_hz
        found: list[ArmSet] = []
        for number, event in enumerate(marked, start=1):
            if self._asked.is_apart(event):
                continue
            drill, own = self._asked.of(number, event)
            guided: Sequence[ArmSet] = ()
            if drill is not None and self.calibration is not None:
                guided = segment_set(number, event, drill, time_s, rate_hz, arms, self._params.segment)
            # The two arms may be asked for different counts.
            guided = [self._with_unseen(arm_set, part) for arm_set in guided]
            guided = [arm_set for arm_set in guided if not self._is_better_counted(arm_set, part)]
            guided = [self._with_reps_beside(arm_set, part) for arm_set in guided]
            found += [replace(arm_set, drill=own.get(arm_set.side, drill)) for arm_set in guided]
            # An arm whose sensors do not show the drill's angles is still counted.
            for side in arms:
                if event.side in (side, "both", None) and side not in {arm_set.side for arm_set in guided}:
                    span_s = event.onset_s, event.end_s
                    track = counting_track(part.tracks, side, rows_between(time_s, *span_s))
                    found.append(marked_set(number, own.get(side, drill), side, track, time_s, rate_hz, span_s))
        return found

    def _seat(self, side: Side) -> ArmCalibration | None:
        return None if self.calibration is None else self.calibration.arms[side]

    def _with_unseen(self, arm_set: ArmSet, part: Part) -> ArmSet:
        """With the stretches in which no data showed the angle that it is cut by."""
        seen, _ = seen_by(self._seat(arm_set.side), part.tracks, arm_set.side, len(part.time_s))
        rows = slice(*arm_set.rows)
        shown = seen[rows]
        if arm_set.drill is None or not arm_set.drill.by_stations:
            shown = shown | np.isfinite(arm_set.curve_deg)
        return replace(arm_set, unseen=unseen_stretches(part.time_s[rows], shown))

    def _with_reps_beside(self, arm_set: ArmSet, part: Part) -> ArmSet:
        limbs = _limbs(self.attitudes, arm_set.side)
        return with_reps_beside(arm_set, part.time_s, self._aligned.rate_hz, limbs, self._params.segment.reps)

    def _is_better_counted(self, arm_set: ArmSet, part: Part) -> bool:
        """Whether hardly any of what the drill is cut by was seen, while the arm's other sensor saw the set."""
        hidden = arm_set.unseen_s > MOSTLY * (arm_set.end_s - arm_set.start_s)
        track = counting_track(part.tracks, arm_set.side, slice(*arm_set.rows))
        return arm_set.role == "lift" and hidden and bool(track.valid[slice(*arm_set.rows)].mean() > MOSTLY)


def row_blocks(time_s: FloatArray, events: Sequence[Event]) -> IntArray:
    """Number (N,) of the event a row lies in, with a second before and after it, -1 outside."""
    block = np.full(len(time_s), -1, dtype=np.intp)
    for number, event in enumerate(events):
        first, last = np.searchsorted(time_s, [event.onset_s - 1.0, event.end_s + 1.0])
        block[first:last] = number
    return block


def arm_moments(
    aligned: Aligned,
    attitudes: Mapping[str, Attitude],
    events: Sequence[Event],
    params: Params,
    pose: Pose | None = None,
) -> dict[Side, QuietMoments]:
    """Quiet moments of each arm that wears a sensor: of its upper-arm, wrist and breastbone sensors, in that order.

    pose: shows how still this person stands, where it is known.
    """
    free = row_blocks(aligned.time_s, events) < 0
    trunk = attitudes.get(STERNUM)
    limbs = {side: _limbs(attitudes, side) for side in SIDES}
    out = {}
    for side, own in limbs.items():
        if own:
            quiet_rad_s = params.heading.quiet_rad_s
            if pose is not None:
                rows = rows_between(aligned.time_s, pose.start_s, pose.end_s)
                worn = [*own, *([] if trunk is None else [trunk])]
                quiet_rad_s = quiet_for([attitude.at(rows) for attitude in worn], aligned.rate_hz, params.heading)
            out[side] = quiet_moments(aligned.time_s, free, aligned.rate_hz, own, trunk, params.heading, quiet_rad_s)
    return out


def _limbs(attitudes: Mapping[str, Attitude], side: Side) -> list[Attitude]:
    return [attitudes[p] for p in limbs_of(side) if p in attitudes]


def keep_heading(
    aligned: Aligned,
    attitudes: Mapping[str, Attitude],
    side: Side,
    moments: QuietMoments,
    events: Sequence[Event],
    pose: Pose,
    params: Params,
    slipped_s: float = inf,
) -> dict[str, Attitude]:
    """The attitudes of one arm and the sternum with their headings kept where they were in the pose.

    moments: the arm's. slipped_s: from when on a sensor of the arm sits otherwise than in the pose; postures after it
    are not compared.
    """
    worn = [*_limbs(attitudes, side), *(attitudes[p] for p in (STERNUM,) if p in attitudes)]
    own = {attitude.placement: attitude for attitude in worn}
    moments = moments.until(int(np.searchsorted(moments.time_s, slipped_s)))
    if not len(moments.time_s):
        return own
    of_row = row_blocks(aligned.time_s, events)
    block = of_row[np.searchsorted(aligned.time_s, moments.time_s)]
    in_pose = int(np.abs(moments.time_s - (pose.start_s + pose.end_s) / 2).argmin())
    tracks = track_heading(moments, block, in_pose, params.heading)
    knots = knots_of_events(moments.time_s, block, events)
    knots += knots_in_passing(
        aligned.time_s, of_row < 0, aligned.rate_hz, _limbs(attitudes, side), moments.time_s, events, params.heading
    )
    out = {}
    for (placement, attitude), track in zip(own.items(), tracks, strict=True):
        settled = settled_at(track, knots)
        correction_rad = spilled(settled.at(aligned.time_s) - track.correction_rad[in_pose])
        kept = turned(attitude, correction_rad)
        heading_sd, apart_sd = (
            spilled(np.interp(aligned.time_s, settled.time_s, sd)) for sd in (settled.sd_rad, settled.apart_sd_rad)
        )
        out[placement] = replace(kept, heading_sd_rad=heading_sd, apart_sd_rad=apart_sd, turned_rad=correction_rad)
    return out
