"""What all of the coach's pages share: the history, who is at the desk, templates, and what was worked out already."""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import jinja2

from imu_shoulder.assess.words import drill_title
from imu_shoulder.history.adding import How
from imu_shoulder.history.store import Store
from imu_shoulder.report.templates import TEMPLATES, environment
from imu_shoulder.report.words import MISSING, counted, degrees, number
from imu_shoulder.report.words import date as date_words
from imu_shoulder.review import words
from imu_shoulder.review.standing import Standings

# What templates use for words.
GLOBALS: Mapping[str, Any] = {
    "number": number,
    "missing": MISSING,
    "degrees": degrees,
    "counted": counted,
    "date": date_words,
    "signs": words.SIGNS,
    "day": words.day,
    "of_ten": words.of_ten,
    "amount": words.amount,
    "drill_title": drill_title,
    "from_to": words.from_to,
}
# Of a page's drawn trends: so many athletes are remembered.
MOST_DRAWN = 512


@dataclass(slots=True)
class Desk:
    """store: the history. how: by what sessions are worked out anew. who: at the desk, for the journal.

    token: a page of ours sends it with every change. link_to: a one-time link to a page, None while only this machine
    is served. served: whether other devices may come. invented: whether the season is, so that every page says so.
    """

    store: Store
    how: How
    who: str
    today: Callable[[], date] = date.today
    link_to: Callable[[str], str | None] = lambda page: None
    served: bool = False
    invented: bool = False
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    standings: Standings = field(init=False)
    _templates: jinja2.Environment = field(init=False)
    # By athlete, today and the row of the roster's query, and what the roster shows for them.
    entries: dict[int, tuple[object, dict[str, Any]]] = field(default_factory=dict)
    _drawn: dict[Any, Any] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def __post_init__(self) -> None:
        self.standings = Standings(self.store)
        own = jinja2.PackageLoader("imu_shoulder.review", "templates")
        self._templates = environment(jinja2.ChoiceLoader([own, TEMPLATES]))
        self._templates.globals.update(GLOBALS)

    def fill(self, template: str, found: Mapping[str, Any], *, reads: bool = False) -> str:
        """A whole page. reads: of a device that may look at this page alone, and changes nothing."""
        shared = {"token": "" if reads else self.token, "reads": reads, "invented": self.invented, "who": self.who}
        return self._templates.get_template(template).render(**shared, today=self.today(), **found)

    def drawn(self, key: Any, draw: Callable[[], Any]) -> Any:
        """What was drawn of the same before, else drawn now. key: everything it hangs on."""
        with self._lock:
            found = self._drawn.pop(key, None)
            if found is not None:
                self._drawn[key] = found
                return found
        found = draw()
        with self._lock:
            self._drawn[key] = found
            while len(self._drawn) > MOST_DRAWN:
                del self._drawn[next(iter(self._drawn))]
        return found

    def forget_others(self, athletes: Collection[int]) -> None:
        """Remember nothing of who was deleted. athletes: who there is."""
        gone = [athlete_id for athlete_id in list(self.entries) if athlete_id not in athletes]
        for athlete_id in gone:
            self.entries.pop(athlete_id, None)
        if gone:
            self.standings = Standings(self.store)
            self.forget()

    def forget(self) -> None:
        """Draw everything anew from now on."""
        with self._lock:
            self._drawn.clear()
