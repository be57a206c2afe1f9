"""What a finished analysis holds: its parameters, the state after each stage, and the judged sets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from imu_shoulder.align import AlignParams
from imu_shoulder.angles.joint import AngleParams, ArmAngles
from imu_shoulder.angles.mirrored import MirrorParams
from imu_shoulder.angles.uncertainty import UncertaintyParams
from imu_shoulder.assess.fault import JudgeParams
from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.calibrate.model import Calibration
from imu_shoulder.calibrate.mounting import MountingParams
from imu_shoulder.calibrate.pose import NO_POSE, CalibrateParams
from imu_shoulder.calibrate.slip_model import SlipParams
from imu_shoulder.errors import CalibrationError
from imu_shoulder.model import Aligned, Finding, Recording, Side
from imu_shoulder.orient.attitude import Attitude, OrientParams
from imu_shoulder.orient.moments import HeadingParams
from imu_shoulder.parameters import changed, read_parameters, require_possible
from imu_shoulder.segment.model import ArmSet
from imu_shoulder.segment.proposing import ProposeParams
from imu_shoulder.segment.sets import SegmentParams


@dataclass(frozen=True, slots=True)
class StreamParams:
    """When something is said of a stream; times in s of the samples.

    settled_s: a rep is final when its end is older. counted_s: it is shown as counted when its end is older.
    returned_share: it has ended where the arm is back within returned_share of its arc, paused_share where the drill
    asks for a pause on the way down; stuck_s: a lowering that stops short of that ends it after this time. segment_s:
    how often the set is cut into reps; window_s: over at most about this stretch of it. grid_hz: rate of the set's
    angles. arrive_deg_s, leave_deg_s: slower than the first in the band is holding, faster downward than the second is
    not; velocity_s: over which velocity is taken. unseen_s: an arm that was not seen for so long is said to be unseen.
    keep_s: how much of the past is kept.

    Sources. settled_s, counted_s, returned_share, paused_share, stuck_s, segment_s, window_s, grid_hz, arrive_deg_s,
    leave_deg_s, velocity_s, unseen_s, keep_s: ours.
    """

    settled_s: float = 0.4
    counted_s: float = 0.1
    returned_share: float = 0.5
    paused_share: float = 0.25
    stuck_s: float = 2.0
    segment_s: float = 0.2
    window_s: float = 45.0
    grid_hz: float = 50.0
    arrive_deg_s: float = 8.0
    leave_deg_s: float = 12.0
    velocity_s: float = 0.2
    unseen_s: float = 0.4
    keep_s: float = 120.0


# What options of `analyse` set, and no file of parameters.
BY_OPTION: Mapping[str, str] = {"afterwards": "--causal", "orient.method": "--filter"}
# The first of each pair is less than the second.
IN_ORDER = (
    ("orient.stillness.window_s", "orient.stillness.piece_s"),
    ("heading.quiet_rad_s", "heading.move_rad_s"),
    ("heading.min_quiet_s", "heading.longest_s"),
    ("heading.stay_rad", "heading.turn_rad"),
    ("orient.stillness.max_spread_rad_s", "orient.stillness.restless_rad_s"),
    ("slip.suspect_evidence", "slip.least_evidence"),
    ("slip.least_evidence", "slip.sure_evidence"),
    ("mounting.still_rad", "mounting.raised_rad"),
    ("angles.plane_from_deg", "angles.plane_to_deg"),
    ("angles.forearm_from_deg", "angles.forearm_full_deg"),
    ("angles.anchored_from_deg", "angles.anchored_full_deg"),
    ("segment.reps.partial_share", "segment.reps.counts_share"),
    ("segment.reps.return_share", "segment.reps.whole_return_share"),
    ("stream.counted_s", "stream.settled_s"),
    ("stream.segment_s", "stream.window_s"),
    ("stream.window_s", "stream.keep_s"),
)


@dataclass(frozen=True, slots=True)
class Params:
    """Every parameter of every stage. All of them are written to summary.json, and those that were changed once more.

    afterwards: use past and future of each sample, as a finished recording allows; otherwise only its past, as live.
    Raises ParameterError for a value that cannot be meant.
    """

    afterwards: bool = True
    align: AlignParams = field(default_factory=AlignParams)
    orient: OrientParams = field(default_factory=OrientParams)
    heading: HeadingParams = field(default_factory=HeadingParams)
    calibrate: CalibrateParams = field(default_factory=CalibrateParams)
    slip: SlipParams = field(default_factory=SlipParams)
    mounting: MountingParams = field(default_factory=MountingParams)
    mirror: MirrorParams = field(default_factory=MirrorParams)
    angles: AngleParams = field(default_factory=AngleParams)
    uncertainty: UncertaintyParams = field(default_factory=UncertaintyParams)
    segment: SegmentParams = field(default_factory=SegmentParams)
    judge: JudgeParams = field(default_factory=JudgeParams)
    propose: ProposeParams = field(default_factory=ProposeParams)
    stream: StreamParams = field(default_factory=StreamParams)

    def __post_init__(self) -> None:
        require_possible(self, IN_ORDER)

    @property
    def changed(self) -> dict[str, dict[str, Any]]:
        """Which are not the built-in ones, by dotted name: `value` and `built_in`."""
        return changed(self)


def load_params(path: Path) -> Params:
    """The built-in parameters with what a user's TOML file changes. Raises ParameterError."""
    return read_parameters(path, Params(), BY_OPTION)


@dataclass(frozen=True, slots=True)
class AnalysedSet:
    arm_set: ArmSet
    judged: tuple[JudgedRep, ...]


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything the outputs are written from.

    findings: what was noticed after alignment. apart: drill names of set events that are no drill, such as range tests.
    calibration: None without a neutral pose. Reps are counted about each sensor's own axis then, no angle is known, and
    no_pose says why and what would give them; it is empty where there is one.
    """

    recording: Recording
    params: Params
    aligned: Aligned
    attitudes: Mapping[str, Attitude]
    calibration: Calibration | None
    arms: Mapping[Side, ArmAngles]
    sets: tuple[AnalysedSet, ...]
    findings: tuple[Finding, ...] = ()
    apart: frozenset[str] = frozenset()
    no_pose: str = ""

    @property
    def calibrated(self) -> Calibration:
        """The calibration, for what makes no sense without one. Raises CalibrationError where there is none."""
        if self.calibration is None:
            raise CalibrationError(*NO_POSE)
        return self.calibration

    def __repr__(self) -> str:
        return f"<Analysis of {self.recording.name}: {len(self.sets)} sets of an arm, {len(self.findings)} findings>"
