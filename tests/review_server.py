"""The coach's pages in a thread of their own, for tests that talk to them from outside."""

from __future__ import annotations

import asyncio
import re
import shutil
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
from imu_shoulder.serve.access import Access, Buckets
from imu_shoulder.serve.pages import bind, make_server

TODAY = date(2026, 5, 4)
HOW = How(Params(), {})


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
        self.access.requests = Buckets(most=1_000_000, per_s=1)  # tests ask faster than people
        self.url = f"http://127.0.0.1:{self.port}/"
        self.desk = Desk(self.store, HOW, "Coach", lambda: self.today, self.access.link_to, invented=self.invented)
        self._server = make_server(make_app(self.desk, self.access, self.scratch, self.told.append))
        self._thread = threading.Thread(target=lambda: asyncio.run(self._server.serve(sockets=sockets)), daemon=True)
        self._thread.start()
        until(lambda: self._server.started, "the server has started")
        return self

    def __exit__(self, *_):
        self._server.should_exit = True
        self._thread.join(GUARD_S)
        assert not self._thread.is_alive()


def season(place: Path, small_recording: Path) -> Path:
    """A history with the invented season up to TODAY; and two recordings of Y.Z., the later one without a mark."""
    from imu_shoulder.history.adding import add_recording
    from imu_shoulder.history.season import build_season
    from imu_shoulder.history.store import open_store

    with open_store(place / "history.db") as store:
        build_season(store, TODAY, recordings=0)
        add_recording(store, recording_of(small_recording, place / "marked", "Y.Z.", "2026-05-02T17:30:00Z"), HOW)
        bare = recording_of(small_recording, place / "unmarked", "Y.Z.", "2026-05-03T17:30:00Z")
        lines = (bare / "events.tsv").read_text().splitlines()
        (bare / "events.tsv").write_text("\n".join(line for line in lines if "\tset\t" not in line) + "\n")
        # Not the same measurements as the other one's.
        wrist = bare / "right_wrist.csv"
        wrist.write_text("\n".join(wrist.read_text().splitlines()[:-1]) + "\n")
        add_recording(store, bare, HOW)
    return place / "history.db"


def recording_of(source: Path, place: Path, athlete: str, start: str) -> Path:
    """A copy of a recording folder under another athlete's name and start."""
    shutil.copytree(source, place)
    text = (place / "recording.toml").read_text()
    text = re.sub(r"(?m)^athlete = .*$", f'athlete = "{athlete}"', text)
    (place / "recording.toml").write_text(re.sub(r"(?m)^start = .*$", f'start = "{start}"', text))
    return place


def copied(source: Path, place: Path) -> Path:
    """A history of one's own to change, with the recordings that are kept beside it."""
    kept = f"{source.stem}_recordings"
    shutil.copytree(source.with_name(kept), place / kept)
    return Path(shutil.copy(source, place / source.name))
