"""Every finding there can be, in one table: its code, how much it matters, what it means and what to do about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from imu_shoulder.model import Finding, Severity


@dataclass(frozen=True, slots=True)
class Kind:
    """What all findings of one code share. code: stable snake_case name, in summary.json.

    severity: as of model.Finding. meaning, what_to_do: its line in docs/outputs.md. spoils_calibration: it says that
    the sensors did not stay where the calibration saw them, or never were there.
    """

    code: str
    severity: Severity
    meaning: str
    what_to_do: str
    spoils_calibration: bool = False

    def __post_init__(self) -> None:
        for text in (self.code, self.meaning, self.what_to_do):
            if not text.strip():
                raise ValueError(f"expected meaning and what_to_do of {self.code!r}; came an empty text; write it")


_NOTHING = "nothing; it was put right"
_FASTEN = "fasten the straps, and record the calibration again"

# The clock, holes, values, straps, angles.
KINDS: Mapping[str, Kind] = MappingProxyType(
    {
        kind.code: kind
        for kind in (
            Kind("rate_off", "warning", "the clock ran at another rate than declared", "declare the measured rate"),
            Kind("measured_rate", "note", "the rate that was measured, near the declared one", "nothing"),
            Kind("jitter", "note", "time stamps came unevenly", _NOTHING),
            Kind("duplicates", "note", "samples came twice", _NOTHING),
            Kind("reordered", "note", "samples came late", _NOTHING),
            Kind("clock_wrap", "note", "the counter of the clock ran over", _NOTHING),
            Kind(
                "clock_set_back",
                "warning",
                "the clock stepped back; undone as if no time was lost",
                "look whether the times around it can be right",
            ),
            Kind("bridged", "note", "samples missing in holes short enough for a straight line", "nothing"),
            Kind("gaps", "warning", "many stretches without samples, in one line", "carry the receiver nearer"),
            Kind("gap", "warning", "a stretch without samples", "carry the receiver nearer"),
            Kind("clipping", "warning", "samples at the end of the sensor's range", "set a wider range"),
            Kind(
                "spikes",
                "note",
                "single samples that stick out of their neighbours; a straight line was put in their place",
                "nothing, if they are few; else look at the sensor and its cable",
            ),
            Kind(
                "range_wrapped",
                "warning",
                "an instrument ran over the end of its range to the other end; undone",
                "set a wider range",
            ),
            Kind(
                "constant_channel",
                "fault",
                "a channel that never changes; the sensor was not used",
                "look at the file or the sensor, and record again",
            ),
            Kind(
                "stuck_channel",
                "fault",
                "a channel that stays at one value for a while; that stretch was not used",
                "look at the sensor",
            ),
            Kind(
                "zero_rows",
                "fault",
                "rows of zeros, which no worn sensor reads; they were not used",
                "look at the sensor and its log",
            ),
            Kind(
                "repeated_rows",
                "fault",
                "rows that were written twice; the later ones were not used",
                "look at what wrote the file",
            ),
            Kind(
                "filled_rows",
                "fault",
                "rows on a straight line, which no sensor reads: put in for what was lost; they were not used",
                "leave out what was lost instead of filling it in",
            ),
            Kind(
                "same_data",
                "fault",
                "two sensors have the same rows, and one of them is not what it is said to be; neither was used",
                "look which file is whose",
            ),
            Kind(
                "coarse",
                "warning",
                "readings come in steps as large as a person's sway",
                "set a finer resolution, or write more digits",
            ),
            Kind(
                "noisy",
                "fault",
                "readings that jump to and fro from row to row; that stretch was not used",
                "look at the sensor and its cable",
            ),
            Kind(
                "accelerometer_off",
                "fault",
                "the accelerometer's zero or scale is broken; the sensor was not used",
                "change the sensor, or measure it with `bench`",
            ),
            Kind(
                "accelerometer_zero",
                "note",
                "the zero offset that the accelerometer showed, which may be within what sound parts have",
                "measure the sensor with `bench`, which takes it off",
            ),
            Kind(
                "gyroscope_scale",
                "fault",
                "the gyroscope's scale is off by more than a sound part's; the sensor was not used",
                "look at the declared scale; measure the sensor with `bench`",
            ),
            Kind(
                "axes_changed",
                "fault",
                "the accelerometer turned from one sample to the next, the gyroscope did not; the sensor was not used",
                "look at what wrote the file, and at the sensor",
            ),
            Kind(
                "instruments_disagree",
                "fault",
                "accelerometer and gyroscope contradict each other, and nothing explains it; the sensor was not used",
                "look at the sensor, and record again",
            ),
            Kind(
                "axes_wrong",
                "fault",
                "gyroscope and accelerometer have other axes or signs; the sensor was not used",
                "correct the axes' order and signs",
            ),
            Kind(
                "accelerometer_upside_down",
                "fault",
                "the sensors of an arm turn against each other, as if an accelerometer were negated; not used",
                "correct the signs: 9.8 upward at rest",
            ),
            Kind(
                "clocks_apart",
                "warning",
                "a sensor's clock was ahead or behind another's of the arm; put right where it was at most 2 s",
                "start all sensors on one clock",
            ),
            Kind(
                "clock_unknown",
                "fault",
                "a sensor's clock was too far from the others' to be put right; the sensor was not used",
                "start all sensors on one clock",
            ),
            Kind(
                "starts_late",
                "warning",
                "a sensor began after the first event; nothing is known of it before",
                "start all sensors first",
            ),
            Kind(
                "ends_early",
                "warning",
                "a sensor ended before the last event; nothing is known of it from then on",
                "look at its battery and memory",
            ),
            Kind(
                "gravity_off",
                "warning",
                "gravity reads wrong where the sensor was still",
                "look at the units and scale; measure the sensor with `bench`",
            ),
            Kind(
                "axes_disagree", "warning", "accelerometer and gyroscope disagree", "look at the axes' order and signs"
            ),
            Kind(
                "gyr_offset",
                "warning",
                "the gyroscope reads a turn when held still",
                "let the sensor warm up and settle",
            ),
            Kind("never_still", "warning", "never still, so its values could not be checked", "stand still once"),
            Kind(
                "sensor_slip",
                "fault",
                "a sensor turned on its strap; later reps of that arm were not scored",
                _FASTEN,
                spoils_calibration=True,
            ),
            Kind(
                "swapped_segments",
                "warning",
                "the wrist and upper-arm sensors of an arm seem to be swapped",
                "swap the straps or the names, and start again",
                spoils_calibration=True,
            ),
            Kind(
                "swapped_sides",
                "warning",
                "the other arm moved than the one that was named",
                "swap the straps or the names, and start again",
                spoils_calibration=True,
            ),
            Kind(
                "not_on_limb",
                "warning",
                "a sensor did not move with its limb, or was not worn",
                "strap it on and record again",
                spoils_calibration=True,
            ),
            Kind(
                "heading_not_shared",
                "warning",
                "nothing showed how an arm's two sensors point to each other; the angles named are missing",
                "raise the straight arm forward twice after the pose (forward_raises)",
            ),
            Kind(
                "mirrored_arm",
                "warning",
                "an arm went far from the plane that was asked, and its mirror image went there",
                "look whether sensors of the two arms are exchanged, or all accelerometers have the wrong sign",
                spoils_calibration=True,
            ),
            Kind(
                "implausible_angle",
                "warning",
                "an angle was further than joints go for a second or longer in a set",
                "look whether the sensors sit as marked, and record the neutral pose again",
                spoils_calibration=True,
            ),
        )
    }
)


def finding_of(
    placement: str,
    code: str,
    text: str,
    value: float | None = None,
    start_s: float | None = None,
    end_s: float | None = None,
) -> Finding:
    """A finding of a kind of the table; KeyError for any other code. text: what was seen in this recording."""
    return Finding(placement, code, KINDS[code].severity, text, value, start_s, end_s)
