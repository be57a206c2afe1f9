"""The words of a set: one headline and one thing to change. Plain, and traceable to rep numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from imu_shoulder.assess.judge import JudgedRep, clean
from imu_shoulder.drills import Drill

# In the order in which a coach would raise them: what makes the drill pointless or risky first.
ADVICE: Mapping[str, str] = {
    "shrug": "Keep the shoulder down while the arm rises",
    "trunk_moved": "Keep the trunk still",
    "thumb_down": "Turn the thumb up",
    "elbow_off": "Keep the elbow where the drill asks for it",
    "station_skipped": "Do every station",
    "order_wrong": "Keep the order of the stations",
    "short_arc": "Go further, up to the asked arc",
    "over_arc": "Stop at the asked arc",
    "hold_broken": "Keep the arm in the band through the whole hold",
    "hold_short": "Hold longer",
    "too_fast": "Slower, both ways",
    "arms_together": "Keep pressing out: the arms drift together",
    "plane_off": "Raise the arm in the asked direction",
    "start_missed": "Come all the way back before setting out again",
}
# Before any advice to an arm that is to hold while the other one lifts: to hold on would be the opposite of the drill.
HOLDER_SINKS = "Lower both arms when the holding arm starts to sink"
# What to do about reps that could not be scored, where no fault is to be named; the worst first.
SENSOR_ADVICE: Mapping[str, str] = {
    "sensor_slip": "Fasten the strap tighter, the sensor slipped",
    "clipping": "Use a sensor with a wider range, this one reached its end",
    "gap": "Check the sensors before the set, data is missing",
}
EXCLUDED_WORDS: Mapping[str, str] = {
    "gap": "sensor data is missing in it",
    "clipping": "the sensor hit the end of its range in it",
    "partial": "turned back before half the asked arc",
    "sensor_slip": "a sensor had slipped",
}


def rep_list(numbers: Sequence[int]) -> str:
    """ "rep 4", "reps 2 and 7", "reps 1 to 3 and 8"."""
    pieces: list[str] = []
    k = 0
    while k < len(numbers):
        last = k
        while last + 1 < len(numbers) and numbers[last + 1] == numbers[last] + 1:
            last += 1
        if last - k >= 2:
            pieces.append(f"{numbers[k]} to {numbers[last]}")
        else:
            pieces += [str(n) for n in numbers[k : last + 1]]
        k = last + 1
    text = pieces[0] if len(pieces) == 1 else ", ".join(pieces[:-1]) + " and " + pieces[-1]
    return f"rep {text}" if len(numbers) == 1 else f"reps {text}"


def excluded(judged: JudgedRep) -> str:
    """Why an attempt could not be scored."""
    if judged.excluded == "false_start":
        return f"Before rep {judged.number}: a false start, a few degrees and back."
    return f"Rep {judged.number}: {EXCLUDED_WORDS[judged.excluded]}."


def headline(drill: Drill | None, judged: Sequence[JudgedRep], asked: int | None, median_hold_s: float | None) -> str:
    """What was done, in one or two short sentences."""
    scored = [j for j in judged if not j.excluded]
    lost = [j for j in judged if j.excluded in ("gap", "clipping", "sensor_slip")]
    done = len(scored) + len(lost)
    if not done:
        return "No rep was found in this set."
    count = f"{done} of {asked} reps" if asked is not None else f"{done} reps"
    parts = [f"{count}, {len(clean(judged))} clean." if drill is not None else f"{count}."]
    if drill is not None and drill.top.hold_s > 0 and len(drill.stations) == 1 and median_hold_s is not None:
        parts.append(f"Held {median_hold_s:.1f} s of {drill.top.hold_s:g} s (median).")
    if lost:
        parts.append(f"{len(lost)} could not be scored.")
    attempts = [j for j in judged if j.excluded in ("partial", "false_start")]
    if attempts:
        parts.append(f"{len(attempts)} started but not finished.")
    return " ".join(parts)


def change(judged: Sequence[JudgedRep]) -> str:
    """The one thing to change next time, with the reps it comes from; empty when nothing was missed.

    A fault of the athlete goes before trouble with a sensor.
    """
    scored = [j for j in judged if not j.excluded]
    by_fault = {fault: [j.number for j in scored if fault in j.faults] for fault in ADVICE}
    present = [fault for fault, numbers in by_fault.items() if numbers]
    if not present:
        lost = {why: [j.number for j in judged if j.excluded == why] for why in SENSOR_ADVICE}
        return next((f"{SENSOR_ADVICE[why]}: {rep_list(numbers)}." for why, numbers in lost.items() if numbers), "")
    # The most frequent fault leads; among equals the order above decides.
    worst = max(present, key=lambda fault: len(by_fault[fault]))
    return f"{ADVICE[worst]}: {rep_list(by_fault[worst])}."


def holder_change(judged: Sequence[JudgedRep]) -> str:
    """The same for the arm that holds throughout: it has no reps to name."""
    scored = [j for j in judged if not j.excluded]
    if any(map(_sank, scored)):
        return f"{HOLDER_SINKS}."
    faults = {fault for j in scored for fault in j.faults}
    return next((f"{advice}." for fault, advice in ADVICE.items() if fault in faults), "")


def _sank(judged: JudgedRep) -> bool:
    """Whether a holding arm stayed under its band, or left its hold downward."""
    dropped = "hold_broken" in judged.faults and not judged.values["break_deg"] > 0
    return dropped or "short_arc" in judged.faults
