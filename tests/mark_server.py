"""The marking page's server in a thread of its own, for tests that talk to it from outside."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from starlette.applications import Starlette
from starlette.routing import Mount
from waiting import GUARD_S, until

from imu_shoulder.mark.routes import make_app, make_router
from imu_shoulder.mark.work import Asked, Work
from imu_shoulder.serve.access import Access
from imu_shoulder.serve.pages import Guard, bind, make_server


def real_analysis(folder: Path, out: Path, progress: Callable[[str], None]) -> list[str]:
    """What the command does."""
    from imu_shoulder.analysis import Params
    from imu_shoulder.cli.analyse import run
    from imu_shoulder.report.headlines import terminal_lines
    from imu_shoulder.sources.folder import read_recording

    return terminal_lines(run(read_recording(folder), out, {}, Params(), progress))


@dataclass
class Marking:
    """A page of the recording in `folder`. mount: where among other pages it stands."""

    folder: Path
    analyse: Callable = real_analysis
    drills: Mapping = field(default_factory=dict)
    plan: object = None
    mount: str = ""
    recording: object = None

    def __enter__(self):
        sockets = [bind("127.0.0.1", 0)]
        self.port = sockets[0].getsockname()[1]
        self.access = Access(self.port)
        self.url = f"http://127.0.0.1:{self.port}{self.mount}/"
        self.out = self.folder.with_name(f"{self.folder.name}_results")
        self.work = Work(self.folder, Asked(self.analyse, self.out, self.plan, self.drills), self.recording)
        self._server = make_server(self._app())
        self._thread = threading.Thread(target=lambda: asyncio.run(self._server.serve(sockets=sockets)), daemon=True)
        self._thread.start()
        until(lambda: self._server.started, "the server has started")
        return self

    def _app(self):
        if not self.mount:
            return make_app(self.work, self.access)
        return Guard(Starlette(routes=[Mount(self.mount, make_router(self.work, self.access))]), self.access)

    def __exit__(self, *_):
        self._server.should_exit = True
        self._thread.join(GUARD_S)
        assert not self._thread.is_alive()
