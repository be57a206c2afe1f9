"""The outputs of `imu-shoulder sensor-check`: report.html, figures.csv, correction.toml and origin.json."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import matplotlib as mpl
import pandas as pd

from imu_shoulder.align import align_recording
from imu_shoulder.bench.correction import Correction, Triple, write_corrections
from imu_shoulder.bench.expected import ExpectedError, expected_errors, sensor_model
from imu_shoulder.bench.six_face import SixFaceCheck, check_six_faces
from imu_shoulder.bench.still import AXES, AxisNoise, StillCheck, check_still, read_temperature
from imu_shoulder.bench.turns import TurnCheck, check_turns
from imu_shoulder.files import whole_folder, write_text
from imu_shoulder.model import Aligned, Recording
from imu_shoulder.report.words import HOW_CHECKED
from imu_shoulder.sources.folder import read_recording
from imu_shoulder.texts import csv_text
from imu_shoulder.validate import figures
from imu_shoulder.validate.figures import Picture
from imu_shoulder.validate.origin import as_json, origin
from imu_shoulder.validate.page import Section, Table, build_page

FILES = ("report.html", "figures.csv", "origin.json", "correction.toml")
READING_RULES = (
    "Where the curve falls with slope -1/2, noise is white. Its value at 1 s, N, is the random walk of the integral; "
    "the one-sided noise density of a data sheet is sqrt(2) times that; samples at f Hz scatter by density times "
    "sqrt(f/2).",
    "A flat floor is the bias instability times 0.664. Where the curve never gets flat, its lowest point is only an "
    "upper bound, and it is printed with 'at most'.",
    "Where it rises with slope +1/2, the offset wanders as a random walk: K is read there. Grey is the 95 % interval; "
    "the right end of a curve rests on few averages.",
)


@dataclass(slots=True)
class SensorChecks:
    """All checks that were run, by kind."""

    recordings: list[Recording] = field(default_factory=list)
    still: list[StillCheck] = field(default_factory=list)
    six_face: list[SixFaceCheck] = field(default_factory=list)
    turns: list[TurnCheck] = field(default_factory=list)

    def corrections(self) -> dict[str, Correction]:
        """By placement, from the six-face and the turn checks; axes that were not turned about keep a scale of 1."""
        found: dict[str, Correction] = {}
        by_turns = {check.placement: check for check in self.turns}
        by_faces = {check.placement: check for check in self.six_face}
        for placement in [*by_faces, *(p for p in by_turns if p not in by_faces)]:
            faces, turns = by_faces.get(placement), by_turns.get(placement)
            found[placement] = Correction(
                acc_bias_m_s2=(0.0, 0.0, 0.0) if faces is None else _triple(faces.acc_bias_m_s2),
                acc_scale=(1.0, 1.0, 1.0) if faces is None else _triple(faces.acc_scale),
                gyr_scale=(1.0, 1.0, 1.0)
                if turns is None
                else _triple([turns.axes[axis].scale if axis in turns.axes else 1.0 for axis in AXES]),
            )
        return found


def run_checks(still: Path | None, six_face: Path | None, turns: Path | None, turn_deg: float) -> SensorChecks:
    """Check every sensor of each recording folder that is given. Raises RecordingError."""
    checks = SensorChecks()
    if still is not None:
        aligned = _read(still, checks)
        temperature = read_temperature(still / "temperature.csv", aligned.time_s)
        checks.still = [check_still(t, aligned.rate_hz, temperature) for t in aligned.tracks.values()]
    if six_face is not None:
        aligned = _read(six_face, checks)
        checks.six_face = [check_six_faces(track, aligned.time_s) for track in aligned.tracks.values()]
    if turns is not None:
        aligned = _read(turns, checks)
        checks.turns = [check_turns(track, aligned.time_s, turn_deg) for track in aligned.tracks.values()]
    return checks


def _read(folder: Path, checks: SensorChecks) -> Aligned:
    recording = read_recording(folder)
    checks.recordings.append(recording)
    return align_recording(recording)


def write_checks(checks: SensorChecks, parameters: Mapping[str, Any], out: Path) -> list[str]:
    """Write all outputs into `out` and return the verdict's sentences. Raises OutputError."""
    verdict, expected = _verdict(checks)
    sections = [Section("What to expect in the drills", [], [expected])]
    sections += [_still_section(check) for check in checks.still]
    sections += [_six_face_section(check) for check in checks.six_face]
    sections += [_turn_section(check) for check in checks.turns]
    came_from = origin(checks.recordings, parameters)
    page = build_page("Sensor check", [*verdict, HOW_CHECKED], sections, came_from)
    table = _figures_table(checks)
    corrections = checks.corrections()
    with whole_folder(out, FILES) as scratch:
        write_text(scratch / "report.html", page)
        write_text(scratch / "figures.csv", csv_text(table, float_format="%.6g"))
        write_text(scratch / "origin.json", as_json(came_from))
        if corrections:
            write_corrections(corrections, scratch / "correction.toml")
    return verdict


def _verdict(checks: SensorChecks) -> tuple[list[str], Table]:
    rows, said = [], []
    for corrected in (False, True) if checks.corrections() else (False,):
        model, source = sensor_model(checks.still, checks.six_face, checks.turns, corrected=corrected)
        errors = expected_errors(model)
        state = "with the correction file" if corrected else "as it is"
        rows += [[state, *_error_cells(error)] for error in errors]
        worst = max(errors, key=lambda error: error.top_rms_deg)
        said.append(
            f"Used {state}, expect this sensor alone to put up to {worst.top_rms_deg:.1f} deg (RMS) into the top of a "
            f"rep ({worst.drill.replace('_', ' ')}, {worst.angle}). Pose, straps and skin come on top."
        )
        if not corrected:
            assumed = [name for name, how in source.items() if how == "assumed"]
            said.append(f"Assumed, because no check measured it: {', '.join(assumed)}.")
    head = ("sensor", "drill", "angle", "RMS [deg]", "95 % within [deg]", "RMS of tops [deg]")
    return said, Table("Simulated drills, this sensor against a flawless one", head, rows)


def _error_cells(error: ExpectedError) -> list[str]:
    sizes = (error.rms_deg, error.p95_deg, error.top_rms_deg)
    return [error.drill, error.angle, *(f"{size:.2f}" for size in sizes)]


def _still_section(check: StillCheck) -> Section:
    rows = []
    for kind, axes, unit in (("gyroscope", check.gyr, "deg/s"), ("accelerometer", check.acc, "ug")):
        rows += [_noise_row(f"{kind} {name}", axis, unit) for name, axis in axes.items()]
    sentences = list(READING_RULES)
    if any(axis.drift_per_deg_c is not None for axis in check.gyr.values()):
        sentences.append(
            "The drift with temperature is a straight line over 10 s means. Over a single warming, an offset that "
            "wanders by itself looks the same: warm and cool the sensor before you believe it."
        )
    head = (
        "axis",
        "mean",
        "density, one-sided",
        "random walk N",
        "bias instability",
        "rate random walk K",
        "per deg C",
    )
    return Section(
        f"Noise of {check.placement.replace('_', ' ')}: {check.length_s / 60:.0f} min at {check.rate_hz:g} Hz",
        sentences,
        [Table("Read off the curves", head, rows)],
        [
            _curves(check.gyr, "deg/s", f"Gyroscope of {check.placement.replace('_', ' ')}"),
            _curves(check.acc, "ug", f"Accelerometer of {check.placement.replace('_', ' ')}"),
        ],
    )


def _noise_row(name: str, axis: AxisNoise, unit: str) -> list[str]:
    f = axis.figures
    walk = "not seen" if f.rate_walk_u_rt_s is None else f"{f.rate_walk_u_rt_s:.3g} {unit}/sqrt(s)"
    drift = "not measured"
    if axis.drift_per_deg_c is not None:
        slope, error = axis.drift_per_deg_c
        drift = f"{slope:.3g} +- {error:.2g} {unit}"
    return [
        name,
        f"{axis.mean:.4g} {unit}",
        f"{f.density_u_rt_hz:.3g} {unit}/sqrt(Hz)",
        f"{f.random_walk_u_rt_s:.3g} {unit} sqrt(s)",
        f"{'at most ' if f.at_most else ''}{f.instability_u:.3g} {unit}",
        walk,
        drift,
    ]


def _curves(axes: Mapping[str, AxisNoise], unit: str, title: str) -> Picture:
    with mpl.rc_context(figures.STYLE):
        figure, plot = figures.new_axes("averaging time [s]", f"Allan deviation [{unit}]")
        plot.set(xscale="log", yscale="log", title=title)
        plot.title.set_fontsize(10)
        for colour, (name, axis) in zip(figures.COLOURS, axes.items(), strict=False):
            plot.fill_between(axis.curve.tau_s, axis.curve.low, axis.curve.high, color="0.8", alpha=0.5, linewidth=0)
            plot.plot(axis.curve.tau_s, axis.curve.deviation, color=colour, label=name)
        plot.legend()
        return figures.drawn(figure, f"Allan deviation over averaging time, {title}, three axes")


def _six_face_section(check: SixFaceCheck) -> Section:
    head = ("axis", "offset [m/s^2]", "offset [mg]", "scale")
    rows = [
        [axis, f"{bias:+.4f}", f"{bias / 9.80665e-3:+.1f}", f"{scale:.5f}"]
        for axis, bias, scale in zip(AXES, check.acc_bias_m_s2, check.acc_scale, strict=True)
    ]
    sentence = (
        f"{check.rests} rests. Uncorrected, gravity is misread by {check.before_m_s2:.3f} m/s^2 (RMS over the rests), "
        f"corrected by {check.residual_m_s2:.3f}. The corrections are in correction.toml."
    )
    return Section(
        f"Six faces of {check.placement.replace('_', ' ')}", [sentence], [Table("Accelerometer", head, rows)]
    )


def _turn_section(check: TurnCheck) -> Section:
    rows, said = [], []
    for name, axis in check.axes.items():
        error = "one turn only" if axis.standard_error is None else f"{axis.standard_error:.5f}"
        rows.append([name, f"{axis.scale:.5f}", error, str(axis.turns)])
        said.append(f"Axis {name} misreads a turn of 90 deg by {90 * (axis.scale - 1):+.2f} deg.")
    missing = [axis for axis in AXES if axis not in check.axes]
    if missing:
        said.append(f"Not turned about, so not known: {', '.join(missing)}.")
    head = ("axis", "scale", "standard error", "turns")
    return Section(f"Turns of {check.placement.replace('_', ' ')}", said, [Table("Gyroscope", head, rows)])


def _figures_table(checks: SensorChecks) -> pd.DataFrame:
    """Tidy: placement, sensor, axis, figure, value, unit."""
    rows: list[tuple[str, str, str, str, float, str]] = []
    for still in checks.still:
        for kind, axes, unit in (("gyr", still.gyr, "deg/s"), ("acc", still.acc, "ug")):
            for name, axis in axes.items():
                f = axis.figures
                at = (still.placement, kind, name)
                rows.append((*at, "mean", axis.mean, unit))
                rows.append((*at, "noise_density_one_sided", f.density_u_rt_hz, f"{unit}/sqrt(Hz)"))
                rows.append((*at, "random_walk", f.random_walk_u_rt_s, f"{unit} sqrt(s)"))
                rows.append((*at, "instability_at_most" if f.at_most else "instability", f.instability_u, unit))
                if f.rate_walk_u_rt_s is not None:
                    rows.append((*at, "rate_random_walk", f.rate_walk_u_rt_s, f"{unit}/sqrt(s)"))
                if axis.drift_per_deg_c is not None:
                    rows.append((*at, "temperature_drift", axis.drift_per_deg_c[0], f"{unit}/degC"))
    for faces in checks.six_face:
        for name, bias, scale in zip(AXES, faces.acc_bias_m_s2, faces.acc_scale, strict=True):
            rows.append((faces.placement, "acc", name, "bias", float(bias), "m/s^2"))
            rows.append((faces.placement, "acc", name, "scale", float(scale), "1"))
    for turns in checks.turns:
        for name, found in turns.axes.items():
            rows.append((turns.placement, "gyr", name, "scale", found.scale, "1"))
    return pd.DataFrame(rows, columns=["placement", "sensor", "axis", "figure", "value", "unit"])


def _triple(values: Sequence[float] | Any) -> Triple:
    x, y, z = (float(value) for value in values)
    return x, y, z
