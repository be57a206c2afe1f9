"""The coach's pages in a thread of their own, for tests that talk to them from outside."""

from __future__ import annotations

import asyncio
import threading
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from waiting import GUARD_S, until

from imu_shoulder.analysis import Params
from imu_shoulder.history.adding import How
from imu_shoulder.history.store import Store
from imu_shoulder.review.app import make_app
from imu_shoulder.review.desk import Desk
from imu_shoulder.serve.access import Access
from imu_shoulder.serve.pages import bind, make_server

TODAY = date(2026, 5, 4)


@dataclass
class Reviewing:
    """Pages of a store, as if it were `today`. scratch: for what is marked."""

    store: Store
    scratch: Path
    today: date = TODAY
    invented: bool = True
    port: int = 0
    told: list[str] = field(default_factory=list)

    def __enter__(self):
        sockets = [bind("127.0.0.1", self.port)]
        self.port = sockets[0].getsockname()[1]
        self.access = Access(self.port)
        self.url = f"http://127.0.0.1:{self.port}/"
        how = How(Params(), {})
        self.desk = Desk(self.store, how, "Coach", lambda: self.today, self.access.link_to, invented=self.invented)
        self._server = make_server(make_app(self.desk, self.access, self.scratch, self.told.append))
        self._thread = threading.Thread(target=lambda: asyncio.run(self._server.serve(sockets=sockets)), daemon=True)
        self._thread.start()
        until(lambda: self._server.started, "the server has started")
        return self

    def __exit__(self, *_):
        self._server.should_exit = True
        self._thread.join(GUARD_S)
        assert not self._thread.is_alive()
