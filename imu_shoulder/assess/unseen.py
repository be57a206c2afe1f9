"""What the sensors worn and the movements recorded do not show of an arm, in words, with what would show it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from imu_shoulder.angles.joint import ArmAngles
from imu_shoulder.assess.words import joined
from imu_shoulder.calibrate.model import ArmCalibration, Calibration
from imu_shoulder.drills import Drill
from imu_shoulder.drills.judged import JUDGED
from imu_shoulder.findings import finding_of
from imu_shoulder.model import LIMBS, SIDES, WRIST, Event, Finding, Side, limb_words, on_arm
from imu_shoulder.segment.model import ArmSet
from imu_shoulder.segment.sets import heading_sd_deg, stations_untold

RAISES = "Two forward raises with the straight arm (forward_raises)"
# What joins the arm's two sensors, and how it is said where nothing did.
LIFTS = f"{RAISES}, or a set in which it is lifted, at any speed,"
NOT_JOINED = "nothing showed how the arm's two sensors point to each other"
# What joins a breastbone sensor to the arm; see docs/coordinates.md.
TILT = "Let the body tilt as a whole once after the pose, such as in lying down with the arms at the sides"


@dataclass(frozen=True, slots=True)
class Missing:
    """Angles of one arm, without units, that nothing shows, and why. bare: where a sensor would show them; empty where
    a movement would.
    """

    side: Side
    angles: tuple[str, ...]
    why: str
    bare: str = ""


def missing_angles(arm: ArmCalibration) -> list[Missing]:
    """Angles that this calibration cannot give at any time."""
    side, worn = arm.side, arm.limbs()
    # What one sensor shows comes first.
    angles = sorted(JUDGED.values(), key=lambda angle: len(angle.shown_by))
    out: list[Missing] = []
    for bare in (segment for segment in LIMBS if segment not in worn):
        own = tuple(angle.name for angle in angles if bare in angle.shown_by)
        out.append(Missing(side, own, f"no sensor sat on the {limb_words(bare)}", limb_words(bare)))
    joint = tuple(angle.name for angle in angles if len(angle.shown_by) > 1)
    if len(worn) == len(LIMBS) and not arm.joined:
        out.append(Missing(side, joint, NOT_JOINED))
    shown = [a for a in angles if a.facing and set(a.shown_by) <= set(worn) and (a.name not in joint or arm.joined)]
    facing = [a.name for a in shown if not all(worn[segment].forward_known for segment in a.shown_by)]
    if facing:
        out.append(Missing(side, tuple(facing), "no movement showed which way the body faces"))
    return out


def missing_lines(arm: ArmCalibration) -> list[str]:
    """The same for the report, with the movement or the sensor that would give each."""
    return [f"{_named(found.side, found.angles)}: {found.why}. {_remedy(found)}" for found in missing_angles(arm)]


def unjoined_findings(calibration: Calibration | None) -> list[Finding]:
    """Where an arm's two sensors share no heading: the angles that are missing, and what would give them."""
    return [
        finding_of(
            on_arm(arm.side, WRIST),
            "heading_not_shared",
            f"{_named(arm.side, found.angles)} cannot be told: {found.why}. {_remedy(found)}",
        )
        for arm in (() if calibration is None else calibration.arms.values())
        for found in missing_angles(arm)
        if found.why == NOT_JOINED
    ]


def _remedy(found: Missing) -> str:
    them = "it" if len(found.angles) == 1 else "them"
    raises = LIFTS if found.why == NOT_JOINED else RAISES
    return f"A sensor on the {found.bare} gives {them}." if found.bare else f"{raises} give {them}."


def set_lines(
    sets: Sequence[ArmSet], arms: Mapping[Side, ArmAngles], sternum_worn: bool, least_heading_sd_deg: float
) -> list[str]:
    """What was not known in some sets that is known in others, and what that did to them.

    least_heading_sd_deg: from where on it is not known well enough which way the body faced.
    """
    numbers: dict[tuple[Side, str], list[str]] = {}
    for arm_set in sets:
        arm = arms[arm_set.side]
        lost = heading_sd_deg(arm, slice(*arm_set.rows)) > least_heading_sd_deg
        for line in (*_set_lines(arm_set, arm, sternum_worn), *(_lost_lines(arm_set.drill) if lost else ())):
            numbers.setdefault((arm_set.side, line), []).append(str(arm_set.number))
    return [f"Set {joined(own)}, {side} arm: {line}" for (side, line), own in numbers.items()]


def bare_sets(events: Sequence[Event], arms: Collection[Side], apart: Collection[str]) -> list[str]:
    """Sets that were marked for an arm without a sensor. events: of the recording, of which `apart` are no sets."""
    marked = enumerate((event for event in events if event.trial_type == "set"), start=1)
    sets = [(number, event) for number, event in marked if event.drill not in apart]
    out = []
    for side in SIDES:
        own = [str(number) for number, event in sets if event.side in (side, "both")]
        if own and side not in arms:
            out.append(f"Set {joined(own)}, {side} arm: no sensor sat on it, so that nothing was seen of it.")
    return out


def _set_lines(arm_set: ArmSet, arm: ArmAngles, sternum_worn: bool) -> list[str]:
    rows, drill, out = slice(*arm_set.rows), arm_set.drill, []
    joining = TILT if sternum_worn else f"Wear a sensor on the breastbone, and {TILT[0].lower()}{TILT[1:]}"
    if arm.not_told(rows):
        out.append(
            "the trunk was not upright and no sensor on it was joined to the arm. Elevation and plane, which are about "
            "the trunk, are left empty; elevation_gravity_deg is about gravity, and the rotation's zero is unsure. "
            f"{joining}."
        )
    elif drill is None and arm.reference_of(rows) == "gravity":
        out.append(
            "no drill says how the trunk was held. Elevation is about gravity, and its standard deviation, the plane's "
            f"and the rotation's allow for any posture. Name the drill. Or: {joining[0].lower()}{joining[1:]}."
        )
    untold = set() if drill is None else stations_untold(drill, arm, rows)
    if untold:
        out.append(f"no rep was counted, for the drill's stations are told by {named(sorted(untold))}, not seen here.")
    elif drill is not None and arm_set.counted_only:
        out.append(f"the reps were counted and not judged, for {_plain(drill.leading_angle)} is not seen here.")
    own = () if drill is None else drill.own_unknown
    if own:
        out.append(
            f"the drill asks for a share of the own pain-free range of {named(own)}, which no plan says "
            "(range_test or own_range_deg): the drill's own number was asked."
        )
    return out


def _lost_lines(drill: Drill | None) -> list[str]:
    """What was not judged where it was not known which way the body faced."""
    if drill is None:
        return []
    asked = [r for station in drill.stations for r in station.ranges] + [limit.asked for limit in drill.form.limits]
    turning = sorted({r.angle for r in asked if r.above is None and JUDGED[r.angle].turns})
    if not turning:
        return []
    them = "was" if len(turning) == 1 else "were"
    return [
        f"the {named(turning)} {them} not judged, for it was not known well enough which way the body faced. Wear a "
        "sensor on the breastbone, or face one way from the pose to the last set."
    ]


def live_lines(drill: Drill, arms: Sequence[ArmCalibration]) -> list[str]:
    """What the drill asks and these arms do not show, for the athlete before the set; a line per remedy."""
    asked = _asked(drill)
    by_remedy: dict[str, dict[Side, list[str]]] = {}
    for found in (missing for arm in arms for missing in missing_angles(arm)):
        wanted = [name for name in found.angles if name in asked]
        if wanted:
            remedy = f"a sensor on the {found.bare}" if found.bare else "the forward raises"
            by_remedy.setdefault(remedy, {}).setdefault(found.side, []).extend(wanted)
    out = [
        f"Not seen without {remedy}: {'; '.join(f'{side} {named(names)}' for side, names in sides.items())}."
        for remedy, sides in by_remedy.items()
    ]
    bare = any(arm.upper_arm is not None and not arm.about_trunk for arm in arms)
    about = [name for name in ("elevation", "plane") if name in asked]
    if bare and about and drill.body != "upright":
        out.append(f"Not seen without a sensor on the breastbone, for you are not upright: {named(about)}.")
    return out


def _named(side: Side, angles: Sequence[str]) -> str:
    return f"{side.capitalize()} {named(angles)}"


def named(angles: Sequence[str]) -> str:
    """ "plane, thumb and forearm" """
    return joined(map(_plain, dict.fromkeys(angles)))


def _plain(name: str) -> str:
    return name.replace("_up", "").replace("_", " ")


def _asked(drill: Drill) -> set[str]:
    ranges = [*drill.start, *(asked for station in drill.stations for asked in station.ranges)]
    return {drill.leading_angle, *(asked.angle for asked in ranges), *drill.form.ranges_deg()}
