"""The data that passes between the stages. Frozen, checked where it is built, SI units and radians."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]
Side = Literal["right", "left"]
Severity = Literal["note", "warning", "fault"]

SIDES: tuple[Side, ...] = ("right", "left")
WRIST, UPPER_ARM, ACROMION, STERNUM = "wrist", "upper_arm", "acromion", "sternum"
# Segments whose sensors are worn on either arm. The limbs are those that the arm's angles are made of.
ARM_SEGMENTS = (WRIST, UPPER_ARM, ACROMION)
LIMBS = (UPPER_ARM, WRIST)


def on_arm(side: Side, segment: str) -> str:
    """The placement of a segment of one arm: "right_wrist"."""
    return f"{side}_{segment}"


def limbs_of(side: Side) -> tuple[str, str]:
    """The placements on the upper arm and on the wrist of one arm."""
    return on_arm(side, UPPER_ARM), on_arm(side, WRIST)


def limb_words(placement: str) -> str:
    """A placement or segment as words: "right upper arm"."""
    return placement.replace("_", " ")


# Four sensors on the limbs come first: what most people wear.
PLACEMENTS = (
    *(on_arm(side, segment) for side in SIDES for segment in (WRIST, UPPER_ARM)),
    STERNUM,
    *(on_arm(side, segment) for segment in ARM_SEGMENTS if segment not in LIMBS for side in SIDES),
)
TRIAL_TYPES = ("neutral_pose", "elbow_bends", "forward_raises", "bends_at_shoulder_height", "set")
# Of a proposal and of its row in a file: what may be a set and is not counted as one.
MAYBE_SET = "maybe_set"
EVENT_SIDES = ("right", "left", "both")


@dataclass(frozen=True, slots=True)
class SensorStream:
    """One sensor as it was recorded, in SI units, before its clock is repaired.

    time_s: (N,) device stamps as they came (may jitter, repeat or step back).
    acc_m_s2: (N, 3) specific force, +9.8 upward at rest. gyr_rad_s: (N, 3). mag: (N, 3) any unit, or None.
    """

    placement: str
    time_s: FloatArray
    acc_m_s2: FloatArray
    gyr_rad_s: FloatArray
    declared_rate_hz: float
    mag: FloatArray | None = None
    acc_range_m_s2: float | None = None
    gyr_range_rad_s: float | None = None

    def __repr__(self) -> str:
        return f"<SensorStream {self.placement}: {len(self.time_s)} samples, {self.declared_rate_hz:g} Hz>"


@dataclass(frozen=True, slots=True)
class ArmCount:
    """The reps of one arm in a set, as they were counted while it went on.

    counted: measured; None where nobody was there to count. extra: how many of them were more than asked. corrected: by
    hand, to be added to what was measured; it stands beside it and never in its place.
    """

    side: Side
    counted: int | None = None
    extra: int = 0
    corrected: int = 0


@dataclass(frozen=True, slots=True)
class Event:
    """One row of events.tsv. Times are seconds of the recording's clock.

    direction: of a set, as its drill names it. effort: of a set, 0 to 10 as pain is.
    """

    onset_s: float
    duration_s: float
    trial_type: str
    drill: str | None = None
    side: str | None = None
    pain: float | None = None
    load_kg: float | None = None
    note: str | None = None
    direction: str | None = None
    effort: float | None = None
    counts: tuple[ArmCount, ...] = ()

    @property
    def end_s(self) -> float:
        return self.onset_s + self.duration_s

    def count_of(self, side: Side) -> ArmCount:
        """What was counted of an arm; without a number where nothing was."""
        return next((count for count in self.counts if count.side == side), ArmCount(side))

    def with_count(self, count: ArmCount) -> Event:
        """The event with this in place of what was counted of that arm."""
        others = [own for own in self.counts if own.side != count.side]
        kept = [own for own in (*others, count) if own != ArmCount(own.side)]
        return replace(self, counts=tuple(sorted(kept, key=lambda own: SIDES.index(own.side))))


@dataclass(frozen=True, slots=True)
class Proposal:
    """A stretch that was found in a recording, to be looked at and corrected by a person. Times as of an Event.

    kind: one of TRIAL_TYPES: "set", "neutral_pose", or a calibration movement ("elbow_bends", ...); or MAYBE_SET, which
    is named and not counted.
    side: right, left or both; None for a pose. For a drill in which one arm holds, the arm that lifts.
    drill, direction: of a set, None where it is none of the known drills, or goes in the drill's usual direction.
    probability: that kind and drill are so, 0 to 1. alternatives: other drills that it may be, likeliest first, each
    with its probability; those that the sensors cannot tell from `drill` are among them.
    reps: how often the movement comes in a set, of the arm that does it most often; 0 for a pose.
    doubt: what is not sure, in words; empty where nothing is said.
    """

    kind: str
    start_s: float
    end_s: float
    side: str | None = None
    drill: str | None = None
    direction: str | None = None
    probability: float = 1.0
    alternatives: tuple[tuple[str, float], ...] = ()
    reps: int = 0
    doubt: str = ""

    @property
    def event(self) -> Event:
        """The mark that it is taken for while nobody says otherwise."""
        kind = "set" if self.kind == MAYBE_SET else self.kind
        return Event(self.start_s, self.end_s - self.start_s, kind, self.drill, self.side, direction=self.direction)


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording folder in memory.

    proposals: those among the events that nobody marked; None where nobody looked for any.
    """

    name: str
    athlete: str
    start: str
    streams: Mapping[str, SensorStream]
    events: tuple[Event, ...]
    file_sha256: Mapping[str, str] = field(default_factory=dict)
    proposals: tuple[Proposal, ...] | None = None

    @property
    def lacks_marks(self) -> bool:
        """Whether nobody has marked sets and a pose, nor looked for any that could be proposed."""
        return self.proposals is None and not {"neutral_pose", "set"} <= {event.trial_type for event in self.events}

    def __repr__(self) -> str:
        sets = sum(event.trial_type == "set" for event in self.events)
        return f"<Recording {self.name} of {self.athlete}: {', '.join(self.streams)}; {sets} sets marked>"


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the tool noticed about the data, said in one short line of the report.

    code: out of findings.KINDS. severity: note (good to know), warning (numbers may suffer), or
    fault (the named stretch or sensor was not used). start_s, end_s: None where it holds for all of it.
    """

    placement: str
    code: str
    severity: Severity
    text: str
    value: float | None = None
    start_s: float | None = None
    end_s: float | None = None


@dataclass(frozen=True, slots=True)
class Track:
    """One sensor on the common grid. Rows where `valid` is False are NaN: gaps stay gaps.

    acc_m_s2, gyr_rad_s: (M, 3). valid, clipped: (M,).
    """

    placement: str
    acc_m_s2: FloatArray
    gyr_rad_s: FloatArray
    valid: BoolArray
    clipped: BoolArray

    def at(self, rows: slice) -> Track:
        """Some of its rows."""
        return Track(self.placement, self.acc_m_s2[rows], self.gyr_rad_s[rows], self.valid[rows], self.clipped[rows])


@dataclass(frozen=True, slots=True)
class SensorQuality:
    """How good one sensor's data are, in numbers. Rates: of the sensor's own samples, before the common grid.

    start_s, end_s: of the repaired clock. gap_count, gap_total_s: stretches without samples that stayed gaps;
    bridged_samples: missing samples in holes short enough to be bridged. The offset is the mean gyroscope
    reading where the sensor was stillest, gravity the mean accelerometer reading there; None where it never was still.
    """

    placement: str
    samples: int
    start_s: float
    end_s: float
    declared_rate_hz: float
    measured_rate_hz: float
    jitter_sd_s: float
    duplicates: int
    backward_steps: int
    gap_count: int
    gap_total_s: float
    longest_gap_s: float
    bridged_samples: int
    clipped_pct: float
    spikes: int
    gravity_m_s2: float | None
    gyr_offset_deg_s: float | None
    used: bool = True


@dataclass(frozen=True, slots=True)
class Aligned:
    """All sensors on one clock. time_s: (M,) uniform with step 1/rate_hz.

    quality: by placement, of every sensor of the recording, also of one whose track could not be used.
    """

    rate_hz: float
    time_s: FloatArray
    tracks: Mapping[str, Track]
    findings: tuple[Finding, ...]
    quality: Mapping[str, SensorQuality] = field(default_factory=dict)
