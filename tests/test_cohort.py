"""Many recordings at once: on a real Dask scheduler with two worker processes, and on an object store's protocol."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import dask
import duckdb
import fsspec
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner
from distributed import Client
from foreign_layouts import LAYOUTS
from poison import do_or_die, do_slowly
from waiting import GUARD_S, until

from imu_shoulder.analysis import Params
from imu_shoulder.cli import cli
from imu_shoulder.cohort import run as cohort_run
from imu_shoulder.cohort.place import Place
from imu_shoulder.cohort.run import client_of, plan_run, run
from imu_shoulder.cohort.store import FAILURES, drop, keep, kept_in, name_in, read_failures, write_failures
from imu_shoulder.cohort.summary import About, opened, percentiles, read_about, stacked
from imu_shoulder.cohort.tables import TABLES, schema_of, tables_of
from imu_shoulder.cohort.work import do
from imu_shoulder.errors import OutputError, ParameterError, RecordingError
from imu_shoulder.pipeline import analyse
from imu_shoulder.sources.any_kind import read_any
from imu_shoulder.sources.folder import read_recording

# What takes long to make is made once, in one process.
pytestmark = pytest.mark.xdist_group("cohort")

ROOT = Path(__file__).parents[1]
TESTS = str(Path(__file__).parent)
# Names that a folder's name or a reader of hive style might trip over.
ATHLETES = ("A.B.", "Ä/ö = 50%", "7")
BUCKET = "season"


def copied(recording: Path, folder: Path, athlete: str, start: str) -> None:
    """A recording like another, of somebody else."""
    shutil.copytree(recording, folder)
    head = (folder / "recording.toml").read_text(encoding="utf-8")
    lines = [
        f'athlete = "{athlete}"'
        if line.startswith("athlete")
        else f'start = "{start}"'
        if line.startswith("start")
        else line
        for line in head.splitlines()
    ]
    (folder / "recording.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture(scope="module")
def season(small_recording, tmp_path_factory):
    """Nine recordings of three athletes, two of them deeper, and one that cannot be read."""
    folder = tmp_path_factory.mktemp("cohort") / "season"
    for k in range(9):
        place = folder / ("deep" if k > 6 else ".") / f"{k}"
        copied(small_recording, place, ATHLETES[k % 3], f"2026-01-{k + 1:02d}T08:00:00+00:00")
    copied(small_recording, folder / "broken", "A.B.", "2026-02-01T08:00:00+00:00")
    (folder / "broken" / "right_wrist.csv").write_text("time_s\n")
    copied(small_recording, folder / ".writing-1", "A.B.", "2026-02-01T08:00:00+00:00")
    return folder


@pytest.fixture(scope="module")
def store():
    """The address of a server that speaks an object store's protocol, on the loopback."""
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
        patch.setenv("AWS_ACCESS_KEY_ID", "test")
        patch.setenv("AWS_SECRET_ACCESS_KEY", "test")
        patch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        yield f"http://{host}:{port}"
    server.stop()


@pytest.fixture(scope="module")
def scheduler(store, tmp_path_factory):
    """The address of a Dask scheduler with two workers, all of them processes of their own."""
    folder = tmp_path_factory.mktemp("dask")
    file, dask_command = folder / "scheduler.json", [sys.executable, "-m", "dask"]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), TESTS]), "PYTHONWARNINGS": "ignore"}
    common = ["--scheduler-file", str(file)]
    started = [
        subprocess.Popen(
            [*dask_command, *command, *common],
            cwd=folder,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for command in (
            ["scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"],
            ["worker", "--nworkers", "2", "--nthreads", "1", "--no-dashboard", "--local-directory", str(folder)],
        )
    ]
    try:
        until(file.exists, "a scheduler's file")
        with Client(scheduler_file=str(file)) as client:
            client.wait_for_workers(2, timeout=GUARD_S)
            yield client.scheduler.address
    finally:
        for process in reversed(started):
            process.terminate()
            process.wait(GUARD_S)


@pytest.fixture
def client(scheduler):
    with Client(scheduler) as client:
        client.wait_for_workers(2, timeout=GUARD_S)
        yield client


def planned(folder, out):
    return plan_run(str(folder), str(out), Params(), {})


def rows(out, table):
    """All rows in an order of their own, athlete too, as DuckDB reads them."""
    found = duckdb.sql(
        f"SELECT * FROM read_parquet('{out}/{table}/**/*.parquet', hive_partitioning=true,"
        " hive_types={'athlete': VARCHAR}) ORDER BY ALL"
    )
    return found.df()


@pytest.fixture(scope="module")
def plain(season):
    """What a plain loop over the recordings makes: the rows by table and recording."""
    found = {}
    for name in [*map(str, range(7)), "deep/7", "deep/8"]:
        analysis = analyse(read_recording(season / name))
        found[name] = tables_of(analysis, name, "")
    return found


def require_like_the_plain_loop(out, plain):
    for table in TABLES:
        want = pd.concat([tables[table].to_pandas() for tables in plain.values()])
        got = rows(out, table)
        assert len(got) == len(want)
        order = [column for column in ("recording", "set", "side", "start_s", "placement") if column in want]
        columns = [own.name for own in schema_of(table) if own.name != "result"]
        want, got = (frame.sort_values(order)[columns].reset_index(drop=True) for frame in (want, got))
        pd.testing.assert_frame_equal(got, want, check_dtype=False, check_exact=True)


@pytest.fixture(scope="module")
def done(season, scheduler, tmp_path_factory):
    """The season, done by the command on the scheduler."""
    out = tmp_path_factory.mktemp("cohort") / "out"
    found = CliRunner().invoke(cli, ["cohort", str(season), "--out", str(out), "--scheduler", scheduler])
    assert found.exit_code == 0, found.output
    assert found.output.splitlines()[0] == "9 recordings analysed, 0 done before, 1 without results."
    assert "broken: expected the columns" in found.output
    return out


def test_a_cohort_is_what_a_plain_loop_is_row_for_row(done, plain):
    require_like_the_plain_loop(done, plain)


def test_each_recording_is_under_its_athlete(done):
    want = {name: ATHLETES[int(name[-1]) % 3] for name in [*map(str, range(7)), "deep/7", "deep/8"]}
    for table in TABLES:
        found = rows(done, table)
        assert dict(zip(found.recording, found.athlete, strict=True)) == want


def test_what_is_done_is_not_done_twice(done, season):
    before = {path: path.stat().st_mtime_ns for path in done.rglob("*.parquet")}
    found = CliRunner().invoke(cli, ["cohort", str(season), "--out", str(done), "--scheduler", "tcp://127.0.0.1:1"])
    assert found.output.splitlines()[0] == "0 recordings analysed, 9 done before, 1 without results."
    assert {path: path.stat().st_mtime_ns for path in done.rglob("*.parquet")} == before


def test_another_program_other_parameters_and_another_recording_are_done_anew(done, season, tmp_path, monkeypatch):
    assert [job.recording for job in planned(season, done).jobs] == []
    changed = tmp_path / "season"
    shutil.copytree(season, changed)
    assert planned(changed, done).jobs == []  # the same files, elsewhere
    with (changed / "3" / "events.tsv").open("a") as events:
        events.write("60\t1\tnote\n")
    assert [job.recording for job in planned(changed, done).jobs] == ["3"]
    monkeypatch.setattr(cohort_run, "code_digest", lambda: "another")
    jobs = planned(season, done).jobs
    assert len(jobs) == 10
    assert sum(len(job.stale) for job in jobs) == 9 * 3


def test_duckdb_pandas_and_polars_read_the_same(done):
    for table in TABLES:
        files = sorted((done / table).rglob("*.parquet"))
        by_pandas = pd.concat([pd.read_parquet(file, partitioning=None) for file in files])
        by_polars = pl.read_parquet(files, hive_partitioning=False).to_pandas()
        by_duckdb = rows(done, table).drop(columns="athlete")
        order = [c for c in ("recording", "set", "side", "start_s", "placement") if c in by_pandas]
        frames = [f.sort_values(order).reset_index(drop=True) for f in (by_pandas, by_polars, by_duckdb)]
        for other in frames[1:]:
            pd.testing.assert_frame_equal(frames[0], other, check_dtype=False, check_exact=True)


def test_a_folder_is_read_as_one_table(done):
    """The athlete comes from the folder's name: as text where the reader is told so."""
    want = sorted(rows(done, "sets").athlete)
    found = pl.read_parquet(done / "sets", hive_schema={"athlete": pl.String})
    assert sorted(found["athlete"]) == want
    assert sorted(map(str, pd.read_parquet(done / "sets").athlete)) == want


def test_killed_workers_lose_nothing_and_make_nothing_twice(client, season, plain, tmp_path):
    killed = []

    def kill(progress):
        if len(killed) < 3:
            pids = until(
                lambda: [pid for pid in client.run(os.getpid, on_error="ignore").values() if pid not in killed],
                "a worker",
            )
            os.kill(pids[0], signal.SIGKILL)
            killed.append(pids[0])

    failures = run(client, planned(season, tmp_path / "out"), kill, do_slowly)
    assert len(set(killed)) == 3
    assert [failure.recording for failure in failures] == ["broken"]
    require_like_the_plain_loop(tmp_path / "out", plain)


def test_a_recording_with_which_workers_die_stops_no_other(small_recording, tmp_path):
    """It kills its worker, eats all memory, or cannot be read; each has a reason of its own."""
    season = tmp_path / "season"
    for name in ("a", "b", "kills", "eats", "unreadable", "z"):
        copied(small_recording, season / name, "A.B.", "2026-01-01T08:00:00+00:00")
    (season / "unreadable" / "right_wrist.csv").unlink()
    (season / "unreadable" / "right_wrist.csv").symlink_to("right_wrist.csv")
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        client_of(None, 2, "600MB") as client,
    ):
        client.run(sys.path.append, TESTS)
        failures = run(client, planned(season, tmp_path / "out"), work=do_or_die)
    assert {failure.recording: failure.kind for failure in failures} == {
        "eats": "lost",
        "kills": "lost",
        "unreadable": "refused",
    }
    assert {f.recording for f in read_failures(Place.at(str(tmp_path / "out")))} == {"eats", "kills", "unreadable"}
    assert set(rows(tmp_path / "out", "reps").recording) == {"a", "b", "z"}
    # What may have been the machine's is tried again, what cannot be used is not.
    again = planned(season, tmp_path / "out")
    assert [job.recording for job in again.jobs] == ["eats", "kills"]


def test_a_mistake_of_the_program_is_a_failure_with_its_trace(client, season, tmp_path):
    failures = run(client, planned(season, tmp_path / "out"), work=_mistaken)
    assert len(failures) == 10
    assert {failure.kind for failure in failures} == {"error"}
    assert "ZeroDivisionError" in failures[0].reason


def _mistaken(job):
    return 1 / 0


def test_recordings_and_results_lie_in_an_object_store(client, season, plain, store, tmp_path):
    fs = fsspec.filesystem("s3")
    fs.mkdir(BUCKET)
    fs.put(str(season) + "/", f"{BUCKET}/raw", recursive=True)
    failures = run(client, planned(f"s3://{BUCKET}/raw", f"s3://{BUCKET}/out"))
    assert [failure.recording for failure in failures] == ["broken"]
    assert fs.exists(f"{BUCKET}/out/{FAILURES}")
    assert planned(f"s3://{BUCKET}/raw", f"s3://{BUCKET}/out").jobs == []
    fs.get(f"{BUCKET}/out", str(tmp_path / "out"), recursive=True)
    require_like_the_plain_loop(tmp_path / "out", plain)
    with opened(f"s3://{BUCKET}/out", About()) as base:
        assert percentiles(base).num_rows > 0


@pytest.mark.parametrize("where", ["local", "memory"])
def test_foreign_files_are_read_by_the_map_beside_them(where, tmp_path):
    """Their files lie below it, each sensor's in a folder of its own; a change in there does the recording anew."""
    folder = tmp_path / "season" / "foreign"
    folder.mkdir(parents=True)
    layout = next(own for own in LAYOUTS if own.name == "one_name")
    drafted = ["map", *map(str, layout.write(folder)), "--out", str(folder / "map.toml"), *layout.options, "--yes"]
    assert CliRunner().invoke(cli, drafted).exit_code == 0
    want = tables_of(analyse(read_any(folder / "map.toml")), "foreign", "")
    source, out = str(tmp_path / "season"), str(tmp_path / "out")
    if where == "memory":
        fsspec.filesystem("memory").put(source, "/raw", recursive=True)
        source = "memory://raw/season" if fsspec.filesystem("memory").isdir("/raw/season") else "memory://raw"
    (job,) = planned(source, out).jobs
    assert job.recording == "foreign"
    assert {"u1/test.txt", "u2/test.txt"} <= set(job.files)
    assert do(job) is None
    assert planned(source, out).jobs == []
    for table in TABLES:
        assert len(rows(out, table)) == len(want[table]) > 0
    if where == "local":
        with (folder / "u1" / "test.txt").open("a") as stream:
            stream.write("\n")
        assert len(planned(source, out).jobs) == 1


def result_of(tables, recording, result):
    """The tables as another recording's."""
    columns = {"recording": recording, "result": result}
    return {
        name: table.set_column(0, "recording", [[columns["recording"]] * len(table)]).set_column(
            table.schema.get_field_index("result"), "result", [[columns["result"]] * len(table)]
        )
        for name, table in tables.items()
    }


def test_a_result_is_whole_or_not_there(plain, tmp_path):
    place = Place.at(str(tmp_path / "out"))

    class KilledError(Exception):
        pass

    @contextmanager
    def dying_at(name):
        class Dying(Place):
            __slots__ = ()

            def write(self, other, data):
                if other.startswith(name):
                    raise KilledError
                super().write(other, data)

            def remove(self, other):
                if other.startswith(name):
                    raise KilledError
                super().remove(other)

        with pytest.raises(KilledError):
            yield Dying(place.fs, place.root)

    old, new = (result_of(plain["0"], "0", result) for result in ("a", "b"))
    keep(place, "A.B.", "0", "a", old)
    with dying_at("sensors") as dying:
        keep(dying, "A.B.", "0", "b", new)
    with opened(str(tmp_path / "out"), About()) as base:
        assert base.sql("SELECT DISTINCT result FROM reps").fetchall() == [("a",)]
    stale = [name_in(table, "A.B.", "0", "a") for table in TABLES]
    with dying_at("reps") as dying:
        drop(dying, stale)
    assert kept_in(place).done == {}
    drop(place, stale)
    keep(place, "A.B.", "0", "b", new)
    with opened(str(tmp_path / "out"), About()) as base:
        assert base.sql("SELECT DISTINCT result FROM reps").fetchall() == [("b",)]
        assert base.sql("SELECT count(*) FROM reps").fetchall() == [(plain["0"]["reps"].num_rows,)]


def test_the_summary_has_percentiles_by_age_band(done, tmp_path):
    people, conditions = tmp_path / "people.csv", tmp_path / "conditions.csv"
    people.write_text("athlete,age_years\na.b.,34\n7,9\n")
    conditions.write_text("recording,condition\n0,tired\n")
    found = CliRunner().invoke(
        cli,
        [
            *("cohort", "summary", str(done), "--out", str(tmp_path / "s")),
            *("--people", str(people), "--conditions", str(conditions)),
        ],
    )
    assert found.exit_code == 0, found.output
    table = pd.read_csv(tmp_path / "s" / "percentiles.csv")
    arcs = table[table.measure == "arc_deg"].set_index("age_band")
    assert sorted(arcs.index) == ["0-9", "30-39", "unknown"]
    reps = rows(done, "reps")
    mine = reps[(reps.athlete == "A.B.") & (reps.excluded == "")]
    assert arcs.loc["30-39", "reps"] == len(mine) > 0
    assert arcs.loc["30-39", "p25"] == pytest.approx(mine.arc_deg.quantile(0.25), rel=1e-5)
    assert "full_can, right, age 30-39" in found.output
    whole = pq.read_table(tmp_path / "s" / "stacked.parquet").to_pandas()
    assert len(whole) == len(reps)
    assert whole[["person", "session", "condition", "recording"]].drop_duplicates().iloc[0].to_list() == [
        *("7", 1, "", "2"),
    ]
    assert set(whole[whole.recording == "0"].condition) == {"tired"}
    assert whole.groupby("person").session.nunique().to_list() == [3, 3, 3]


def test_a_set_without_reps_has_a_row_of_its_own(plain, tmp_path):
    place = Place.at(str(tmp_path / "out"))
    tables = {**plain["0"], "reps": schema_of("reps").empty_table()}
    keep(place, "A.B.", "0", "", tables)
    with opened(str(tmp_path / "out"), About()) as base:
        found = stacked(base).to_pylist()
    assert [(row["set"], row["rep"]) for row in found] == [(1, None)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("athlete;age_years\n", "the columns athlete,age_years"),
        ("athlete,age_years\nA.B.,old\n", "an age in years"),
        ("athlete,age_years\nA.B.,-1\n", "an age in years"),
        ("athlete,age_years\nA.B.\n", "two filled cells"),
        ("athlete,age_years\nA.B.,20\nA.B.,21\n", "each athlete"),
    ],
)
def test_a_wrong_table_of_people_is_named(tmp_path, text, said):
    (tmp_path / "people.csv").write_text(text)
    with pytest.raises(ParameterError, match=said):
        read_about(tmp_path / "people.csv", None)


def test_a_condition_of_nothing_is_named(done):
    with pytest.raises(ParameterError, match="nobody"), opened(str(done), About({}, {"nobody": "tired"})):
        pass


def test_nothing_to_do_is_said(tmp_path):
    with pytest.raises(RecordingError, match=r"no recording\.toml"):
        planned(tmp_path, tmp_path / "out")
    with pytest.raises(RecordingError, match="there are none"), opened(str(tmp_path / "out"), About()):
        pass
    found = CliRunner().invoke(cli, ["cohort", str(tmp_path), "--out", "nowhere://x"])
    assert found.exit_code == 2
    assert "nowhere" in found.output


def test_a_scheduler_that_does_not_answer_is_said(season, tmp_path, monkeypatch):
    monkeypatch.setattr(cohort_run, "PATIENCE_S", 1)
    asked = ["cohort", str(season), "--out", str(tmp_path / "out"), "--scheduler", "tcp://127.0.0.1:1"]
    found = CliRunner().invoke(cli, asked)
    assert found.exit_code == 2
    assert "a Dask scheduler at tcp://127.0.0.1:1" in found.output


def test_failures_that_cannot_be_written_are_refused_by_one_sentence(tmp_path):
    (tmp_path / "failures.parquet").mkdir()
    with pytest.raises(OutputError, match="to write"):
        write_failures(Place.at(str(tmp_path)), [])
