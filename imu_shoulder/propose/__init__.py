"""Sets, drills, calibration movements and a neutral pose of a recording in which nobody marked them, as proposals."""

from imu_shoulder.propose.find import proposals, proposed
from imu_shoulder.propose.proposal import Proposal

__all__ = ["Proposal", "proposals", "proposed"]
