"""What the unsteadiness of a hold is made of: tremor, slow wander, corrections, and where the arm points."""

from __future__ import annotations

import numpy as np

from imu_shoulder.frames import unwrapped_deg
from imu_shoulder.measure.hold import (
    HOLD,
    above_floor,
    detrended,
    detrended_sd,
    settled,
    settled_rows,
    settled_values,
    slope,
)
from imu_shoulder.measure.registry import RepData, measure, once
from imu_shoulder.model import FloatArray
from imu_shoulder.segment.turning import turning_points

WANDER_BAND_HZ = (0.1, 2.0)
TREMOR_S = 2.0  # the shortest hold in which tremor is told
# A turn back counts as a correction from here on: about twice the sensor's floor.
CORRECTION_DEG = 0.1
TREMOR = "8-12 Hz physiological tremor: Sutton & Sykes 1967 (8-10 Hz peak); the band is common practice"


@measure(
    "hold_tremor_deg_s",
    "deg/s",
    "fast trembling in the hold, as speed",
    "RMS of d angle / dt between 8 and 12 Hz over the settled hold, minus the sensor's own in quadrature",
    TREMOR,
)
def hold_tremor_deg_s(data: RepData) -> float:
    return above_floor(_tremor_rms(data, data.curves.tremor_rate_deg_s), data.floor.tremor_deg_s)


@measure(
    "hold_tremor_power_deg2",
    "deg^2",
    "fast trembling in the hold, absolute band power",
    "mean square of the angle's part between 8 and 12 Hz over the settled hold, minus the sensor's own",
    TREMOR,
)
def hold_tremor_power_deg2(data: RepData) -> float:
    return above_floor(_tremor_rms(data, data.curves.tremor_deg), data.floor.tremor_deg) ** 2


@measure(
    "hold_tremor_share_pct",
    "%",
    "fast trembling in the hold, relative band power",
    "100 x hold_tremor_power_deg2 / variance of the angle about its line over the settled hold",
    TREMOR,
)
def hold_tremor_share_pct(data: RepData) -> float:
    variance = detrended_sd(settled(data)) ** 2
    return min(100.0 * hold_tremor_power_deg2(data) / variance, 100.0) if variance > 0 else float("nan")


@measure(
    "hold_wander_deg",
    "deg",
    "slow wandering in the hold",
    "RMS of the angle about its line between 0.1 and 2 Hz over the settled hold, minus the sensor's own in quadrature",
    HOLD,
)
def hold_wander_deg(data: RepData) -> float:
    values = settled(data)
    if not len(values):
        return float("nan")
    power = np.abs(np.fft.rfft(detrended(values))) ** 2
    frequency_hz = np.fft.rfftfreq(len(values), 1 / data.rate_hz)
    inside = (frequency_hz >= WANDER_BAND_HZ[0]) & (frequency_hz <= WANDER_BAND_HZ[1])
    # Parseval: every frequency inside stands for itself and its negative.
    return above_floor(float(np.sqrt(2 * power[inside].sum())) / len(values), data.floor.sd_deg)


@measure(
    "hold_corrections_per_s",
    "1/s",
    "how often the arm turned back on itself in the hold",
    "turning points of the angle low-passed at 3 Hz with a prominence of 0.1 deg or more / time of the settled hold",
    HOLD,
)
def hold_corrections_per_s(data: RepData) -> float:
    if not len(settled(data)):
        return float("nan")
    values = data.cut(data.curves.smooth_deg)[settled_rows(data)]
    # The first and the last are not turned at by so much on both of their sides.
    turns = max(0, len(turning_points(values, CORRECTION_DEG)) - 2)
    return turns / (len(values) / data.rate_hz)


@measure(
    "hold_sway_deg_s",
    "deg/s",
    "path of the pointing direction in the hold, per second",
    "length of the path, on the sphere, of the direction low-passed at 3 Hz / time of the settled hold; the upper "
    "arm's direction where elevation leads, the forearm's otherwise",
    "sway path as in posturography: common practice",
)
def hold_sway_deg_s(data: RepData) -> float:
    direction = pointing(data, _pointer(data))
    if not len(direction):
        return float("nan")
    return float(np.degrees(np.linalg.norm(np.diff(direction, axis=0), axis=1).mean()) * data.rate_hz)


@measure(
    "hold_elevation_sd_deg",
    "deg",
    "unsteadiness of the elevation in the hold, whichever angle leads",
    "as hold_sd_deg, of elevation_deg",
    HOLD,
)
def hold_elevation_sd_deg(data: RepData) -> float:
    return above_floor(detrended_sd(settled_values(data, data.angles.get("elevation_deg"))), data.floor.sd_deg)


@measure(
    "hold_rotation_sd_deg",
    "deg",
    "unsteadiness of the rotation in the hold, whichever angle leads",
    "as hold_sd_deg, of rotation_deg",
    HOLD,
)
def hold_rotation_sd_deg(data: RepData) -> float:
    return above_floor(detrended_sd(_rotation(data)), data.floor.sd_deg)


@measure(
    "hold_rotation_drift_deg_s",
    "deg/s",
    "drift of the rotation in the hold, external positive",
    "least-squares slope of rotation_deg over the settled hold",
    HOLD,
)
def hold_rotation_drift_deg_s(data: RepData) -> float:
    values = _rotation(data)
    return slope(values) * data.rate_hz if len(values) > 2 else float("nan")


@measure(
    "hold_working_sd_deg",
    "deg",
    "for an arm that holds: its unsteadiness while the other arm moves",
    "SD of the angle about its line over the rows of the settled hold in which the other arm's elevation changes by "
    "more than 10 deg/s",
    HOLD,
)
def hold_working_sd_deg(data: RepData) -> float:
    return _while_other(data, moving=True)


@measure(
    "hold_waiting_sd_deg",
    "deg",
    "for an arm that holds: its unsteadiness while the other arm is still",
    "as hold_working_sd_deg, over the other rows",
    HOLD,
)
def hold_waiting_sd_deg(data: RepData) -> float:
    return _while_other(data, moving=False)


OTHER_MOVES_DEG_S = 10.0


def _while_other(data: RepData, moving: bool) -> float:
    values, other = settled(data), data.curves.smooth_column("other_elevation_deg")
    if data.rep.kind != "hold" or other is None or not len(values):
        return float("nan")
    speed = np.abs(np.gradient(data.cut(other)[settled_rows(data)])) * data.rate_hz
    rows = (speed > OTHER_MOVES_DEG_S) == moving
    found = detrended(values)[rows]
    return above_floor(float(np.sqrt(np.mean(found**2))), data.floor.sd_deg) if len(found) else float("nan")


def _tremor_rms(data: RepData, whole: FloatArray) -> float:
    if len(settled(data)) < TREMOR_S * data.rate_hz:
        return float("nan")
    return float(np.sqrt(np.mean(data.cut(whole)[settled_rows(data)] ** 2)))


@once
def _rotation(data: RepData) -> FloatArray:
    values = settled_values(data, data.angles.get("rotation_deg"))
    return unwrapped_deg(values)


def _pointer(data: RepData) -> str:
    leads = "elevation" if data.drill is None else data.drill.leading_angle
    return "upper_arm" if leads == "elevation" else "forearm"


def pointing(data: RepData, pointer: str, rows: slice | None = None) -> FloatArray:
    """Direction (n, 3) of the upper arm or the forearm, low-passed at 3 Hz, over the settled or the given rows.

    Empty where the sensors worn do not show it, or not all of it was seen.
    """
    rows = settled_rows(data) if rows is None else rows
    columns = []
    for axis in "xyz":
        name = f"{pointer}_{axis}"
        whole, seen = data.curves.smooth_column(name), data.angles.get(name)
        if whole is None or seen is None or not np.isfinite(seen[rows]).all():
            return np.empty((0, 3))
        columns.append(data.cut(whole)[rows])
    found = np.column_stack(columns)
    return np.asarray(found / np.sqrt(np.einsum("nj,nj->n", found, found))[:, None])
