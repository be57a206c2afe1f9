"""The shoulder blade in a rep: its upward rotation, its share of the lift, and what is too much of it: a shrug.

A sensor's tilt shows how the girdle turns, not how high it sits. What the arm's elevation brings along is the
athlete's own relation, fitted over the reps of the drill; a shrug is what a rep has on top of it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from imu_shoulder.angles.scapula import REACH_DEG
from imu_shoulder.measure.registry import RepData, measure
from imu_shoulder.model import FloatArray, Side
from imu_shoulder.segment.model import ArmSet, rows_between

# The relation: straight between knots. A rep says it once per stretch of elevation, however long it stays there.
KNOTS_DEG = np.arange(0.0, REACH_DEG + 1.0, 15.0)
STRETCH_DEG = 5.0
BEND_WEIGHT = 1e-4
# Looked at below the reach where the top is beyond it.
BELOW_REACH_DEG = 10.0
# Reps needed for a relation, and how far from it a rep may be and still shape it (more where reps differ more).
LEAST_REPS = 4
CLEAN_WITHIN_DEG, CLEAN_WITHIN_SDS = 3.0, 2.5
# Share of the lift: over less elevation it is not told.
LEAST_LIFT_DEG = 20.0
ACROMION = "sensor on the acromion, up to 120 deg of elevation: Karduna et al. 2001 (from memory)"


@dataclass(frozen=True, slots=True)
class OwnRelation:
    """How far an athlete's blade turns with the arm: upward rotation at KNOTS_DEG, and the SD of clean reps about it.

    covered_deg: the elevations it was seen at. reps: how many shaped it.
    """

    up_deg: FloatArray
    sd_deg: float
    covered_deg: tuple[float, float]
    reps: int

    @property
    def next_sd_deg(self) -> float:
        """SD of one more rep about the relation of these few: three of it cover as much as three of a known SD do.

        Student's t of a prediction, at the one-sided 99.865 % of three standard deviations.
        """
        if self.reps < 2:
            return float("inf")
        return float(self.sd_deg * np.sqrt(1 + 1 / self.reps) * stdtrit(self.reps - 1, 0.99865) / 3)

    def at(self, elevation_deg: FloatArray) -> FloatArray:
        """Upward rotation (N,) that goes with the elevation, NaN outside what was seen."""
        low, high = self.covered_deg
        inside = (elevation_deg >= low) & (elevation_deg <= high)
        return np.where(inside, np.interp(elevation_deg, KNOTS_DEG, self.up_deg), np.nan)


def fit_relation(reps: Sequence[tuple[FloatArray, FloatArray]]) -> OwnRelation | None:
    """The relation over reps, each its elevation and upward rotation (N,) along lift and top. None for too few.

    Reps with more upward rotation than the others are left out: the fit starts from the lower half and takes in
    what agrees with it. A set that is shrugged throughout is therefore its own measure.
    """
    said = [points for rep in reps if len(points := _stretches(*rep))]
    if len(said) < LEAST_REPS:
        return None
    offsets = _offsets(said, _fit(said))
    clean = offsets <= np.median(offsets)
    for _ in range(20):
        up_deg = _fit([points for points, keep in zip(said, clean, strict=True) if keep])
        offsets = _offsets(said, up_deg)
        sd_deg = float(np.std(offsets[clean], ddof=1)) if np.count_nonzero(clean) > 1 else 0.0
        agreeing = np.abs(offsets) <= max(CLEAN_WITHIN_DEG, CLEAN_WITHIN_SDS * sd_deg)
        if not agreeing.any() or (agreeing == clean).all():
            break
        clean = agreeing
    elevation = np.concatenate([points[:, 0] for points in said])
    margin = STRETCH_DEG / 2
    covered = (float(elevation.min()) - margin, min(float(elevation.max()) + margin, REACH_DEG))
    return OwnRelation(up_deg, sd_deg, covered, int(np.count_nonzero(clean)))


def _stretches(elevation_deg: FloatArray, up_deg: FloatArray) -> FloatArray:
    """Mean elevation and upward rotation (K, 2) per stretch of elevation within the reach."""
    seen = np.isfinite(elevation_deg) & np.isfinite(up_deg) & (elevation_deg <= REACH_DEG)
    pairs = np.column_stack([elevation_deg[seen], up_deg[seen]])
    stretch = np.floor(pairs[:, 0] / STRETCH_DEG)
    return np.array([pairs[stretch == k].mean(axis=0) for k in np.unique(stretch)]).reshape(-1, 2)


def _fit(said: Sequence[FloatArray]) -> FloatArray:
    """Least squares of the relation at its knots, bending as little as it must where nothing was seen."""
    points = np.concatenate(said)
    hats = np.column_stack([np.interp(points[:, 0], KNOTS_DEG, unit) for unit in np.eye(len(KNOTS_DEG))])
    bend = np.diff(np.eye(len(KNOTS_DEG)), n=2, axis=0) * np.sqrt(BEND_WEIGHT * len(points))
    both = np.concatenate([hats, bend])
    return np.asarray(np.linalg.lstsq(both, np.concatenate([points[:, 1], np.zeros(len(bend))]), rcond=None)[0])


def _offsets(said: Sequence[FloatArray], up_deg: FloatArray) -> FloatArray:
    """How far each rep (R,) lies above the relation in the highest part of its lift, where a shrug shows most."""
    out = []
    for points in said:
        high = points[points[:, 0] > points[:, 0].max() - 2 * STRETCH_DEG - 1e-9]
        out.append(float(np.mean(high[:, 1] - np.interp(high[:, 0], KNOTS_DEG, up_deg))))
    return np.array(out)


def beyond(
    relation: OwnRelation, elevation_deg: FloatArray, up_deg: FloatArray, repeat_sd_deg: FloatArray
) -> dict[str, FloatArray]:
    """Upward rotation above the athlete's own relation and its SD, as columns (N,)."""
    return {
        "scapula_excess_deg": up_deg - relation.at(elevation_deg),
        "scapula_excess_sd_deg": np.hypot(repeat_sd_deg, relation.next_sd_deg),
    }


def excess(
    side: Side, arm_sets: Sequence[ArmSet], time_s: FloatArray, columns: Mapping[str, FloatArray]
) -> dict[str, FloatArray]:
    """As `beyond`, (M,) each, NaN outside the sets of this side; columns (M,): elevation_deg, scapula_up_deg and
    scapula_repeat_sd_deg.

    The relation is that of the drill's own reps, of all its sets; where they are too few, of all drills of the session.
    """
    names = ("elevation_deg", "scapula_up_deg", "scapula_repeat_sd_deg")
    elevation_deg, up_deg, repeat_sd_deg = (columns[name] for name in names)
    mine = [arm_set for arm_set in arm_sets if arm_set.side == side]
    by_drill: dict[str, list[tuple[FloatArray, FloatArray]]] = {}
    for arm_set in mine:
        for rep in arm_set.counted:
            rows = rows_between(time_s, rep.start_s, rep.top_end_s)
            by_drill.setdefault(_drill(arm_set), []).append((elevation_deg[rows], up_deg[rows]))
    session = fit_relation([rep for reps in by_drill.values() for rep in reps])
    out = {name: np.full(len(time_s), np.nan) for name in ("scapula_excess_deg", "scapula_excess_sd_deg")}
    for arm_set in mine:
        relation = fit_relation(by_drill.get(_drill(arm_set), [])) or session
        if relation is not None:
            rows = slice(*arm_set.rows)
            for name, values in beyond(relation, elevation_deg[rows], up_deg[rows], repeat_sd_deg[rows]).items():
                out[name][rows] = values
    return out


def _drill(arm_set: ArmSet) -> str:
    return "" if arm_set.drill is None else arm_set.drill.id


def _median(data: RepData, column: str) -> float:
    """Median at the top, or in the lift just below the reach where the top is beyond it."""
    values, elevation = data.angles.get(column), data.angles.get("elevation_deg")
    if values is None or elevation is None:
        return float("nan")
    middle = (data.rep.top_start_s + data.rep.top_end_s) / 2
    half = max((data.rep.top_end_s - data.rep.top_start_s) / 2, 0.1)
    top = data.rows(middle - half, middle + half)
    seen = values[top]
    if np.count_nonzero(elevation[top] > REACH_DEG) > np.count_nonzero(elevation[top] <= REACH_DEG):
        lift = data.rows(data.rep.start_s, data.rep.top_start_s)
        near = (elevation[lift] > REACH_DEG - BELOW_REACH_DEG) & (elevation[lift] <= REACH_DEG)
        seen = values[lift][near]
    return _median_seen(seen)


def _median_seen(values: FloatArray) -> float:
    seen = values[np.isfinite(values)]
    return float(np.median(seen)) if len(seen) else float("nan")


@measure(
    "scapula_up_deg",
    "deg",
    "upward rotation of the shoulder blade at the top, from the neutral pose",
    "median of scapula_up_deg over the hold; over 110 to 120 deg of elevation in the lift where the top is higher",
    ACROMION,
)
def scapula_up_deg(data: RepData) -> float:
    return _median(data, "scapula_up_deg")


@measure(
    "shrug_deg",
    "deg",
    "how much further the shoulder blade turned up than goes with the arm's elevation in the athlete's other reps",
    "median of upward rotation less the athlete's own relation to elevation, where scapula_up_deg is taken",
    "definition",
)
def shrug_deg(data: RepData) -> float:
    return _median(data, "scapula_excess_deg")


@measure(
    "shrug_sd_deg",
    "deg",
    "standard deviation of shrug_deg",
    "tilt of the sensors, unseen lean of the trunk, and differences between the athlete's clean reps, in quadrature",
    "definition",
)
def shrug_sd_deg(data: RepData) -> float:
    return _median(data, "scapula_excess_sd_deg")


@measure(
    "shrug_shown_pct",
    "%",
    "share of the lift over which the shoulder blade is seen: where it is less, a shrug shows less of itself",
    "100 where the top is within 120 deg of elevation; else 100 x (115 deg - elevation at the start) / (that at the "
    "top - that at the start)",
    ACROMION,
)
def shrug_shown_pct(data: RepData) -> float:
    elevation = data.angles.get("elevation_deg")
    if elevation is None or not np.isfinite(shrug_deg(data)):
        return float("nan")
    start_deg = _median_seen(elevation[data.rows(data.rep.start_s, data.rep.start_s + 0.1)])
    top_deg = _median_seen(elevation[data.top])
    if top_deg <= REACH_DEG:
        return 100.0
    return 100.0 * max(REACH_DEG - BELOW_REACH_DEG / 2 - start_deg, 0.0) / (top_deg - start_deg)


@measure(
    "scapula_share_pct",
    "%",
    "the shoulder blade's share of the arm's elevation along the lift",
    "least-squares slope of scapula_up_deg on elevation_deg over the lift, up to 120 deg",
    "31.5 % in bone data, median of eleven in-vivo studies (doi 10.1016/j.jbiomech.2025.112642); 2:1 rhythm, a third: "
    "Inman et al. 1944, via PMC3327809",
)
def scapula_share_pct(data: RepData) -> float:
    up, elevation = data.angles.get("scapula_up_deg"), data.angles.get("elevation_deg")
    if up is None or elevation is None:
        return float("nan")
    rows = data.rows(data.rep.start_s, data.rep.top_start_s)
    seen = np.isfinite(up[rows]) & (elevation[rows] <= REACH_DEG)
    x, y = elevation[rows][seen], up[rows][seen]
    if len(x) < 2 or np.ptp(x) < LEAST_LIFT_DEG:
        return float("nan")
    return 100.0 * float(np.polyfit(x, y, 1)[0])
