"""Sets, drills, calibration movements and a neutral pose of a recording in which nobody marked them, as proposals."""

from imu_shoulder.model import Proposal
from imu_shoulder.propose.find import proposals, proposed

__all__ = ["Proposal", "proposals", "proposed"]
