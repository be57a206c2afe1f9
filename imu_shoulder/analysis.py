"""What a finished analysis holds: its parameters, the state after each stage, and the judged sets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from imu_shoulder.align import AlignParams
from imu_shoulder.angles.joint import AngleParams, ArmAngles
from imu_shoulder.angles.uncertainty import UncertaintyParams
from imu_shoulder.assess.judge import JudgedRep, JudgeParams
from imu_shoulder.calibrate.model import Calibration
from imu_shoulder.calibrate.mounting import MountingParams
from imu_shoulder.calibrate.pose import CalibrateParams
from imu_shoulder.calibrate.slip_model import SlipParams
from imu_shoulder.model import Aligned, Finding, Recording, Side
from imu_shoulder.orient.attitude import Attitude, OrientParams
from imu_shoulder.orient.moments import HeadingParams
from imu_shoulder.segment.model import ArmSet
from imu_shoulder.segment.sets import SegmentParams


@dataclass(frozen=True, slots=True)
class Params:
    """Every parameter of every stage. All of them are written to summary.json.

    afterwards: use past and future of each sample, as a finished recording allows; otherwise only its past, as live.
    """

    afterwards: bool = True
    align: AlignParams = field(default_factory=AlignParams)
    orient: OrientParams = field(default_factory=OrientParams)
    heading: HeadingParams = field(default_factory=HeadingParams)
    calibrate: CalibrateParams = field(default_factory=CalibrateParams)
    slip: SlipParams = field(default_factory=SlipParams)
    mounting: MountingParams = field(default_factory=MountingParams)
    angles: AngleParams = field(default_factory=AngleParams)
    uncertainty: UncertaintyParams = field(default_factory=UncertaintyParams)
    segment: SegmentParams = field(default_factory=SegmentParams)
    judge: JudgeParams = field(default_factory=JudgeParams)


@dataclass(frozen=True, slots=True)
class AnalysedSet:
    arm_set: ArmSet
    judged: tuple[JudgedRep, ...]


@dataclass(frozen=True, slots=True)
class Analysis:
    """Everything the outputs are written from.

    findings: what was noticed after alignment. apart: drill names of set events that are no drill, such as range tests.
    """

    recording: Recording
    params: Params
    aligned: Aligned
    attitudes: Mapping[str, Attitude]
    calibration: Calibration
    arms: Mapping[Side, ArmAngles]
    sets: tuple[AnalysedSet, ...]
    findings: tuple[Finding, ...] = ()
    apart: frozenset[str] = frozenset()
