"""The parameters of the align stage."""

from __future__ import annotations

from dataclasses import dataclass, field

from imu_shoulder.align.disagree import DisagreeParams
from imu_shoulder.align.spikes import SpikeParams
from imu_shoulder.errors import ParameterError


@dataclass(frozen=True, slots=True)
class AlignParams:
    """rate_hz: of the common grid; None for the declared rate that most sensors share (the higher of equals), or the
    smallest whole part of it that is not below enough_hz.

    enough_hz: an arm's drill, its tremor of up to 12 Hz included, is the same at a higher rate
    (docs/design_choices.md).
    bridge_s: a hole this long or shorter is bridged by a straight line and counted; a longer one stays a gap.
    rate_tolerance: a measured rate further than this share from the declared one is a warning.
    stuck_s: a channel that repeats one value for longer while the sensor moves is stuck.
    latency_s: a live stream waits this long for a sensor that is late before it goes on without it. spikes, disagree:
    single readings that cannot be, and instruments that contradict each other.

    Sources. rate_hz, enough_hz, bridge_s, rate_tolerance, stuck_s, latency_s: ours.
    """

    rate_hz: float | None = None
    enough_hz: float = 45.0
    bridge_s: float = 0.05
    rate_tolerance: float = 0.01
    stuck_s: float = 1.0
    latency_s: float = 0.25
    spikes: SpikeParams = field(default_factory=SpikeParams)
    disagree: DisagreeParams = field(default_factory=DisagreeParams)

    def __post_init__(self) -> None:
        limits = {
            "rate_hz": (self.rate_hz, 10.0, 2000.0),
            "enough_hz": (self.enough_hz, 10.0, 2000.0),
            "bridge_s": (self.bridge_s, 0.0, 0.15),
            "rate_tolerance": (self.rate_tolerance, 0.0, 0.5),
            "stuck_s": (self.stuck_s, 0.2, 60.0),
            "latency_s": (self.latency_s, self.bridge_s + 0.05, 10.0),
        }
        for name, (value, low, high) in limits.items():
            if value is not None and not low <= value <= high:
                raise ParameterError(f"{name} from {low:g} to {high:g}", f"it is {value:g}", "choose a value in there")
