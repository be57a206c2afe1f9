"""The drills done wrongly, as a practitioner would name them: what is elsewhere, by how much, what may be said of it.

Every way with a size has a right value and the drill's limit. A rep is put at `right + share * (limit - right)`: at
1.5 and more it is wrong, at 0.5 to 0.7 it is done well, by a person who comes near the limit. Which fault names are a
right answer was written down before anything was judged. `python tests/wrong_ways.py` writes the table of
docs/wrong_ways.md anew.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from second_simulator import Astray, Fault, SetPlan

from imu_shoulder.drills import load_shipped
from imu_shoulder.simulate import Deviation, SetScript

# Shares of the allowed deviation.
WRONG = (1.5, 2.0, 2.5)
RIGHT = (0.5, 0.7)
# How long the strokes to and from a hold are in its band, at the tempo of these persons: seen in both simulators.
STROKES_IN_HOLD_S = 1.5
IN_SECOND = {
    "thumb_up": "thumb",
    "lean_back": "back",
    "lean_away": "away",
    "turn_out": "round",
    "start": "before",
    "all": "whole",
    "hold": "staying",
    "bounce": "rebound",
    "holder": "other_arm",
}

Deviate = Callable[[float], tuple[Deviation, ...]]


@dataclass(frozen=True, slots=True)
class Way:
    """One way to do a drill wrongly.

    words: a practitioner's. measure: what has the size, with its unit; right, limit: its values, NaN without a size.
    answers: fault names, and reasons not to score, that are a right answer. deviate: the angles at a value. knob: a
    field of SetScript that takes the value instead. fault: of both simulators, where the way has no size. role: whose
    row is wrong. sizes: shares of the allowed deviation, all of them sizes a person can reach.
    """

    name: str
    drill: str
    words: str
    measure: str
    right: float
    limit: float
    answers: tuple[str, ...]
    deviate: Deviate | None = None
    knob: str = ""
    fault: str = ""
    role: str = "lift"
    sizes: tuple[float, ...] = WRONG

    def value(self, share: float) -> float:
        return self.right + share * (self.limit - self.right)

    @property
    def side(self) -> str | None:
        return "both" if self.drill == "band_loop_raise" else None

    def script(self, share: float, side: str, reps: int) -> SetScript:
        """The set for the package's simulator; every rep in this way. share 0: as the person does it."""
        knobs = {"lift_s": 2.0, "lower_s": 2.0, "rest_s": 1.5}
        if self.fault:
            wrong = dict.fromkeys(range(1, reps + 1), (self.fault,)) if share else {}
            return SetScript(self.drill, self.side or side, reps, faults=wrong, **knobs)
        if self.knob:
            return SetScript(self.drill, self.side or side, reps, **knobs | {self.knob: self.knob_s(share)})
        done = self.deviations(share)
        return SetScript(
            self.drill, self.side or side, reps, deviations=dict.fromkeys(range(1, reps + 1), done), **knobs
        )

    def plan(self, share: float, side: str, reps: int) -> SetPlan:
        """The same for the second simulator."""
        every, drill = range(1, reps + 1), load_shipped(self.drill)
        faults: Mapping[int, tuple[Fault, ...]] = {}
        hold_s = None
        if self.fault and share:
            station = {"station_skipped": "rotate", "order_wrong": "press"}[self.fault]
            faults = dict.fromkeys(every, (Fault(self.fault, way=station),))
        elif self.knob == "lower_s":
            beyond_s = drill.lower_at_least_s - self.knob_s(share)
            faults = dict.fromkeys(every, (Fault("too_fast", beyond_s, "down"),))
        elif self.knob == "hold_s":
            hold_s = self.knob_s(share)
        astray = tuple(
            Astray(
                IN_SECOND.get(one.angle, one.angle),
                one.deg,
                IN_SECOND.get(one.at, one.at),
                None if one.above is None else IN_SECOND.get(one.above, one.above),
            )
            for one in self.deviations(share)
        )
        return SetPlan(
            self.drill, self.side or side, reps, hold_s=hold_s, faults=faults, astray=dict.fromkeys(every, astray)
        )

    def knob_s(self, share: float) -> float:
        """What the knob is set to. Of a hold the ends of the strokes are a part."""
        return self.value(share) - (STROKES_IN_HOLD_S if self.knob == "hold_s" else 0.0)

    def deviations(self, share: float) -> tuple[Deviation, ...]:
        return () if self.deviate is None else self.deviate(self.value(share))


def at(angle: str, *places: str, above: str | None = None) -> Deviate:
    """One angle, the same at all of these places."""
    return lambda deg: tuple(Deviation(angle, deg, place, above) for place in places)


def drifts(deg: float) -> tuple[Deviation, ...]:
    """From an elbow at the side."""
    return Deviation("elevation", 8.0, "start"), Deviation("elevation", deg, "top", "start")


def turned_body(deg: float) -> tuple[Deviation, ...]:
    """The body turns by this, the arm by what is missing to 60."""
    return Deviation("rotation", 60.0 - deg, "top", "start"), Deviation("turn_out", deg)


def turned_hand(deg: float) -> tuple[Deviation, ...]:
    """The upper arm turns by this; the forearm is turned over by what is missing to 80."""
    half_deg = (80.0 - deg) / 2
    turns = Deviation("forearm", half_deg, "start"), Deviation("forearm", -half_deg, "top")
    return (Deviation("rotation", deg, "top", "start"), *turns)


def thumb_overhead(deg: float) -> tuple[Deviation, ...]:
    """Higher up the thumb side could not point as low."""
    return Deviation("elevation", 135.0, "top"), Deviation("thumb_up", deg)


def wrists_together(deg: float) -> tuple[Deviation, ...]:
    return (Deviation("plane", deg / 2, "hold", "top"),)


ER, SIDE, CAN, LIFT = "band_external_rotation", "sidelying_external_rotation", "full_can", "full_can_hold_and_lift"
ARC, LOOP, ROW, PRESS = "overhead_short_arc", "band_loop_raise", "row_rotate", "row_rotate_press"
SHORT = ("short_arc", "partial")
NONE = float("nan")

WAYS = (
    # Standing external rotation.
    Way("er_elbow_away", ER, "the elbow stands off the side all the while",
        "elevation, all along", 0, 30, ("upper_arm_off",), at("elevation", "all")),
    Way("er_elbow_drifts", ER, "the elbow drifts off the side as the arm turns out",
        "elevation at the top above the start", 0, 20, ("upper_arm_off",), drifts),
    Way("er_elbow_opens", ER, "the elbow straightens as the arm turns out",
        "elbow at the top", 90, 75, ("elbow_off",), at("elbow", "top")),
    Way("er_elbow_closes", ER, "the elbow bends up as the arm turns out",
        "elbow at the top", 90, 105, ("elbow_off",), at("elbow", "top")),
    Way("er_body_turns", ER, "the body turns instead of the arm",
        "turn of the trunk", 0, 8, ("trunk_moved", *SHORT), turned_body, sizes=(1.5, 2.5, 4.5)),
    Way("er_hand_turns", ER, "the hand turns over instead of the upper arm",
        "rotation above the start", 60, 40, (*SHORT, "forearm_off"), turned_hand, sizes=(1.5, 1.8)),
    Way("er_half_way", ER, "only half way out",
        "rotation above the start", 60, 40, SHORT, at("rotation", "top", above="start"), sizes=(1.5, 1.8)),
    Way("er_snaps_back", ER, "lets the band snap the arm back",
        "seconds back", 2, 1, ("too_fast",), knob="lower_s", sizes=(1.5, 1.6)),
    Way("er_lets_go", ER, "does not hold at the end",
        "seconds of hold", 6, 5, ("hold_short",), knob="hold_s"),
    Way("er_leans", ER, "leans away to get further",
        "trunk lean", 0, 8, ("trunk_moved",), at("lean_away", "all")),
    # Side-lying external rotation.
    Way("side_elbow_up", SIDE, "the elbow is off the towel all the while",
        "elevation, all along", 0, 30, ("upper_arm_off",), at("elevation", "all")),
    Way("side_elbow_lifts", SIDE, "the elbow lifts off the towel as the forearm comes up",
        "elevation at the top above the start", 0, 20, ("upper_arm_off",), drifts),
    Way("side_elbow_opens", SIDE, "the elbow straightens as the forearm comes up",
        "elbow at the top", 90, 75, ("elbow_off",), at("elbow", "top")),
    Way("side_rolls", SIDE, "rolls back with the body to get the forearm up",
        "roll of the trunk", 0, 10, ("trunk_moved",), at("turn_out", "all")),
    Way("side_half_way", SIDE, "only half way up",
        "rotation above the start", 55, 35, SHORT, at("rotation", "top", above="start"), sizes=(1.5, 1.8)),
    Way("side_drops", SIDE, "drops the forearm instead of lowering it",
        "seconds down", 2, 1, ("too_fast",), knob="lower_s", sizes=(1.5, 1.6)),
    # Full can.
    Way("can_front", CAN, "a pure front raise",
        "plane at the top", 40, 60, ("plane_off",), at("plane", "top")),
    Way("can_side", CAN, "a pure side raise",
        "plane at the top", 40, 20, ("plane_off",), at("plane", "top")),
    Way("can_empty", CAN, "an empty can: the thumb points down",
        "thumb side above the level at the top", 90, 30, ("thumb_down",), at("thumb_up", "top")),
    Way("can_bent", CAN, "a bent elbow",
        "elbow at the top", 0, 25, ("elbow_off",), at("elbow", "top")),
    Way("can_leans_back", CAN, "leans back to lift",
        "trunk lean", 0, 8, ("trunk_moved",), at("lean_back", "all")),
    Way("can_half_way", CAN, "only half way up",
        "elevation at the top", 90, 75, SHORT, at("elevation", "top")),
    Way("can_too_high", CAN, "too high",
        "elevation at the top", 90, 105, ("over_arc",), at("elevation", "top")),
    Way("can_drops", CAN, "drops the arm",
        "seconds down", 2, 1, ("too_fast",), knob="lower_s", sizes=(1.5, 1.6)),
    Way("can_bounces", CAN, "bounces out of the hold",
        "elevation within the hold", 90, 75, ("hold_broken", "hold_short"), at("elevation", "bounce")),
    # One arm holds, the other lifts.
    Way("lift_holder_sinks", LIFT, "the holding arm sinks",
        "elevation of the holding arm", 90, 75, ("hold_broken", "short_arc"), at("elevation", "holder"), role="hold"),
    Way("lift_half_way", LIFT, "the lifting arm comes only half way up",
        "elevation at the top", 90, 75, SHORT, at("elevation", "top")),
    Way("lift_empty", LIFT, "the lifting arm's thumb points down",
        "thumb side above the level at the top", 90, 30, ("thumb_down",), at("thumb_up", "top")),
    Way("lift_not_down", LIFT, "the lifting arm does not come down between the lifts",
        "elevation at the start", 5, 20, ("start_missed",), at("elevation", "start")),
    # Short arcs overhead.
    Way("arc_thumb_down", ARC, "arcs with the thumb down",
        "thumb side above the level, all along", 20, -15, ("thumb_down",), thumb_overhead, sizes=(1.5, 1.7)),
    Way("arc_below", ARC, "comes below shoulder height between the arcs",
        "elevation at the start", 90, 75, ("start_missed", "upper_arm_off"), at("elevation", "start")),
    Way("arc_short", ARC, "hardly gets overhead",
        "elevation at the top", 145, 120, SHORT, at("elevation", "top"), sizes=(1.5, 1.6)),
    Way("arc_bent", ARC, "a bent elbow overhead",
        "elbow at the top", 0, 30, ("elbow_off",), at("elbow", "top")),
    Way("arc_leans_back", ARC, "arches back to get overhead",
        "trunk lean", 0, 10, ("trunk_moved",), at("lean_back", "all")),
    # Raise with a loop.
    Way("loop_together", LOOP, "the wrists drift together",
        "how far the arms close in the hold", 0, 10, ("arms_together",), wrists_together),
    Way("loop_bent", LOOP, "both elbows bend",
        "elbow at the top", 0, 25, ("elbow_off",), at("elbow", "top")),
    Way("loop_half_way", LOOP, "only half way up",
        "elevation at the top", 90, 75, SHORT, at("elevation", "top")),
    # Row, rotate.
    Way("row_low", ROW, "rows and rotates with the upper arm too low",
        "elevation at row and rotate", 90, 75, ("station_off", "upper_arm_off"), at("elevation", "row", "rotate")),
    Way("row_elbow_drops", ROW, "the elbow drops as the forearm turns up",
        "elevation at rotate", 90, 75, ("station_off", "upper_arm_off"), at("elevation", "rotate")),
    Way("row_in_front", ROW, "the elbow is not pulled back",
        "plane at row and rotate", 0, 30, ("station_off",), at("plane", "row", "rotate"), sizes=(1.5, 2.0)),
    Way("row_elbow_open", ROW, "the elbow stays half open in the row",
        "elbow at row", 90, 70, ("station_off", "elbow_off"), at("elbow", "row"), sizes=(1.5, 2.0)),
    Way("row_turns_half", ROW, "turns the forearm only half way up",
        "rotation at rotate above the row", 85, 60, ("station_off", "rotation_off", "short_arc"),
        at("rotation", "rotate", above="row"), sizes=(1.5, 2.0)),
    Way("row_leans_back", ROW, "leans back to row",
        "trunk lean", 0, 8, ("trunk_moved",), at("lean_back", "all")),
    # Row, rotate, press.
    Way("press_skips_rotate", PRESS, "presses without turning up first",
        "", NONE, NONE, ("station_skipped",), fault="station_skipped"),
    Way("press_order", PRESS, "presses before turning up",
        "", NONE, NONE, ("order_wrong",), fault="order_wrong"),
    Way("press_low", PRESS, "does not finish the press",
        "elevation at press", 160, 135, ("station_off", "short_arc", "upper_arm_off"), at("elevation", "press"),
        sizes=(1.5, 2.0)),
    Way("press_bent", PRESS, "presses with a bent elbow",
        "elbow at press", 0, 40, ("station_off", "elbow_off"), at("elbow", "press"), sizes=(1.5, 2.0)),
)  # fmt: skip
BY_NAME: Mapping[str, Way] = MappingProxyType({way.name: way for way in WAYS})

PAGE = Path(__file__).parents[1] / "docs" / "wrong_ways.md"
BEGIN, END = "<!-- written by python tests/wrong_ways.py -->", "<!-- end -->"


def table() -> str:
    """Every way, in Markdown."""
    rows = [
        "| drill | what a practitioner sees | elsewhere is | right | limit | wrong by | a right answer |",
        "|" + "---|" * 7,
    ]
    for way in WAYS:
        sizes = [f"{way.value(share):g}" for share in way.sizes] if way.measure else []
        limits = [f"{value:g}" for value in (way.right, way.limit)] if way.measure else ["", ""]
        answers = ", ".join(f"`{name}`" for name in way.answers)
        cells = (f"`{way.drill}`", way.words, way.measure, *limits, ", ".join(sizes), answers)
        rows.append(f"| {' | '.join(cells)} |")
    return "\n".join(rows)


def page(text: str) -> str:
    """The page with its table as it is now."""
    before, _, rest = text.partition(BEGIN)
    return f"{before}{BEGIN}\n{table()}\n{END}{rest.partition(END)[2]}"


if __name__ == "__main__":
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
