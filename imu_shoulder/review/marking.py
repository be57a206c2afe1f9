"""The marking page of a session's recording: on a copy, whose analysis takes the place of the session's results."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from starlette.routing import Router

from imu_shoulder.files import copy_file, make_folders
from imu_shoulder.history import sessions as stored
from imu_shoulder.history.adding import add_recording, read_kept, results_folder
from imu_shoulder.history.keeping import copy_files, folder_of
from imu_shoulder.history.plans import plan_at
from imu_shoulder.mark.routes import make_router
from imu_shoulder.mark.work import Asked, Work
from imu_shoulder.one_run import REPORT
from imu_shoulder.plan import parse_plan
from imu_shoulder.report.headlines import first_lines
from imu_shoulder.review.desk import Desk
from imu_shoulder.serve.access import Access


class Marking:
    """The marking pages that are open, by session. scratch: a folder for their copies, gone when the server ends."""

    def __init__(self, desk: Desk, access: Access, scratch: Path) -> None:
        self._desk, self._access, self._scratch = desk, access, scratch
        self._open: dict[int, Router] = {}
        self._lock = threading.Lock()

    def router(self, session_id: int) -> Router:
        """The page of a session's recording. Raises ShoulderError where none is kept."""
        with self._lock:
            if session_id not in self._open:
                self._open[session_id] = make_router(self._work(session_id), self._access)
            return self._open[session_id]

    def _work(self, session_id: int) -> Work:
        row = stored.session(self._desk.store, session_id)
        recording = read_kept(self._desk.store, row)
        folder = self._scratch / str(session_id)
        kept = folder_of(self._desk.store.kept, row["kept"])
        if not folder.is_dir():
            copy_files(kept, folder, recording.file_sha256)
        with self._desk.store.read() as connection:
            version = plan_at(connection, row["athlete_id"], row["start_utc"])
        drills = self._desk.how.drills
        plan = None if version is None else parse_plan(version.toml, f"plan, version {version.number}", drills)
        out = self._scratch / f"{session_id}_results"
        return Work(folder, Asked(self._analyse, out, plan, drills, self._desk.how.params), recording)

    def _analyse(self, folder: Path, out: Path, progress: Callable[[str], None]) -> Sequence[str]:
        """The session worked out by the new marks, in the place of what was there. Raises ShoulderError."""
        how = replace(self._desk.how, progress=progress)
        added = add_recording(self._desk.store, folder, how)
        results = results_folder(self._desk.store, added.session_id, how)
        make_folders(out)
        copy_file(results / REPORT, out / REPORT)
        return first_lines(stored.session(self._desk.store, added.session_id)["summary"])
