"""Prints what is found of recordings without a mark: python tests/print_unmarked.py [--persons 30] [--days 30]
[--housework 10] [--first 0] [--only sessions|days|housework|people]

Sessions of 5 to 8 sets of all drills in any order, half-hours of daily life and of housework, by both simulators; the
blocks of two persons of an open physiotherapy data set, where it is beside the checkout (Yurtman and Barshan 2014, doi
10.1016/j.cmpb.2014.07.003). A set is found where a proposal shares more than half of it; a drill is right where it is
the set's, or for both arms one of full can and band loop raise, which look alike. Tuning used seeds from 9000 on.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd
from open_therapy import SESSIONS, blocks, session_of
from unmarked_sessions import (
    first_day,
    first_housework,
    first_session,
    second_day,
    second_housework,
    second_session,
)

from imu_shoulder.model import MAYBE_SET, Event, Proposal
from imu_shoulder.pipeline import analyse
from imu_shoulder.propose import proposals

LOOK_ALIKE = {"full_can", "band_loop_raise"}
# The side raise of the open data as a drill of ours.
RAISES = {None, "full_can", "full_can_hold_and_lift", "band_loop_raise"}
BINS = 10


def shared_s(own: Proposal, event: Event) -> float:
    return min(own.end_s, event.end_s) - max(own.start_s, event.onset_s)


def matched(sets: Sequence[Proposal], true: Sequence[Event]) -> Iterator[tuple[Event, Proposal | None]]:
    for event in true:
        yield event, next((own for own in sets if shared_s(own, event) > 0.5 * event.duration_s), None)


def is_right(own: Proposal, event: Event) -> bool:
    return own.drill == event.drill or (event.side == "both" and {own.drill, event.drill} <= LOOK_ALIKE)


def score(found: Sequence[Proposal], events: Sequence[Event], told: list[tuple[float, bool]]) -> Counter[str]:
    """told: probability and whether it was so, of every proposed set."""
    sets = [own for own in found if own.kind == "set"]
    true = [event for event in events if event.trial_type == "set"]
    moved = [event for event in events if event.trial_type not in ("set", "neutral_pose")]
    out: Counter[str] = Counter(recordings=1, sets=len(true))
    hits = []
    for event, own in matched(sets, true):
        if own is not None:
            hits.append(own)
            right = is_right(own, event)
            told.append((own.probability, right))
            out.update(found=1, right=int(right), side=int(own.side == event.side))
    invented = [own for own in sets if own not in hits]
    told += [(own.probability, False) for own in invented]
    out["invented"] = len(invented)
    out["named"] = sum(own.kind == MAYBE_SET for own in found)
    for event in moved:
        out["movements found"] += any(
            own.kind == event.trial_type and shared_s(own, event) > 0.5 * event.duration_s for own in found
        )
    out["movements"] = len(moved)
    out["calibration counted"] = sum(any(shared_s(own, event) > 1.0 for event in moved) for own in sets)
    return out


def calibration_error(told: Sequence[tuple[float, bool]]) -> float:
    """Expected calibration error over bins of equal width: how far the stated probability is from the share that was
    so (Naeini, Cooper, Hauskrecht 2015, from memory)."""
    stated, so = np.array([own[0] for own in told]), np.array([own[1] for own in told], dtype=float)
    place = np.minimum((stated * BINS).astype(int), BINS - 1)
    return float(sum(abs(stated[place == k].mean() - so[place == k].mean()) * (place == k).mean() for k in set(place)))


def row(name: str, own: Counter[str], told: Sequence[tuple[float, bool]]) -> dict[str, object]:
    sets, found = own["sets"], own["found"]
    return {
        "recordings": name,
        "n": own["recordings"],
        "sets": sets,
        "found %": 100 * found / sets if sets else float("nan"),
        "right drill %": 100 * own["right"] / found if found else float("nan"),
        "right arm %": 100 * own["side"] / found if found else float("nan"),
        "movements found %": 100 * own["movements found"] / own["movements"] if sets else float("nan"),
        "invented": own["invented"],
        "named, not counted": own["named"],
        "calibration counted": own["calibration counted"],
        "calibration error": calibration_error(told) if told else float("nan"),
    }


def people() -> None:
    rows = []
    for name in SESSIONS:
        recording, events = session_of(name), blocks(name)
        sets = [own for own in proposals(recording) if own.kind == "set"]
        analysed = analyse(recording).sets
        for event, own in matched(sets, events):
            counted = [len(s.arm_set.counted) for s in analysed if own and abs(s.arm_set.start_s - own.start_s) < 1]
            rows.append(
                {
                    "session": name,
                    "block": f"{event.onset_s:.0f} to {event.end_s:.0f} s",
                    "ends off s": max(abs(own.start_s - event.onset_s), abs(own.end_s - event.end_s)) if own else None,
                    "reps": sum(counted),
                    "answer": "not found" if own is None else own.drill or "none of the drills",
                    "probability": own.probability if own else None,
                    "fits": own is not None and own.drill in RAISES,
                }
            )
    print(
        f"\nBlocks of people, each truly of 10 reps:\n\n{pd.DataFrame(rows).to_markdown(index=False, floatfmt='.2f')}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--persons", type=int, default=30)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--housework", type=int, default=10)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--only", choices=("sessions", "days", "housework", "people"))
    options = parser.parse_args()
    rows, every = [], list[tuple[float, bool]]()
    days = {
        "days": (options.days, {"one": first_day, "two": second_day}),
        "housework": (options.housework, {"one": first_housework, "two": second_housework}),
    }
    for name, of_session in {"one": first_session, "two": second_session}.items():
        if options.only in (None, "sessions"):
            told, own = list[tuple[float, bool]](), Counter[str]()
            for seed in range(options.first, options.first + options.persons):
                recording, events = of_session(seed)
                own += score(proposals(recording), events, told)
            rows.append(row(f"sessions, {name}", own, told))
            every += told
        for kind, (count, of_day) in days.items():
            if count and options.only in (None, kind):
                told, own = list[tuple[float, bool]](), Counter[str]()
                for seed in range(options.first, options.first + count):
                    own += score(proposals(of_day[name](seed)), (), told)
                rows.append(row(f"{kind}, {name}", own, told))
                every += told
    if rows:
        print(pd.DataFrame(rows).to_markdown(index=False, floatfmt=".2f"))
        print(f"\nOver all of these: calibration error {calibration_error(every):.3f}." if every else "")
    if options.only in (None, "people"):
        if SESSIONS:
            people()
        else:
            print("\nBlocks of people: no copy of the open data beside the checkout.")


if __name__ == "__main__":
    main()
