"""What a session said of each rep SAID_AFTER_S after its end, and what was said otherwise later: live_reps.csv."""

from __future__ import annotations

import pandas as pd

from imu_shoulder.assess.judge import JudgedRep
from imu_shoulder.engine.running import FinalRep, RunningSet
from imu_shoulder.live.session import LiveSession
from imu_shoulder.model import Side
from imu_shoulder.report.tables import RepRow, rep_rows_table

SAID_AFTER_S = 2.0
FILE = "live_reps.csv"
# Set, side, number, and whether it is a false start, which has the number of the rep after it.
Key = tuple[int, Side, int, bool]


class Said:
    """Look after every chunk; write at the end."""

    def __init__(self) -> None:
        self._said: dict[Key, tuple[RepRow, float]] = {}
        self._last: dict[Key, FinalRep] = {}
        self._sets: dict[int, RunningSet] = {}

    def look(self, session: LiveSession) -> None:
        live = session.latest_set
        if live is None:
            return
        self._sets[live.number] = live
        now_s = session.stream.grid_s or 0.0
        for side, finals in live.final.items():
            for final in finals:
                key = (live.number, side, final.judged.number, final.judged.rep.kind == "false_start")
                self._last[key] = final
                if key not in self._said and now_s >= final.judged.rep.end_s + SAID_AFTER_S:
                    self._said[key] = _row(live, side, final.judged), now_s

    def finish(self, session: LiveSession) -> pd.DataFrame:
        """The rows and columns of reps.csv; then said_s, when a rep was looked at, and revised, what changed later.

        What had no time to be looked at is as it was said at the end.
        """
        self.look(session)
        now_s = session.stream.grid_s or 0.0
        for key, final in self._last.items():
            self._said.setdefault(key, (_row(self._sets[key[0]], key[1], final.judged), now_s))
        keys = sorted(self._said, key=lambda key: (key[0], key[1] != "right", self._said[key][0].judged.rep.start_s))
        table = rep_rows_table([self._said[key][0] for key in keys])
        table["said_s"] = [round(self._said[key][1], 3) for key in keys]
        table["revised"] = [_revised(self._said[key][0].judged, self._last[key]) for key in keys]
        return table


def _row(live: RunningSet, side: Side, judged: JudgedRep) -> RepRow:
    drill = live.drill_of(side)
    role, angle, reference = live.told_by[side]
    name, direction = ("", "") if drill is None else (drill.id, drill.direction)
    return RepRow(live.number, name, side, angle, role, reference, direction, judged)


def _revised(said: JudgedRep, last: FinalRep) -> str:
    """Empty where it still stands."""
    judged = last.judged
    now, then = ((own.faults, own.excluded, own.rep.kind) for own in (judged, said))
    if now == then:
        return ""
    what = judged.excluded or ";".join(judged.faults) or "clean"
    return f"{what}: {last.revised or 'judged anew'}"
