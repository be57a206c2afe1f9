"""The parameters of a live session."""

from __future__ import annotations

from dataclasses import dataclass, field

from imu_shoulder.analysis import Params


@dataclass(frozen=True, slots=True)
class LiveParams:
    """flow: of the stages, as for a file. Everything else is about what the page asks and says; s of the samples.

    pose_s: stillness asked of the pose. bends, raises, high: how many movements are asked. step_s: a calibration step
    that shows nothing usable for so long is said to be repeated. cue_s: how long a cue stays. uncounted_s: after so
    much motion in a set without a counted rep it is said what is seen and what is asked. idle_s: how often angles are
    worked out outside sets.
    """

    flow: Params = field(default_factory=lambda: Params(afterwards=False))
    pose_s: float = 3.0
    bends: int = 3
    raises: int = 2
    high: int = 2
    step_s: float = 12.0
    cue_s: float = 8.0
    uncounted_s: float = 12.0
    idle_s: float = 0.15

    def asked(self, step: str) -> int:
        """How many movements a step of the calibration asks for."""
        return {"bends": self.bends, "raises": self.raises, "high": self.high}[step]
