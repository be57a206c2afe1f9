"""Puts every sensor of a recording or a live stream on one clock, and says what is wrong with the data."""

from imu_shoulder.align.params import AlignParams
from imu_shoulder.align.stillness import StillParams, common_still_windows, still_windows
from imu_shoulder.align.whole import align_recording, require_events_inside

__all__ = [
    "AlignParams",
    "StillParams",
    "align_recording",
    "common_still_windows",
    "require_events_inside",
    "still_windows",
]
