"""The order of the stages. A stream's next rows and a whole recording go through the same one."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass

from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.model import Event, FloatArray, Side, Track
from imu_shoulder.orient.attitude import Attitude


@dataclass(frozen=True, slots=True)
class Part:
    """Rows of the common grid, and what was marked before the first of them.

    time_s: (N,), may be empty. began: events that began, their duration not known yet in a stream. ended: events that
    are over. looks: whether the stages that look at the past from time to time do so after these rows.
    """

    time_s: FloatArray
    tracks: Mapping[str, Track]
    began: tuple[Event, ...] = ()
    ended: tuple[Event, ...] = ()
    looks: bool = True


class Stages(ABC):
    """One method per stage. `Stream` has them for rows as they come, `Whole` for a finished recording."""

    def advance(self, part: Part) -> None:
        """Take the aligned rows through every stage."""
        attitudes = self.orient(part)
        self.find_pose(part, attitudes)
        self.find_quiet_moments(part, attitudes)
        self.find_slips(part)
        kept = self.keep_headings(part, attitudes)
        self.calibrate(part, kept)
        arms = self.work_out_angles(part, kept)
        del kept  # as much as all angles, and of no use to what follows
        self.cut_and_judge_sets(part, arms)
        self.check_mounting(part)

    @abstractmethod
    def orient(self, part: Part) -> Mapping[str, Attitude]:
        """Each sensor's attitude, by placement, its heading as the filter has it."""

    @abstractmethod
    def find_pose(self, part: Part, attitudes: Mapping[str, Attitude]) -> None:
        """The neutral pose, from which all angles count."""

    @abstractmethod
    def find_quiet_moments(self, part: Part, attitudes: Mapping[str, Attitude]) -> None:
        """When every sensor of an arm hardly turns, and in which posture."""

    @abstractmethod
    def find_slips(self, part: Part) -> None:
        """Sensors that turned on their straps: what comes after is neither compared nor scored."""

    @abstractmethod
    def keep_headings(self, part: Part, attitudes: Mapping[str, Attitude]) -> dict[Side, dict[str, Attitude]]:
        """The attitudes of each arm, headings where they were in the pose."""

    @abstractmethod
    def calibrate(self, part: Part, kept: Mapping[Side, Mapping[str, Attitude]]) -> None:
        """How each sensor sits on its segment."""

    @abstractmethod
    def work_out_angles(self, part: Part, kept: dict[Side, dict[str, Attitude]]) -> Mapping[Side, ArmAngles]:
        """Joint angles of each arm on the part's rows, with the shoulder blade's.

        kept may be left without the arms that are done: of a long recording they take as much memory as all angles.
        """

    @abstractmethod
    def cut_and_judge_sets(self, part: Part, arms: Mapping[Side, ArmAngles]) -> None:
        """Segment, measure, assess: sets into reps, their measures, and what the drill says of them."""

    @abstractmethod
    def check_mounting(self, part: Part) -> None:
        """Sensors that do not sit where the recording says, and angles that no joint reaches."""
