"""A live server in a thread of its own, for tests that talk to it from outside."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from live_fake import FakeSession, steady
from waiting import GUARD_S, until

from imu_shoulder.cautions import CAUTIONS
from imu_shoulder.live.hub import About, Hub
from imu_shoulder.live.server import make_app
from imu_shoulder.live.session_log import Keeper
from imu_shoulder.serve.access import Access
from imu_shoulder.serve.pages import bind, make_server


def small_report(recording, out: Path) -> None:
    """In place of the analysis: a page that says whose it is."""
    out.mkdir(parents=True)
    (out / "report.html").write_text(
        f"<!doctype html><title>Report</title><link rel=icon href=data:,><h1>{len(recording.events)} events</h1>"
    )


@dataclass
class Running:
    """session: what is shown. access: who may come."""

    folder: Path
    session: object = field(default_factory=FakeSession)
    athlete: str = "M.K."
    feed: Callable = steady
    host: str | None = None
    analyse: Callable = small_report
    port: int = 0
    told: list[str] = field(default_factory=list)
    drawings: tuple = ()

    def __enter__(self):
        sockets = [bind("127.0.0.1", self.port)]
        self.port = sockets[0].getsockname()[1]
        self.access = Access(self.port, self.host)
        if self.host is not None:
            sockets.append(bind(self.host, self.port))
        self.url = f"http://127.0.0.1:{self.port}/"
        keeper = Keeper(self.folder, self.athlete, "2025-03-04T09:30:00+01:00", keeps_samples=True)
        about = About(
            self.athlete, "demo", ("Full can raise", "Band loop raise"), CAUTIONS, self.analyse, self.drawings
        )
        self.hub = Hub(self.session, keeper, about)
        self._server = make_server(make_app(self.hub, self.access, self.feed, tell=self.told.append))
        self._thread = threading.Thread(target=lambda: asyncio.run(self._server.serve(sockets=sockets)), daemon=True)
        self._thread.start()
        until(lambda: self._server.started, "the server has started")
        return self

    def __exit__(self, *_):
        """Stop it; a second time does nothing."""
        self._server.should_exit = True
        self._thread.join(GUARD_S)
        assert not self._thread.is_alive()
