"""The eight drills as postures of a person, what can be done wrong in them, and what was planned of a set."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from imu_shoulder.drills import Drill, load_shipped
from imu_shoulder.model import Side
from second_simulator.astray import PLACES, Astray, with_thumb
from second_simulator.people import Person, Posture

IN_DEGREES = (
    "short_arc",
    "over_arc",
    "thumb_down",
    "elbow_off",
    "elbow_off_side",
    "plane_off",
    "trunk_moved",
    "start_missed",
)
OVERHEAD_DEG = 115.0
KINDS = (*IN_DEGREES, "hold_short", "too_fast", "shrug", "station_skipped", "order_wrong")


@dataclass(frozen=True, slots=True)
class Fault:
    """One wrong movement.

    kind: the name that the judge gives it; elbow_off_side is an elbow that leaves the side in a rotation drill. size:
    how far beyond the drill's limit, degrees or seconds; of a shrug, the blade's own degrees; no meaning for
    stations. way: up or down for too_fast, low or high for elbow_off and plane_off, a station's name for
    station_skipped, and for order_wrong that of the one done too early; None: either.
    """

    kind: str
    size: float = 10.0
    way: str | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"expected one of {', '.join(KINDS)}, came {self.kind!r}")


@dataclass(frozen=True, slots=True)
class SetPlan:
    """One set to be acted. None stands for what the person does by habit, or for the drill's dose.

    faults, astray: by rep, from 1, of every working arm. breaks: unasked or asked pauses part-way: way, share of the
    arc, seconds. mark_s: how long before the first lift the set is marked, and after the last lowering; negative cuts
    into them. start_inside: whether the arm is brought to the start posture after the mark; None: by chance.
    """

    drill: str
    side: str = "right"
    reps: int | None = None
    tempo_s: float | None = None
    hold_s: float | None = None
    pause_s: float | None = None
    faults: Mapping[int, tuple[Fault, ...]] = field(default_factory=dict)
    astray: Mapping[int, tuple[Astray, ...]] = field(default_factory=dict)
    breaks: tuple[tuple[str, float, float], ...] = ()
    mark_s: tuple[float, float] = (1.2, 1.2)
    start_inside: bool | None = None

    def __post_init__(self) -> None:
        stations = tuple(station.name for station in load_shipped(self.drill).stations)
        for one in (one for of_rep in self.astray.values() for one in of_rep):
            if one.place not in (*PLACES, *stations):
                raise ValueError(f"expected one of {', '.join((*PLACES, *stations))}, came {one.place!r}")


@dataclass(frozen=True, slots=True)
class Shape:
    """A drill as one arm does it: the start posture and the stations in order; lying on the other side or not."""

    start: Posture
    stations: tuple[tuple[str, Posture], ...]
    lying: bool = False


def shape_of(drill: Drill, who: Person, side: Side, rng: np.random.Generator) -> Shape:
    """How this person does this drill with this arm in one set."""
    arm = who.arms[side]
    straight = max(arm.stop_deg, 0.0) + 0.6 * abs(arm.pose.elbow - max(arm.stop_deg, 0.0))
    straight = min(straight, 14.0)
    plane = who.can_plane_deg + rng.normal(0, 2.0)
    forearm = arm.pose.forearm + who.hand_deg
    if drill.id in ("full_can", "full_can_hold_and_lift", "band_loop_raise"):
        if drill.id == "band_loop_raise":
            plane = float(np.clip(74.0 + 0.5 * (who.can_plane_deg - 38.0), 62.0, 84.0))
        top = _can(90.0 + who.top_deg, plane, straight, forearm)
        return Shape(replace(arm.pose, elevation=min(arm.pose.elevation + 2.0, 12.0)), (("top", top),))
    if drill.id == "overhead_short_arc":
        start = _can(89.0 + 0.7 * who.top_deg, 0.5 * (plane + 60.0), straight, forearm)
        top = replace(start, elevation=143.0 + 2.0 * who.top_deg, rotation=start.rotation + rng.normal(5.0, 5.0))
        return Shape(start, (("top", top),))
    if drill.id in ("band_external_rotation", "sidelying_external_rotation"):
        lying = drill.id.startswith("sidelying")
        start = Posture(
            elevation=rng.uniform(10, 18) if lying else rng.uniform(5, 15),
            plane=rng.uniform(0, 50),
            rotation=rng.uniform(-45, -22),
            elbow=90.0 + rng.normal(0, 3.0),
            forearm=rng.normal(8.0, 8.0),
        )
        arc = drill.top.ranges[0].low_deg + 15.0 + who.top_deg
        top = replace(
            start,
            rotation=start.rotation + arc,
            elevation=start.elevation + rng.normal(0, 1.5),
            forearm=start.forearm + rng.normal(0, 4),
        )
        return Shape(start, (("top", top),), lying)
    start = Posture(
        86.0 + 0.5 * who.top_deg, rng.uniform(72, 88), rng.uniform(0, 20), rng.uniform(8, 24), rng.uniform(0, 50)
    )
    row = Posture(
        84.0 + 0.5 * who.top_deg, rng.normal(2, 6), rng.normal(0, 6), 90.0 + rng.normal(0, 4), rng.uniform(30, 70)
    )
    turned = replace(row, rotation=row.rotation + 76.0 + who.top_deg, plane=row.plane + rng.normal(0, 2))
    press = Posture(
        152.0 + who.top_deg, rng.uniform(20, 50), rng.uniform(40, 65), rng.uniform(8, 24), rng.uniform(10, 50)
    )
    stations = (("row", row), ("rotate", turned), ("press", press))
    return Shape(start, stations[: len(drill.stations)])


def _can(elevation: float, plane: float, elbow: float, forearm: float) -> Posture:
    """A straight arm, the thumb 10 deg short of the ceiling: at 90, plane + rotation - forearm is how far it is up."""
    return Posture(elevation, plane, 80.0 - plane + forearm, elbow, forearm)


def possible_faults(drill: Drill) -> tuple[str, ...]:
    """Kinds of wrong movement that this drill can be done with."""
    top, form = drill.leading_arc, drill.form
    one = len(drill.stations) == 1
    can = {
        "short_arc": one,
        "over_arc": one and top is not None and np.isfinite(top.high_deg),
        "hold_short": drill.top.hold_s > 0,
        "too_fast": True,
        "thumb_down": form.ends_of("thumb_up") is not None,
        "elbow_off": form.ends_of("elbow") is not None,
        "elbow_off_side": one and drill.leading_angle == "rotation",
        "plane_off": form.ends_of("plane") is not None,
        "trunk_moved": form.trunk_deg is not None,
        "start_missed": bool(drill.start),
        "shrug": drill.leading_angle == "elevation" and one,
        "station_skipped": not one,
        "order_wrong": not one,
    }
    return tuple(kind for kind in KINDS if can[kind])


def wrong_top(
    drill: Drill, top: Posture, start: Posture, fault: Fault, rng: np.random.Generator, carrying_deg: float
) -> Posture:
    """The posture on top with one wrong thing in it."""
    form, band = drill.form, drill.leading_arc
    chosen = fault.way or ("low" if rng.random() < 0.5 else "high")
    if fault.kind in ("short_arc", "over_arc") and band is not None:
        level = band.low_deg - fault.size if fault.kind == "short_arc" else band.high_deg + fault.size
        base = getattr(start, drill.leading_angle) if band.above == "start" else 0.0
        return replace(top, **{drill.leading_angle: base + level})
    if fault.kind == "thumb_down" and form.ends_of("thumb_up") and top.elevation > OVERHEAD_DEG:
        # Higher up the thumb side could not point as low.
        return with_thumb(replace(top, elevation=130.0), form.ends_of("thumb_up")[0] - fault.size, carrying_deg)
    if fault.kind == "thumb_down" and form.ends_of("thumb_up"):
        less = top.plane + top.rotation - top.forearm - (form.ends_of("thumb_up")[0] - fault.size)
        return replace(top, rotation=top.rotation - 0.5 * less, forearm=top.forearm + 0.5 * less)
    if fault.kind == "elbow_off" and form.ends_of("elbow"):
        low, high = form.ends_of("elbow")
        can_low = np.isfinite(low) and low > 0
        bent = replace(top, elbow=low - fault.size if chosen == "low" and can_low else high + fault.size)
        # Bent right overhead the forearm would take the thumb down with it.
        return with_thumb(replace(bent, elevation=128.0), 5.0, carrying_deg) if top.elevation > OVERHEAD_DEG else bent
    if fault.kind == "plane_off" and form.ends_of("plane"):
        low, high = form.ends_of("plane")
        plane = low - fault.size if chosen == "low" else high + fault.size
        return replace(top, plane=plane, rotation=top.rotation + top.plane - plane)
    if fault.kind == "elbow_off_side":
        return replace(top, elevation=30.0 + fault.size)
    return top


def missed_start(drill: Drill, start: Posture, size: float) -> Posture:
    """A start posture that is short of what the drill asks."""
    asked = drill.start[0]
    return replace(start, **{asked.angle: asked.high_deg + size})
