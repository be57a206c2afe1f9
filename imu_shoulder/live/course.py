"""The way through a plan: which set is due, how long the rest before it, and when all of it was done."""

from __future__ import annotations

from typing import Any

from imu_shoulder.plan import Plan, PlannedDrill


class Course:
    """place: of the drill that is shown, in the plan. round: number of its set. over: all that was asked is done."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        # Of a drill's place, the direction that was chosen in place of the plan's.
        self._chosen: dict[int, str] = {}
        self._item: tuple[int, str | None, PlannedDrill] | None = None
        self.place, self.round = 0, 1
        self.over = False
        self._done = [0] * len(plan.drills)
        # A set was done and the plan has not gone on from it yet.
        self._due = False
        self._rest: tuple[float, float] | None = None

    @property
    def item(self) -> PlannedDrill:
        place, way = self.place, self._chosen.get(self.place)
        if self._item is None or self._item[:2] != (place, way):
            self._item = place, way, self.plan.drills[place].towards(way)
        return self._item[2]

    @property
    def due_place(self) -> int:
        """Of the drill that is due once the questions after a set are answered."""
        return self._after()[0] if self._due else self.place

    @property
    def left_out(self) -> list[str]:
        """The drills of which fewer sets were done than asked, in words."""
        return [
            f"{item.drill.title} ({item.side}): {done} of {item.sets} sets"
            for item, done in zip(self.plan.drills, self._done, strict=True)
            if done < item.sets
        ]

    def choose(self, direction: str) -> str | None:
        """The drill that is shown goes in this direction from now on. Returns a sentence where it cannot."""
        if direction not in self.item.drill.directions:
            return f"{self.item.drill.title} has no direction {direction}."
        self._chosen[self.place] = direction
        return None

    def set_begins(self) -> None:
        self.over, self._rest = False, None

    def set_done(self, end_s: float) -> None:
        """A set of the drill was done; the rest begins where it ended."""
        self._done[self.place] += 1
        self._due = True
        self._rest = end_s, self.item.rest_s

    def advance(self) -> None:
        """On to the set that is due, if one was done."""
        if not self._due:
            return
        self.place, self.over = self._after()
        self._due = False
        if not self.over:
            self.round = self._done[self.place] + 1

    def go(self, step: int) -> str | None:
        """To the drill before or after. Returns a sentence where there is none."""
        if self.over and step < 0:
            # Back from the end: to the last drill, for what was left out or for one set more.
            step = 0
        if not 0 <= self.place + step < len(self.plan.drills):
            return "This is the last drill." if step > 0 else "This is the first drill."
        self.over = False
        self.place += step
        self.round = self._done[self.place] + 1
        return None

    def rest(self, now_s: float) -> dict[str, Any] | None:
        """The rest that goes on, to be drawn; None before the first set and after the last."""
        if self._rest is None or self.over:
            return None
        since_s, asked_s = self._rest
        return {"left_s": round(max(0.0, since_s + asked_s - now_s), 1), "of_s": asked_s}

    def _after(self) -> tuple[int, bool]:
        """The place of the next set that is asked, from here on; and whether there is none."""
        places = range(self.place, len(self._done))
        left = next((k for k in places if self._done[k] < self.plan.drills[k].sets), None)
        return (self.place, True) if left is None else (left, False)
