"""A continuous reference (optical, electrogoniometer): its lag against our clock, and our angles at its times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import optimize, signal

from imu_shoulder.angles.joint import ANGLE_COLUMNS
from imu_shoulder.checked import require_file
from imu_shoulder.errors import RecordingError
from imu_shoulder.model import SIDES, FloatArray

GRID_S = 0.01
LARGEST_GAP_S = 0.1
LEAST_SD_DEG = 3.0
LEAST_CORRELATION = 0.5


@dataclass(frozen=True, slots=True)
class Series:
    """time_s (N,) increasing, values: <side>_<angle> -> (N,) degrees, NaN where the reference did not see it."""

    time_s: FloatArray
    values: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True)
class Lag:
    """The reference shows at t + lag_s what we show at t. correlation: of the angular velocities at that lag.

    by_third_s: lag of each third of the recording by itself, NaN where little moved; they drift apart with the clocks.
    """

    lag_s: float
    correlation: float
    by_third_s: tuple[float, float, float]


def read_series(path: Path) -> Series:
    """A CSV or Parquet table: time_s and columns <side>_<angle>_deg such as right_elevation_deg; or a C3D file.

    In a C3D file the angles are points of such names, degrees in their first component. Empty cells are times at which
    the reference did not see the angle. Other columns are left alone. Raises RecordingError.
    """
    require_file(path, "the reference series")
    try:
        if path.suffix == ".c3d":
            table = _read_c3d(path)
        elif path.suffix == ".parquet":
            with path.open("rb") as stream:
                table = pd.read_parquet(stream)
        else:
            table = pd.read_csv(path, encoding="utf-8-sig")
    except (OSError, ValueError, pd.errors.ParserError) as error:
        raise RecordingError(f"a table in {path.name}", f"it cannot be read ({error})", "export it again") from error
    known = [f"{side}_{angle}" for side in SIDES for angle in ANGLE_COLUMNS]
    names = [name for name in known if name in table.columns]
    if "time_s" not in table.columns or not names:
        raise RecordingError(
            f"columns time_s and <side>_<angle>_deg, such as {known[0]}, in {path.name}",
            f"there are {', '.join(map(str, table.columns[:8]))}",
            "rename the columns",
        )
    for name in ("time_s", *names):
        if not pd.api.types.is_numeric_dtype(table[name]):
            raise RecordingError(f"numbers in column {name} of {path.name}", "there is text", "correct it")
    time_s = table["time_s"].to_numpy(dtype=np.float64)
    if len(time_s) < 2 or not np.isfinite(time_s).all() or not (np.diff(time_s) > 0).all():
        raise RecordingError(f"time_s in {path.name} to increase from row to row", "it does not", "export it again")
    return Series(time_s, {name: table[name].to_numpy(dtype=np.float64) for name in names})


def _read_c3d(path: Path) -> pd.DataFrame:
    """time_s from the first frame on, and the first component of every point. Raises RecordingError."""
    try:
        import ezc3d  # type: ignore[import-untyped]
    except ImportError:
        raise RecordingError(
            "the library ezc3d to read C3D", "it is not installed", "pip install 'imu-shoulder[research]'"
        ) from None
    file = ezc3d.c3d(str(path))
    points = file["parameters"]["POINT"]
    unit = (points.get("ANGLE_UNITS", {}).get("value") or ["deg"])[0].strip()
    if not unit.lower().startswith("deg"):
        raise RecordingError(f"angles of {path.name} in degrees", f"POINT:ANGLE_UNITS is {unit!r}", "export in degrees")
    values = file["data"]["points"][0]
    time_s = np.arange(values.shape[1]) / float(points["RATE"]["value"][0])
    return pd.DataFrame({"time_s": time_s, **dict(zip(points["LABELS"]["value"], values, strict=True))})


def find_lag(ours: Series, reference: Series, longest_s: float = 5.0) -> Lag:
    """How late the reference's clock is, from the movement both show.

    First the lag at which the angular velocities correlate best, summed over the angles both have; then, around it,
    the lag at which the difference of the angles scatters least, so that a constant offset between them plays no part.
    Raises RecordingError where they do not overlap or show no common movement.
    """
    names = [name for name in reference.values if name in ours.values]
    if not names:
        raise RecordingError(
            f"an angle that both have, out of {', '.join(ours.values)}",
            f"the reference has {', '.join(reference.values)}",
            "rename the reference's columns",
        )
    start, end = max(ours.time_s[0], reference.time_s[0]), min(ours.time_s[-1], reference.time_s[-1])
    if end - start < 5.0:
        raise RecordingError(
            "a reference that overlaps the recording by 5 s or more",
            f"it runs from {reference.time_s[0]:.1f} to {reference.time_s[-1]:.1f} s, the recording from "
            f"{ours.time_s[0]:.1f} to {ours.time_s[-1]:.1f} s",
            "bring the reference to the recording's seconds, to within a few seconds",
        )
    grid = np.arange(start, end, GRID_S)
    moving = [n for n in names if min(_sd(ours, n, grid), _sd(reference, n, grid)) >= LEAST_SD_DEG]
    if not moving:
        raise RecordingError(
            f"an angle that moves by an SD of {LEAST_SD_DEG:g} deg or more in both",
            "none does",
            "let the athlete raise the arm a few times, for the two clocks to be matched",
        )
    coarse, correlation = _coarse(ours, reference, moving, grid, longest_s)
    if correlation < LEAST_CORRELATION:
        raise RecordingError(
            "the same movements in the reference as in the recording",
            f"within {longest_s:g} s their velocities correlate by {correlation:.2f} at most",
            "check that the files belong together and that their seconds are nearly the same",
        )
    thirds = tuple(_fine(ours, reference, moving, third, coarse) for third in np.array_split(grid, 3))
    return Lag(_fine(ours, reference, moving, grid, coarse), correlation, (thirds[0], thirds[1], thirds[2]))


def values_at(series: Series, name: str, time_s: FloatArray) -> FloatArray:
    """The series (N,) at other times by straight lines, NaN outside it and across gaps over 0.1 s."""
    seen = np.isfinite(series.values[name])
    times = series.time_s[seen]
    if len(times) < 2:
        return np.full(len(time_s), np.nan)
    found = np.interp(time_s, times, series.values[name][seen], left=np.nan, right=np.nan)
    after = np.clip(np.searchsorted(times, time_s), 1, len(times) - 1)
    # A reference slower than 10 Hz has every step over the limit: its own step counts then.
    limit = max(LARGEST_GAP_S, 1.5 * float(np.median(np.diff(series.time_s))))
    found[times[after] - times[after - 1] > limit] = np.nan
    return np.asarray(found)


def _sd(series: Series, name: str, grid: FloatArray) -> float:
    values = values_at(series, name, grid)
    return float(np.nanstd(values)) if np.isfinite(values).sum() > 100 else 0.0


def _coarse(
    ours: Series, reference: Series, names: list[str], grid: FloatArray, longest_s: float
) -> tuple[float, float]:
    reach = min(round(longest_s / GRID_S), len(grid) - 1)
    total, power = np.zeros(2 * reach + 1), 0.0
    for name in names:
        a, b = (_velocity(values_at(s, name, grid)) for s in (ours, reference))
        whole = signal.correlate(b, a, method="fft")
        total += whole[len(grid) - 1 - reach : len(grid) + reach]
        power += float(np.sqrt((a**2).sum() * (b**2).sum()))
    best = int(np.argmax(total))
    return (best - reach) * GRID_S, float(total[best]) / power if power > 0 else 0.0


def _velocity(values: FloatArray) -> FloatArray:
    """Change over 0.1 s, so that a reference's noise does not drown the movement; 0 where not seen."""
    width = round(0.1 / GRID_S)
    change = np.zeros(len(values))
    change[width // 2 : len(values) - width + width // 2] = np.nan_to_num(values[width:] - values[:-width])
    return change


def _smooth(values: FloatArray) -> FloatArray:
    """Mean over 0.11 s around each value (N,); NaN wherever one is missing in it."""
    width = round(0.1 / GRID_S) + 1
    smooth = np.full(len(values), np.nan)
    smooth[width // 2 : len(values) - width // 2] = np.convolve(values, np.full(width, 1 / width), "valid")
    return smooth


def _fine(ours: Series, reference: Series, names: list[str], grid: FloatArray, near_s: float) -> float:
    """The lag within 50 ms of near_s with the least scatter of the difference; NaN where nothing moves."""
    # Both are smoothed over 0.1 s: straight lines between noisy samples scatter least half-way between two of them,
    # which would draw the lag there.
    wide = np.arange(grid[0] + near_s - 0.2, grid[-1] + near_s + 0.2, GRID_S)
    pairs = [(_smooth(values_at(ours, n, grid)), _smooth(values_at(reference, n, wide))) for n in names]
    if max(float(np.nanstd(a)) if np.isfinite(a).any() else 0.0 for a, _ in pairs) < LEAST_SD_DEG:
        return float("nan")

    def scatter(lag_s: float) -> float:
        parts = [a - np.interp(grid + lag_s, wide, b) for a, b in pairs]
        return float(sum(np.nanvar(part) for part in parts if np.isfinite(part).any()))

    found = optimize.minimize_scalar(
        scatter, bounds=(near_s - 0.05, near_s + 0.05), method="bounded", options={"xatol": 1e-5}
    )
    return float(found.x)
