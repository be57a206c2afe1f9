"""Sensors that lie: every kind of fault as a function from a sound recording to one in which one sensor has it.

What is allowed as the answer stands beside each. A kind is found where a finding of an allowed code names the sensor,
or where the recording is refused with a sentence that names it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import sensor_harms as harms
from sensor_harms import Harm, beside, changed, frozen, held, late, times, values_of, within_set, zeroed

from imu_shoulder.model import Recording

# What becomes of it: some of its rows or all of the sensor left out, its clock put right, or the recording refused.
Outcome = Literal["rows", "sensor", "put right", "refused"]


@dataclass(frozen=True, slots=True)
class SensorFault:
    """One kind of fault. codes: findings that are an answer. outcomes: what may become of the sensor.

    of_both: it is a difference of the arm's two sensors, and either may be named. exchanged: the other sensor of the
    arm has it too, from this one.
    """

    name: str
    harm: Harm
    codes: frozenset[str]
    outcomes: frozenset[str]
    of_both: bool = False
    exchanged: bool = False

    def who(self, placement: str) -> tuple[str, ...]:
        """The sensors that have it, if this one has."""
        return (placement, beside(placement)) if self.exchanged else (placement,)

    def __call__(self, recording: Recording, placement: str) -> Recording:
        """The recording with the fault in one sensor."""
        bad = {own: self.harm(recording.streams[own], recording) for own in self.who(placement)}
        return replace(recording, streams={**recording.streams, **bad})

    def changes(self, recording: Recording, placement: str) -> bool:
        """Whether that sensor is another one with the fault: what never turns so fast is not clipped by a low range."""
        was, now = recording.streams[placement], self.harm(recording.streams[placement], recording)
        same_rows = np.array_equal(was.time_s, now.time_s)
        return not (same_rows and np.array_equal(values_of(was), values_of(now)))


def _fault(name: str, harm: Harm, codes: str, outcomes: str, **more: bool) -> SensorFault:
    return SensorFault(name, harm, frozenset(codes.split()), frozenset(outcomes.split(", ")), **more)


def same_arm(placement: str) -> tuple[str, str]:
    """The two limb sensors of the arm that a sensor sits on."""
    side = placement.split("_")[0]
    return f"{side}_wrist", f"{side}_upper_arm"


# A zero that is off: told and taken off, told by the size of gravity in one posture, or the sensor left out.
ZERO = "accelerometer_zero accelerometer_off gravity_off"
CLOCKS = "clocks_apart clock_unknown"
LATE = "clocks_apart instruments_disagree"
GYROSCOPE_OFF = "gyroscope_scale instruments_disagree axes_wrong"
SPIKE = np.array([60.0, 60.0, 60.0, 10.0, 10.0, 10.0])
GYROSCOPE = np.repeat([0.0, 1.0], 3)
MIRRORED_X = np.array([-1.0, 1.0, 1.0])

SENSOR_FAULTS: Mapping[str, SensorFault] = {
    fault.name: fault
    for fault in (
        _fault("zeros, last 3 s", harms.zero_end, "zero_rows", "rows"),
        _fault("zeros, six bursts of 0.6 s", harms.zero_bursts, "zero_rows", "rows"),
        _fault("zeros, three rows", harms.zero_rows(3), "zero_rows", "rows"),
        _fault("zeros throughout", harms.all_zero, "constant_channel", "sensor"),
        _fault(
            "accelerometer zero for a third of the set", zeroed((0.3, 0.6), columns=slice(0, 3)), "zero_rows", "rows"
        ),
        _fault("frozen for 2 s", frozen(0.4, 2.0), "stuck_channel", "rows"),
        _fault("frozen for 0.3 s", frozen(0.4, 0.3), "stuck_channel", "rows"),
        _fault("a second written twice", harms.repeated, "repeated_rows", "rows"),
        _fault("gyroscope dead", times(1.0, 0.0), "constant_channel", "sensor"),
        _fault("gyroscope dies in the set", held(slice(3, 6), 0.4), "stuck_channel", "rows"),
        _fault("accelerometer dies in the set", held(slice(0, 3), 0.4), "stuck_channel", "rows"),
        _fault("one axis of the gyroscope dies in the set", held(slice(4, 5), 0.4), "stuck_channel", "rows"),
        _fault("gyroscope clips at 60 deg/s", changed(harms.clipped), "clipping", "rows"),
        _fault("accelerometer's x 0.5 m/s^2 further off", harms.further_off(0.5), ZERO, "put right, sensor"),
        _fault("accelerometer's x off by 1.5 m/s^2", harms.plus(np.array([1.5, 0.0, 0.0])), ZERO, "put right, sensor"),
        _fault("accelerometer's x off by 2 m/s^2", harms.plus(np.array([2.0, 0.0, 0.0])), ZERO, "put right, sensor"),
        _fault("accelerometer's z off by 3 m/s^2", harms.plus(np.array([0.0, 0.0, 3.0])), ZERO, "put right, sensor"),
        _fault("accelerometer 1.3 times", times(1.3, 1.0), "accelerometer_off gravity_off", "sensor"),
        _fault("gyroscope 1.1 times", times(1.0, 1.1), "gyroscope_scale", "sensor"),
        _fault("gyroscope 57 times", times(1.0, 180.0 / np.pi), "axes_wrong gyroscope_scale", "sensor, refused"),
        _fault("accelerometer in g", times(1 / 9.80665, 1.0), "accelerometer_off", "sensor, refused"),
        _fault("gyroscope negated", times(1.0, -1.0), "axes_wrong", "sensor"),
        _fault("gyroscope's x mirrored", times(1.0, MIRRORED_X), "axes_wrong", "sensor"),
        _fault("accelerometer's x mirrored", times(MIRRORED_X, 1.0), "axes_wrong", "sensor"),
        _fault("accelerometer negated", times(-1.0, 1.0), "accelerometer_upside_down", "sensor", of_both=True),
        _fault("clock 0.2 s ahead", late(0.2), "clocks_apart", "put right", of_both=True),
        _fault("clock 0.5 s ahead", late(0.5), "clocks_apart", "put right", of_both=True),
        _fault("clock 10 s ahead", late(10.0), "clock_unknown", "sensor"),
        _fault("spikes in 1 % of the rows", harms.spikes(0.01, SPIKE), "spikes", "put right"),
        _fault("spikes of the gyroscope in 3 %", harms.spikes(0.03, SPIKE * GYROSCOPE), "spikes", "put right"),
        _fault("gyroscope runs over at 60 deg/s", changed(harms.runs_over), "range_wrapped spikes", "put right"),
        _fault("gyroscope noisy for a third of the set", within_set(harms.noise, 0.3, 0.6), "noisy", "rows, sensor"),
        _fault("20 packets of four rows come twice", harms.packets_twice(4, 20), "repeated_rows", "put right"),
        _fault(
            "gyroscope's zero off by 20 deg/s",
            changed(harms.zero_of_gyroscope(np.array([0.0, 0.0, 20.0]))),
            "gyr_offset",
            "put right",
        ),
        _fault(
            "gyroscope's zero moves by 4 deg/s in the set",
            within_set(harms.zero_of_gyroscope(np.array([0.0, 4.0, 0.0])), 0.4),
            f"gyr_offset accelerometer_off instruments_disagree {GYROSCOPE_OFF}",
            "sensor",
        ),
        _fault(
            "accelerometer negated from within the set",
            within_set(lambda values: values * np.repeat([-1.0, 1.0], 3), 0.4),
            "axes_changed accelerometer_off axes_wrong instruments_disagree",
            "sensor",
        ),
        _fault("clock 2 % slow", harms.pace(0.98), CLOCKS, "put right, sensor", of_both=True),
        _fault(
            "clock jumps by 1 s in the set",
            harms.clock_jumps(1.0),
            CLOCKS,
            "put right, sensor",
            of_both=True,
        ),
        _fault("accelerometer's x and y exchanged", harms.axes(acc=(1, 0, 2)), "axes_wrong", "sensor"),
        _fault("gyroscope's axes permuted", harms.axes(gyr=(1, 2, 0)), "axes_wrong", "sensor"),
        _fault(
            "gyroscope's y inverted from within the set",
            within_set(lambda values: values * np.array([1.0, 1.0, 1.0, 1.0, -1.0, 1.0]), 0.4),
            "axes_wrong instruments_disagree axes_changed gyroscope_scale",
            "sensor",
        ),
        _fault(
            "accelerometer's x 1.2 times", times(np.array([1.2, 1.0, 1.0]), 1.0), f"{ZERO} gyroscope_scale", "sensor"
        ),
        _fault(
            "accelerometer's x drifts by 1 m/s^2 a minute",
            harms.drifts(np.array([1.0, 0, 0, 0, 0, 0])),
            f"{ZERO} instruments_disagree",
            "put right, sensor",
        ),
        _fault(
            "gyroscope's zero drifts by 8 deg/s a minute",
            harms.drifts(np.array([0, 0, 0, 8.0, 0, 0])),
            f"gyr_offset accelerometer_off {GYROSCOPE_OFF}",
            "put right, sensor",
        ),
        _fault("values rounded to 0.5 m/s^2 and 2 deg/s", harms.rounded(0.5, 2.0), "coarse", "put right"),
        _fault("averaged over 0.5 s", harms.averaged(0.5), "clocks_apart", "put right", of_both=True),
        _fault("gyroscope 0.2 s late", harms.gyroscope_late(0.2), LATE, "put right, sensor", of_both=True),
        _fault("a second filled with a straight line", harms.filled(0.4, 1.0), "filled_rows stuck_channel", "rows"),
        _fault("no numbers for 1 s", harms.missing(0.4, 1.0), "gap gaps", "rows"),
        _fault("no numbers of one axis for 3 s", harms.missing(0.4, 3.0, slice(1, 2)), "gap gaps", "rows"),
        _fault("signs flip in 1 % of the rows", harms.signs_flip(0.01), "spikes", "put right"),
        _fault("half the rate for a third of the set", harms.pairs(0.3, 0.6), "repeated_rows", "rows"),
        _fault("rows backwards for 1 s", harms.backwards(0.4, 1.0), "reordered clock_set_back", "put right"),
        _fault(
            "off for 3 s and counts from nothing",
            harms.restarts(0.5, 3.0),
            "clock_unknown clocks_apart instruments_disagree axes_changed",
            "put right, sensor",
            of_both=True,
        ),
        _fault("two rows with one time stamp each", harms.same_stamps(2), "jitter duplicates", "put right"),
        _fault(
            "the same data as the arm's other sensor",
            harms.goes_on_as(beside, -1e6),
            "same_data",
            "sensor",
            of_both=True,
        ),
        _fault(
            "goes on as the arm's other sensor",
            harms.goes_on_as(beside, 0.5),
            "axes_changed instruments_disagree same_data axes_wrong",
            "sensor",
            of_both=True,
        ),
        _fault(
            "the arm's sensors exchanged within the set",
            harms.goes_on_as(beside, 0.5),
            "axes_changed instruments_disagree axes_wrong sensor_slip",
            "sensor",
            of_both=True,
            exchanged=True,
        ),
        _fault("starts after the pose", harms.starts_late, "starts_late", "rows, sensor"),
        _fault("ends half-way", harms.ends_early, "ends_early", "rows"),
    )
}

# Kinds of faults by their size, from too small to be asked for on: name, unit, the harm of a size, sizes, codes.
BY_SIZE: tuple[tuple[str, str, Callable[[float], Harm], tuple[float, ...], str], ...] = (
    ("zeros", "rows", lambda size: harms.zero_rows(round(size)), (1, 2, 3, 5), "zero_rows"),
    ("frozen", "s", lambda size: frozen(0.4, size), (0.03, 0.06, 0.1, 0.2, 0.3), "stuck_channel"),
    (
        "accelerometer's x off",
        "m/s^2",
        harms.further_off,
        (0.25, 0.5, 0.75, 1.0, 1.5, 2.0),
        ZERO,
    ),
    ("gyroscope's scale off", "%", lambda size: times(1.0, 1.0 + size / 100.0), (2, 5, 7, 10, 15), "gyroscope_scale"),
    ("gyroscope's scale off", "%", lambda size: times(1.0, 1.0 + size / 100.0), (-15, -10, -7, -5), "gyroscope_scale"),
    (
        "gyroscope's x off",
        "%",
        lambda size: times(1.0, np.array([1.0 + size / 100.0, 1.0, 1.0])),
        (20, 50, 100),
        GYROSCOPE_OFF,
    ),
    (
        "gyroscope's zero drifts",
        "deg/s a minute",
        lambda size: harms.drifts(np.array([0, 0, 0, size, 0, 0])),
        (3, 5, 8),
        f"gyr_offset accelerometer_off {GYROSCOPE_OFF}",
    ),
    ("clock ahead", "s", late, (0.05, 0.1, 0.15, 0.2, 0.3, 1.0), "clocks_apart"),
    ("clock slow", "%", lambda size: harms.pace(1.0 - size / 100.0), (0.1, 0.2, 0.5, 1.0, 2.0), CLOCKS),
    ("clock jumps", "s", harms.clock_jumps, (0.1, 0.2, 0.3, 0.5, 1.0, 3.0), CLOCKS),
)
