"""Puts every sensor of a recording or a live stream on one clock, and says what is wrong with the data."""

from imu_shoulder.align.params import AlignParams
from imu_shoulder.align.whole import align_recording

__all__ = ["AlignParams", "align_recording"]
