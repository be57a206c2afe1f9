"""Writing the log: every batch goes to the operating system at once, and to the disk once a second.

A killed process loses at most what waited for the next batch; a machine that loses power at most the last second.
"""

from __future__ import annotations

import os
import sys
import threading
import time
from collections import deque
from collections.abc import Sequence
from pathlib import Path

from imu_shoulder.files import open_to_append, remove_if_empty
from imu_shoulder.log.records import DROPPED, LogError, encode_record, scan

BATCH_S = 0.05
SYNC_S = 1.0
QUEUE_RECORDS = 20_000


class LogWriter:
    """Appends records to a log file; an existing log is continued, whatever its tail looks like."""

    def __init__(self, path: Path) -> None:
        try:
            existing = path.read_bytes() if path.is_file() else b""
            self._fd = open_to_append(path)
        except OSError as error:
            raise LogError("a writable log", f"{path} is not ({error.strerror})", "choose another --out") from error
        self._path = path
        try:
            self._lock()
            self._index = max((record.index for record in scan(existing).records), default=-1) + 1
        except BaseException:
            os.close(self._fd)
            raise

    def _lock(self) -> None:
        if sys.platform == "win32":
            return
        import fcntl

        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise LogError(
                "a log nobody is writing", f"{self._path} is being written", "stop the other recording first"
            ) from error

    def append(self, records: Sequence[tuple[int, bytes]]) -> None:
        """Write records in one call. Raises LogError when the disk is full or gone."""
        block = b"".join(encode_record(kind, self._index + i, payload) for i, (kind, payload) in enumerate(records))
        try:
            while block:
                block = block[os.write(self._fd, block) :]
        except OSError as error:
            raise self._failed(error) from error
        self._index += len(records)

    def sync(self) -> None:
        """Return when everything written is on the disk. Raises LogError."""
        try:
            os.fsync(self._fd)
        except OSError as error:
            raise self._failed(error) from error

    def _failed(self, error: OSError) -> LogError:
        return LogError(
            "room for the recording",
            f"writing {self._path} failed ({error.strerror})",
            f"free some space and run: imu-shoulder recover {self._path}",
        )

    def close(self) -> None:
        """Close it; a log that holds nothing is removed."""
        os.close(self._fd)
        remove_if_empty(self._path)


class LogThread:
    """Takes records from callbacks without ever blocking them, and writes them from a thread of its own.

    put() is for one thread. When the queue is full the newest record is dropped and counted; the log gets to know.
    """

    def __init__(self, path: Path, queue_records: int = QUEUE_RECORDS) -> None:
        self._writer = LogWriter(path)
        self._queue: deque[tuple[int, bytes]] = deque()
        self._limit = queue_records
        self._stop = threading.Event()
        self._error: LogError | None = None
        self.dropped = 0
        self.written = 0
        self.synced = 0
        self._thread = threading.Thread(target=self._run, name="log", daemon=True)
        self._thread.start()

    @property
    def error(self) -> LogError | None:
        """Why writing ended, or None while all is well."""
        return self._error

    @property
    def waiting(self) -> int:
        return len(self._queue)

    def put(self, kind: int, payload: bytes) -> bool:
        """Queue one record. False if it was dropped."""
        if len(self._queue) >= self._limit or self._error is not None:
            self.dropped += 1
            return False
        self._queue.append((kind, payload))
        return True

    def _run(self) -> None:
        told = 0
        synced_at = time.monotonic()
        try:
            while True:
                ending = self._stop.wait(BATCH_S)
                batch = [self._queue.popleft() for _ in range(len(self._queue))]
                if self.dropped > told:
                    told = self.dropped
                    batch.append((DROPPED, told.to_bytes(8, "little")))
                if batch:
                    self._writer.append(batch)
                    self.written += len(batch)
                if ending or time.monotonic() - synced_at >= SYNC_S:
                    done = self.written
                    self._writer.sync()
                    self.synced = done
                    synced_at = time.monotonic()
                if ending and not self._queue:
                    return
        except LogError as error:
            self._error = error

    def close(self) -> None:
        """Write and sync what is queued, then close. Look at `error` afterwards."""
        self._stop.set()
        self._thread.join()
        self._writer.close()
