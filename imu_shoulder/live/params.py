"""The parameters of the live engine."""

from __future__ import annotations

from dataclasses import dataclass, field

from imu_shoulder.analysis import Params


@dataclass(frozen=True, slots=True)
class LiveParams:
    """flow: of the stages, as for a file. Everything else is about when something is said; times in s of the samples.

    pose_s: stillness asked of the pose. bends, raises: how many movements are asked. step_s: a calibration step that
    shows nothing usable for so long is said to be repeated. settled_s: a rep is final when its end is older.
    counted_s: it is shown as counted when its end is older. returned_share: it has ended where the arm is back within
    returned_share of its arc, paused_share where the drill asks for a pause on the way down; stuck_s: a lowering that
    stops short of that ends it after this time. segment_s: how often the set is cut into reps; window_s: over at most
    about this stretch of it. grid_hz: rate of the set's angles. arrive_deg_s, leave_deg_s: slower than the first in
    the band is holding, faster downward than the second is not. unseen_s: an arm that was not seen for so long is
    said to be unseen. keep_s: how much of the past is kept. cue_s: how long a cue stays. idle_s: how often angles are
    worked out outside sets.
    """

    flow: Params = field(default_factory=lambda: Params(afterwards=False))
    pose_s: float = 3.0
    bends: int = 3
    raises: int = 2
    step_s: float = 12.0
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
    cue_s: float = 8.0
    idle_s: float = 0.15
