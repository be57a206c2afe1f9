"""A cohort through Dask: which recordings are to be done, who does them, and what came of it.

Dask's scheduler gives out the work, starts workers that died anew, and gives up a recording with which they die again
and again. Here is only what it cannot know: what is done already, and that a recording is worth a second look alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import dask
from distributed import Client, KilledWorker, LocalCluster, as_completed
from distributed.client import FutureCancelledError

from imu_shoulder.analysis import Params
from imu_shoulder.cohort.find import find_recordings
from imu_shoulder.cohort.place import Place
from imu_shoulder.cohort.store import (
    ERROR,
    LOST,
    REFUSED,
    Failure,
    digest,
    drop,
    kept_in,
    read_failures,
    write_failures,
)
from imu_shoulder.cohort.work import Job, code_digest, do
from imu_shoulder.drills import Drill
from imu_shoulder.errors import OutputError, RecordingError

# Failures are written so often while it goes on, in s: a run that is cut off does not find them all again.
WRITE_EVERY_S = 10.0
# How many recordings are with the scheduler for each thread of the workers, so that none waits for the next one.
AHEAD = 2
# How long a scheduler may take to answer, in s.
PATIENCE_S = 10
# On this machine: one recording at a time for each worker, so that who dies takes no other along, and no sampling of
# what the workers do, which nobody looks at.
_HERE = {"distributed.scheduler.worker-saturation": 1.0, "distributed.worker.profile.enabled": False}
Work = Callable[[Job], Failure | None]


@dataclass(slots=True)
class Progress:
    """How far a run is. total: recordings that it has to do."""

    total: int
    done: int = 0
    failed: int = 0
    began_s: float = field(default_factory=time.monotonic)

    @property
    def per_minute(self) -> float:
        """Recordings a minute."""
        return 60 * (self.done + self.failed) / max(time.monotonic() - self.began_s, 1e-9)

    @property
    def left_s(self) -> float | None:
        """Time that is left at this rate; None before the first recording is over."""
        over = self.done + self.failed
        return 60 * (self.total - over) / self.per_minute if over else None


@contextmanager
def client_of(scheduler: str | None, workers: int, memory: str) -> Iterator[Client]:
    """Dask's client: of a cluster's scheduler by its address, or of worker processes of this machine.

    memory: of one worker here, beyond which it is started anew; as Dask writes it. Raises OutputError.
    """
    if scheduler is not None:
        try:
            client = Client(scheduler, timeout=PATIENCE_S)
        except (OSError, ValueError) as error:
            do_so = "start one with `dask scheduler`, or leave out --scheduler to use this machine"
            raise OutputError(f"a Dask scheduler at {scheduler}", f"none answers ({error})", do_so) from error
        with client:
            yield client
        return
    # Keys made for this run keep other users of the machine out: who may talk to a worker may run anything in it.
    with dask.config.set(_HERE):
        try:
            cluster = LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                memory_limit=memory,
                dashboard_address="127.0.0.1:0",
                security=True,
            )
        except ValueError as error:
            raise OutputError("memory of a worker such as 2GB", f"it is {memory} ({error})", "correct it") from error
        except RuntimeError as error:
            do_so = "free some space for temporary files, or start a scheduler and give --scheduler"
            raise OutputError("worker processes to start here", f"they do not ({error})", do_so) from error
        with cluster, Client(cluster) as client:
            yield client


@dataclass(frozen=True, slots=True)
class Planned:
    """What a run has to do. before: how many recordings are done. refused: failures of recordings that cannot be used,
    found earlier. elsewhere: results of recordings that are not in the cohort any more.
    """

    jobs: Sequence[Job]
    target: Place
    before: int
    refused: Sequence[Failure]
    elsewhere: int


def plan_run(folder: str, out: str, params: Params, drills: Mapping[str, Drill]) -> Planned:
    """Every recording under `folder` that is not done in `out` with these parameters, drills and program.

    Raises RecordingError where there is none.
    """
    source, target = Place.at(folder), Place.at(out)
    found = list(find_recordings(source))
    if not found:
        raise RecordingError(
            f"recording folders under {folder}", "there is no recording.toml or map.toml", "give their folder"
        )
    kept, code = kept_in(target), code_digest()
    earlier = {(failure.recording, failure.result): failure for failure in read_failures(target)}
    jobs, refused = [], []
    for one in found:
        key, result = digest(one.name), digest(one.mark, repr(params), repr(drills), code)
        failure = earlier.get((one.name, result))
        if kept.done.get(key) == result:
            continue
        if failure is not None and failure.kind == REFUSED:
            refused.append(failure)
            continue
        stale = tuple(name for name in kept.files.get(key, ()) if not name.endswith(f"-{result}.parquet"))
        jobs.append(Job(source.url, target.url, one.name, one.files, result, stale, params, drills, code))
    elsewhere = kept.done.keys() - {digest(one.name) for one in found}
    return Planned(jobs, target, len(found) - len(jobs) - len(refused), refused, len(elsewhere))


def run(
    client: Client,
    planned: Planned,
    told: Callable[[Progress], None] = lambda progress: None,
    work: Work = do,
) -> Sequence[Failure]:
    """Do what is planned, and return every recording without results. told: after each one. work: what is done.

    Raises OutputError where the scheduler is lost.
    """
    failures = {failure.recording: failure for failure in planned.refused}
    progress = Progress(len(planned.jobs))
    _do_all(client, planned.jobs, work, planned.target, failures, progress, told)
    write_failures(planned.target, failures.values())
    return [failures[name] for name in sorted(failures)]


def _do_all(
    client: Client,
    jobs: Sequence[Job],
    work: Work,
    target: Place,
    failures: dict[str, Failure],
    progress: Progress,
    told: Callable[[Progress], None],
) -> None:
    """The jobs side by side; those with which workers died once more, one by one: they may have been beside the one."""
    lost: list[Job] = []
    written_s = time.monotonic()

    def over(job: Job, failure: Failure | None, *, again: bool) -> None:
        nonlocal written_s
        if failure is not None and failure.kind == LOST and not again:
            lost.append(job)
            return
        if failure is not None:
            failures[job.recording] = failure
            if failure.kind == LOST:
                drop(target, job.stale)
        progress.failed += failure is not None
        progress.done += failure is None
        told(progress)
        if failures and time.monotonic() > written_s + WRITE_EVERY_S:
            write_failures(target, failures.values())
            written_s = time.monotonic()

    for job, failure in _done(client, jobs, work, lambda: AHEAD * sum(client.nthreads().values())):
        over(job, failure, again=False)
    for job, failure in _done(client, tuple(lost), work, lambda: 1):
        over(job, failure, again=True)


def _done(
    client: Client, jobs: Sequence[Job], work: Work, most: Callable[[], int]
) -> Iterator[tuple[Job, Failure | None]]:
    """Each job with what came of it, as they come. most: how many may be with the scheduler."""
    waiting = iter(jobs)
    under_way: dict[Any, Job] = {}
    # Words of its own for each submission: a recording that is tried again is not the one that was given up.
    attempt = digest(time.time_ns())

    def submit(count: int) -> list[Any]:
        new = []
        for _, job in zip(range(count), waiting, strict=False):
            future = client.submit(work, job, key=f"recording-{digest(job.recording)}-{attempt}", pure=False)
            under_way[future] = job
            new.append(future)
        return new

    coming = as_completed(submit(max(1, most())))
    for future in coming:
        job = under_way.pop(future)
        found = _came(future, job)
        future.release()
        for new in submit(max(1, most()) - len(under_way)):
            coming.add(new)
        yield job, found


def _came(future: Any, job: Job) -> Failure | None:
    # Asked for by waiting: what lay on a worker that died since is worked out once more.
    error = future.exception()
    if error is None:
        done: Failure | None = future.result()
        return done
    if isinstance(error, KilledWorker):
        reason = "the worker died each time: out of memory, or killed"
        return Failure(job.recording, job.result, LOST, reason)
    if isinstance(error, FutureCancelledError):
        raise OutputError("the Dask scheduler to stay", "it is gone", "start it again, then this command: it goes on")
    return Failure(job.recording, job.result, ERROR, f"{type(error).__name__}: {error}")
