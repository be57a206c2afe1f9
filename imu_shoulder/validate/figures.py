"""The figures of the research reports, as SVG text. The same data give the same bytes."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from imu_shoulder.model import FloatArray
from imu_shoulder.validate.agreement import Limits

# Okabe & Ito's palette, told apart by people with any colour vision; black is kept for lines.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
MARKERS = ("o", "s", "^", "D", "v", "P")
# Over this many points an SVG of circles grows to megabytes; they become one image inside it.
MOST_VECTOR_POINTS = 400
STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "imu-shoulder",
    "font.size": 10,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.alpha": 0.3,
    "legend.frameon": False,
}


@dataclass(frozen=True, slots=True)
class Picture:
    """An SVG and the words for those who do not see it."""

    svg: str
    alt: str


def drawn(figure: Figure, alt: str) -> Picture:
    """The figure as SVG without date or program, with its words."""
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", dpi=150, metadata={"Date": None, "Creator": None})
    return Picture(buffer.getvalue(), alt)


def new_axes(x: str, y: str, width: float = 5.6, height: float = 3.8) -> tuple[Figure, Any]:
    """A figure of one plot with its axis labels; sizes in inches."""
    figure = Figure(figsize=(width, height), layout="constrained")
    axes = figure.add_subplot()
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    return figure, axes


def _scatter_by_person(axes: Any, x: FloatArray, y: FloatArray, person: Sequence[str]) -> None:
    names = list(dict.fromkeys(person))
    who = np.asarray(list(person))
    for k, name in enumerate(names):
        rows = who == name
        axes.plot(
            *(x[rows], y[rows]),
            linestyle="none",
            marker=MARKERS[k // len(COLOURS) % len(MARKERS)],
            color=COLOURS[k % len(COLOURS)],
            markersize=4.5,
            alpha=0.75,
            label=name,
            rasterized=len(x) > MOST_VECTOR_POINTS,
        )
    if 1 < len(names) <= 8:
        axes.legend(loc="best", fontsize=8, ncols=2)


def bland_altman(rows: pd.DataFrame, limits: Limits | None, title: str) -> Picture:
    """Difference over the mean of both, with the bias, the limits and their intervals as bands."""
    ours, reference = (rows[c].to_numpy(dtype=np.float64) for c in ("ours_deg", "reference_deg"))
    with mpl.rc_context(STYLE):
        figure, axes = new_axes("mean of both [deg]", "ours minus reference [deg]")
        axes.set_title(title, fontsize=10)
        alt = f"Bland-Altman plot, {title}: {len(rows)} pairs"
        if limits is not None:
            for interval, name in ((limits.upper, "upper limit"), (limits.bias, "bias"), (limits.lower, "lower limit")):
                axes.axhspan(interval.low, interval.high, color="0.8", alpha=0.5, linewidth=0)
                axes.axhline(interval.value, color="black", linewidth=1, linestyle="-" if name == "bias" else "--")
                axes.annotate(
                    f"{name}\n{interval.value:+.1f}",
                    (1.02, interval.value),
                    xycoords=("axes fraction", "data"),
                    va="center",
                    fontsize=8,
                )
            alt += f", bias {limits.bias.value:+.1f}, limits {limits.lower.value:+.1f} to {limits.upper.value:+.1f} deg"
        _scatter_by_person(axes, (ours + reference) / 2, ours - reference, rows["person"].tolist())
        return drawn(figure, alt)


def identity(rows: pd.DataFrame, title: str) -> Picture:
    """Ours over the reference, with the line on which both are equal."""
    ours, reference = (rows[c].to_numpy(dtype=np.float64) for c in ("ours_deg", "reference_deg"))
    low, high = min(ours.min(), reference.min()) - 3, max(ours.max(), reference.max()) + 3
    with mpl.rc_context(STYLE):
        figure, axes = new_axes("reference [deg]", "ours [deg]", 4.4, 3.8)
        axes.set_title(title, fontsize=10)
        axes.plot([low, high], [low, high], color="black", linewidth=1)
        axes.set(xlim=(low, high), ylim=(low, high), aspect="equal")
        _scatter_by_person(axes, reference, ours, rows["person"].tolist())
        return drawn(figure, f"Our angle over the reference, {title}, with the line of equality")


def error_over(rows: pd.DataFrame, column: str, label: str, title: str) -> Picture | None:
    """Difference over another column of the pairs; None where that column is empty."""
    seen = rows[np.isfinite(rows[column].to_numpy(dtype=np.float64))]
    if len(seen) < 2:
        return None
    x, y = seen[column].to_numpy(dtype=np.float64), seen["difference_deg"].to_numpy(dtype=np.float64)
    with mpl.rc_context(STYLE):
        figure, axes = new_axes(label, "ours minus reference [deg]")
        axes.set_title(title, fontsize=10)
        axes.axhline(0, color="black", linewidth=1)
        _scatter_by_person(axes, x, y, seen["person"].tolist())
        return drawn(figure, f"Difference over {label}, {title}")
