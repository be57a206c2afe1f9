"""A recording from scan to folder: several nodes into one log, events from the keyboard, a clean end."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TextIO

from imu_shoulder.ble.assemble import Assembled
from imu_shoulder.ble.console import Console, Keyboard, status_line, warnings_said
from imu_shoulder.ble.discover import BluetoothError, assign_placements, find_nodes, node_entries
from imu_shoulder.ble.link import NodeLink, Wish
from imu_shoulder.ble.recover import recover
from imu_shoulder.ble.typed import HELP, parse_line
from imu_shoulder.drills import shipped_ids
from imu_shoulder.errors import OutputError, ParameterError, ShoulderError
from imu_shoulder.files import make_folders, refusing
from imu_shoulder.log.entries import End, EventEntry, Session, pack
from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.log.records import END, EVENT, NODE, SESSION, LogError
from imu_shoulder.log.unfinished import Unfinished, unfinished
from imu_shoulder.log.writer import LogThread

STOP_TIMEOUT_S = 6.0


@dataclass(frozen=True, slots=True)
class RecordOptions:
    """What to record. folder: where the recording will be; its log is beside it until then.

    placements: by address, for nodes that do not know theirs. rate_hz, seconds: None leaves the nodes' rate, no limit.
    """

    folder: Path
    athlete: str
    placements: Mapping[str, str] = field(default_factory=dict)
    rate_hz: int | None = None
    scan_s: float = 5.0
    seconds: float | None = None

    @property
    def log_path(self) -> Path:
        return self.folder.with_name(self.folder.name + ".log")


def record(options: RecordOptions, out: TextIO) -> Assembled:
    """Record until stopped and write the recording folder. Raises ShoulderError."""
    if not options.athlete.strip():
        raise ParameterError("initials or a code with --athlete", "it was empty", "give one, such as M.K.")
    if options.folder.exists():
        raise OutputError(f"a new folder at {options.folder}", "it is there already", "give another name with --out")
    with refusing(options.folder):
        make_folders(options.folder.parent)
    # A recording that was killed is continued in its log.
    log_error = asyncio.run(_Recorder(options, Console(out), unfinished(options.log_path)).run())
    if log_error is not None:
        raise log_error
    return recover(options.log_path, options.folder, keep_log=False)


class _Recorder:
    def __init__(self, options: RecordOptions, console: Console, earlier: Unfinished | None) -> None:
        self._options = options
        self._earlier = earlier
        self._console = console
        self._stop = asyncio.Event()
        self._log: LogThread | None = None
        self._running: EventEntry | None = None

    async def run(self) -> LogError | None:
        """Scan, record, stop. Why the log ended early, or None."""
        options = self._options
        with self._signals(), warnings_said(self._console):
            self._console.say(f"looking for nodes for {options.scan_s:g} s")
            self._log = log = LogThread(options.log_path)
            try:
                found = await find_nodes(options.scan_s, () if self._earlier is None else self._earlier.addresses)
                if self._stop.is_set():
                    raise BluetoothError("time to look for nodes", "the search was stopped", "start again")
                placed = assign_placements(found, options.placements)
                start = datetime.now().astimezone().isoformat(timespec="milliseconds")
                session = pack(Session(options.athlete, start, host_now_ns(), time.time()))
                self._put_twice(SESSION, session)
                adapter = asyncio.Lock()
                wish = Wish(options.rate_hz, bool(options.placements))
                links = []
                for placement, entry in node_entries(placed, self._earlier).items():
                    node = placed[placement]
                    self._put_twice(NODE, pack(entry))
                    links.append(NodeLink(node.device, entry, node.kind, wish, log, adapter))
                self._console.say(HELP)
                with Keyboard(self._key):
                    await self._until_stopped(links, log)
                log.put(END, pack(End(host_now_ns())))
            finally:
                log.close()
            return log.error

    def _put_twice(self, kind: int, payload: bytes) -> None:
        """For what all else depends on: one damaged record must not take it away."""
        if self._log is not None:
            self._log.put(kind, payload)
            self._log.put(kind, payload)

    @contextlib.contextmanager
    def _signals(self) -> Iterator[None]:
        """Ctrl-C, a closed terminal and a request to end all stop the recording in order."""
        loop = asyncio.get_running_loop()
        if sys.platform == "win32":
            before = signal.signal(signal.SIGINT, lambda *_: loop.call_soon_threadsafe(self._stop.set))
            try:
                yield
            finally:
                signal.signal(signal.SIGINT, before)
            return
        names = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
        for name in names:
            loop.add_signal_handler(name, self._stop.set)
        try:
            yield
        finally:
            for name in names:
                loop.remove_signal_handler(name)

    async def _until_stopped(self, links: list[NodeLink], log: LogThread) -> None:
        tasks = [asyncio.create_task(link.run(self._stop)) for link in links]
        begin_ns = host_now_ns()
        painted_s = 0.0
        while not self._stop.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._stop.wait(), 0.5)
            now_s = host_now_ns() / 1e9
            for link in links:
                link.meter.digest(now_s)
            elapsed_s = now_s - begin_ns / 1e9
            if elapsed_s - painted_s >= self._console.repaint_s:
                painted_s = elapsed_s
                self._console.paint([status_line(link, now_s) for link in links] + [self._summary(elapsed_s, log)])
            for task in tasks:
                if task.done():
                    task.result()
            if log.error is not None or elapsed_s >= (self._options.seconds or float("inf")):
                self._stop.set()
        self._console.say("stopping")
        _, late = await asyncio.wait(tasks, timeout=STOP_TIMEOUT_S)
        for task in late:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def _summary(self, elapsed_s: float, log: LogThread) -> str:
        minutes, seconds = divmod(int(elapsed_s), 60)
        doing = ""
        if self._running is not None:
            words = [self._running.trial_type, self._running.drill, self._running.side]
            running_s = (host_now_ns() - self._running.host_ns) / 1e9
            if self._running.duration_s is None or running_s < self._running.duration_s:
                doing = f"  {' '.join(word for word in words if word)} for {running_s:.0f} s"
        dropped = f", {log.dropped} dropped" if log.dropped else ""
        return f"{minutes:02d}:{seconds:02d}  {log.written} records kept{dropped}{doing}"

    def _key(self, character: str) -> None:
        line = self._console.key(character)
        if line is None or not line.strip() or self._log is None:
            return
        try:
            entry = parse_line(line, host_now_ns(), shipped_ids())
        except ShoulderError as error:
            self._console.say(str(error))
            return
        if entry is None:
            self._stop.set()
            return
        self._log.put(EVENT, pack(entry))
        if entry.what in ("start", "shake"):
            self._running = entry
        elif entry.what == "stop":
            self._running = None
        self._console.say(f"noted: {line.strip()}")
