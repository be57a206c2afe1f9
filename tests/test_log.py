"""The log survives cuts, flipped bits, kills and full disks."""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from waiting import until

from imu_shoulder.log import records, writer
from imu_shoulder.log.contents import log_session
from imu_shoulder.log.entries import EventEntry, LinkEntry, NodeEntry, Session, pack, pack_data, pack_state, unpack
from imu_shoulder.log.host_clock import host_now_ns
from imu_shoulder.log.records import DATA, EVENT, LogError, encode_record, scan
from imu_shoulder.log.unfinished import unfinished
from imu_shoulder.log.writer import LogThread, LogWriter

TESTS = Path(__file__).parent


def sample_log(count: int, seed: int = 5) -> tuple[bytes, list[int]]:
    """A log of random records, and where each ends. Some payloads hold marks and whole records themselves."""
    rng = random.Random(seed)
    data, ends = b"", []
    for index in range(count):
        payload = rng.randbytes(rng.randint(0, 260))
        if index % 7 == 0:
            payload += records.MARK
        if index % 11 == 0:
            payload += encode_record(DATA, rng.randrange(count), b"inner")[: rng.choice([9, 200])]
        data += encode_record(rng.randint(1, 8), index, payload)
        ends.append(len(data))
    return data, ends


def truncation_outcome(count: int, seed: int) -> dict[str, int]:
    """Cut a log at random places: every record before the cut is read, nothing else is."""
    rng = random.Random(seed)
    data, ends = sample_log(300, seed)
    whole = scan(data).records
    worst = 0
    for _ in range(count):
        cut = rng.randrange(len(data))
        expected = sum(end <= cut for end in ends)
        found = scan(data[:cut])
        assert found.records == whole[:expected]
        torn = cut - (ends[expected - 1] if expected else 0)
        assert sum(d.length for d in found.damages) == torn
        worst = max(worst, torn)
    return {"cuts": count, "worst_torn_bytes": worst}


def flip_outcome(count: int, seed: int) -> dict[str, int]:
    """Flip single bits: no changed record is taken, and at most one is lost."""
    rng = random.Random(seed)
    data, _ = sample_log(300, seed)
    whole = scan(data).records
    genuine = {record.index: record for record in whole}
    most_lost = false_records = 0
    for _ in range(count):
        at = rng.randrange(8 * len(data))
        flipped = bytearray(data)
        flipped[at // 8] ^= 1 << at % 8
        found = scan(bytes(flipped))
        false_records += sum(genuine.get(r.index) != r for r in found.records)
        most_lost = max(most_lost, len(whole) - len(found.records))
        gone = len(whole) - len(found.records)
        assert found.missing_records == (gone if found.records[-1].index == 299 else 0)
    return {"flips": count, "most_lost": most_lost, "false_records": false_records}


def test_whole_log_reads_back():
    data, ends = sample_log(300)
    found = scan(data)
    assert [r.index for r in found.records] == list(range(300))
    assert found.damages == ()
    assert found.missing_records == 0
    assert ends[-1] == len(data)


def test_a_record_inside_a_payload_is_not_found():
    payload = encode_record(DATA, 7, b"inner") * 3
    outer = encode_record(EVENT, 0, payload)
    assert scan(outer).records[0].payload == payload
    assert scan(outer[:-1]).records == ()


def test_what_lies_before_the_first_record_is_damage_after_none():
    data = encode_record(EVENT, 0, b"a")
    assert [(d.offset, d.length, d.after_index) for d in scan(b"noise" + data).damages] == [(0, 5, -1)]
    assert [(d.offset, d.length, d.after_index) for d in scan(b"noise").damages] == [(0, 5, -1)]
    assert [(d.offset, d.length, d.after_index) for d in scan(data + b"noise").damages] == [(len(data), 5, 0)]


def test_truncations():
    truncation_outcome(100, seed=11)


def test_single_bit_flips():
    assert flip_outcome(100, seed=12) == {"flips": 100, "most_lost": 1, "false_records": 0}


@settings(max_examples=200)
@given(st.binary(max_size=400))
def test_scan_never_raises_on_noise(noise):
    data, _ = sample_log(4)
    assert [r.index for r in scan(noise + data).records][-4:] == [0, 1, 2, 3]


def test_appending_after_a_torn_tail(tmp_path):
    data, ends = sample_log(20)
    for cut in range(ends[18], ends[19]):
        path = tmp_path / f"{cut}.log"
        path.write_bytes(data[:cut])
        log = LogWriter(path)
        log.append([(EVENT, b"after"), (EVENT, b"the crash")])
        log.close()
        found = scan(path.read_bytes())
        assert [r.payload for r in found.records[-2:]] == [b"after", b"the crash"]
        assert found.records[:19] == scan(data).records[:19]
        assert len(found.records) == 21
        assert sum(d.length for d in found.damages) == cut - ends[18]


def test_a_log_in_use_is_refused(tmp_path):
    first = LogWriter(tmp_path / "a.log")
    with pytest.raises(LogError, match="being written"):
        LogWriter(tmp_path / "a.log")
    first.close()
    LogWriter(tmp_path / "a.log").close()


def test_a_foreign_file_is_refused(tmp_path):
    (tmp_path / "a.log").write_bytes(b"time_s,acc_x\n0,1\n")
    with pytest.raises(LogError, match="holds no whole record"):
        records.read_log(tmp_path / "a.log")
    with pytest.raises(LogError, match="no such file"):
        records.read_log(tmp_path / "missing.log")


def test_queue_counts_what_it_drops(tmp_path, monkeypatch):
    monkeypatch.setattr(writer, "BATCH_S", 0.5)
    log = LogThread(tmp_path / "a.log", queue_records=10)
    taken = [log.put(DATA, bytes([i])) for i in range(25)]
    log.close()
    assert taken == [True] * 10 + [False] * 15
    assert log.dropped == 15
    found = records.read_log(tmp_path / "a.log").records
    assert [r.payload for r in found if r.kind == DATA] == [bytes([i]) for i in range(10)]
    assert [int.from_bytes(r.payload, "little") for r in found if r.kind == records.DROPPED] == [15]
    assert log.synced == log.written == 11


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_full_disk_is_said_and_ends_the_thread(tmp_path):
    log = LogThread(tmp_path / "a.log")
    # The file becomes the full device under the writer's feet; opening it as the log would lock it for everyone.
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, log._writer._fd)
    os.close(full)
    log.put(DATA, b"x")
    error = until(lambda: log.error, "the log says that the disk is full")
    assert "No space left" in str(error)
    assert not log.put(DATA, b"y")
    log.close()


LIMITED = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))
from pathlib import Path
from imu_shoulder.log.writer import LogThread
import time
log = LogThread(Path(sys.argv[1]))
for i in range(400):
    log.put(3, i.to_bytes(2, "little") * 20)
    while i % 40 == 39 and log.written <= i and log.error is None:
        time.sleep(0.001)
log.close()
print(log.written, log.error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a file size limit of the operating system")
def test_a_disk_that_fills_up_keeps_what_it_has(tmp_path):
    path = tmp_path / "a.log"
    done = subprocess.run([sys.executable, "-c", LIMITED, path], capture_output=True, text=True, check=True)
    written, error = done.stdout.split(" ", 1)
    assert "recover" in error
    found = scan(path.read_bytes())
    assert path.stat().st_size == 5000
    assert [r.index for r in found.records] == list(range(len(found.records)))
    assert 40 <= int(written) <= len(found.records) == 5000 // (40 + records.OVERHEAD)


# Two records every two milliseconds, and each time a line: how many were put, how many of them acknowledged.
KILLED = """
import sys, time
from pathlib import Path
from imu_shoulder.log.writer import LogThread
log = LogThread(Path(sys.argv[1]))
made = 0
while True:
    for made in range(made + 1, made + 3):
        log.put(3, made.to_bytes(4, "little") + time.monotonic_ns().to_bytes(8, "little") + bytes(50))
    print(made, log.written, flush=True)
    time.sleep(0.002)
"""


def kill_outcome(path: Path, lines: int) -> dict[str, float]:
    """Kill a process that logs some 1000 records a second when it has said `lines` lines.

    acknowledged, due: records that were acknowledged when it was killed; those that were put two batches before that.
    """
    process = subprocess.Popen([sys.executable, "-c", KILLED, path], stdout=subprocess.PIPE)
    assert process.stdout is not None
    said = [process.stdout.readline() for _ in range(lines)]
    killed_ns = time.monotonic_ns()
    os.kill(process.pid, signal.SIGKILL)
    with contextlib.closing(process.stdout):
        said += process.stdout.readlines()
    process.wait()
    told = [tuple(map(int, line.split())) for line in said if line.endswith(b"\n")]
    found = [r for r in scan(path.read_bytes()).records if r.kind == DATA]
    numbers = [int.from_bytes(r.payload[:4], "little") for r in found]
    assert numbers == list(range(1, len(numbers) + 1))
    newest_ns = int.from_bytes(found[-1].payload[4:12], "little") if found else killed_ns
    acknowledged = sorted({written for _, written in told})
    # A batch under way may have begun before a record was put; the one after it takes all that waits.
    due = max((made for made, written in told if written in acknowledged[:-2]), default=0)
    return {
        "acknowledged": acknowledged[-1],
        "due": due,
        "read": len(found),
        "missing_s": max(0.0, (killed_ns - newest_ns) / 1e9),
    }


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_kill_loses_nothing_acknowledged(tmp_path):
    rng = random.Random(21)
    for turn in range(6):
        outcome = kill_outcome(tmp_path / f"{turn}.log", rng.randint(100, 300))
        assert outcome["read"] >= outcome["acknowledged"] >= outcome["due"] > 0


def test_the_last_record_is_read_though_it_is_empty():
    """As the one that says a recording was ended on purpose: nothing follows it and nothing is in it."""
    data = encode_record(DATA, 0, b"samples") + encode_record(records.END, 1, b"")
    found = scan(data)
    assert [(record.kind, record.payload) for record in found.records] == [(DATA, b"samples"), (records.END, b"")]
    assert found.damages == ()


def test_what_the_system_takes_in_pieces_is_all_written(tmp_path, monkeypatch):
    """write(2) may take less than it was given, as on a disk that is nearly full (POSIX)."""
    whole = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: whole(fd, bytes(data[: max(1, len(data) // 3)])))
    log = LogWriter(tmp_path / "short.log")
    log.append([(DATA, bytes([k]) * 100) for k in range(20)])
    log.close()
    found = scan((tmp_path / "short.log").read_bytes())
    assert [record.payload for record in found.records] == [bytes([k]) * 100 for k in range(20)]


def test_a_log_that_is_continued_counts_on_without_a_gap(tmp_path):
    path = tmp_path / "again.log"
    for _ in range(3):
        log = LogWriter(path)
        log.append([(EVENT, b"one"), (EVENT, b"two")])
        log.close()
    found = scan(path.read_bytes())
    assert [record.index for record in found.records] == list(range(6))
    assert found.missing_records == 0


def test_what_is_put_while_the_log_is_being_closed_is_written(tmp_path):
    """It was taken, so it is kept: a record that comes while those before it are on their way to the disk."""
    log = LogThread(tmp_path / "a.log")
    sync, late = log._writer.sync, [b"late"]

    def slow_sync():
        sync()
        if log._stop.is_set() and late:
            assert log.put(EVENT, late.pop())

    log._writer.sync = slow_sync
    log.put(EVENT, b"early")
    log.close()
    # What was put and nothing else: nothing was dropped, so nothing is said of it.
    assert [record.payload for record in records.read_log(tmp_path / "a.log").records] == [b"early", b"late"]


def test_a_record_is_as_long_as_its_length_can_be_said():
    """In 16 bits."""
    (record,) = scan(encode_record(EVENT, 0, bytes(2**16 - 1))).records
    assert len(record.payload) == 2**16 - 1
    with pytest.raises(LogError, match="65536 came"):
        encode_record(EVENT, 0, bytes(2**16))


def test_without_its_session_a_log_counts_from_its_first_sample():
    remarks: list[str] = []
    assert log_session(None, 12.5, remarks)[0] == 12_500_000_000
    assert "the time counts from the first sample" in remarks[0]


@pytest.mark.parametrize(
    ("kind", "payload"),
    [
        (records.DATA, pack_data(0, 7_000_000_000, b"x")),
        (records.STATE, pack_state(0, 6_900_000_000, 7_000_000_000, b"x")),
        (records.LINK, pack(LinkEntry(0, 7_000_000_000, connected=False, reason="out of reach"))),
    ],
    ids=["data", "state", "link"],
)
def test_a_log_was_written_until_the_newest_thing_heard_in_it(tmp_path, kind, payload):
    """Whatever came last; what a person typed says nothing of the nodes."""
    began = Session("M.K.", "2026-05-04T09:30:00+02:00", 0, time.time() - host_now_ns() / 1e9)
    parts = [
        (records.SESSION, pack(began)),
        (records.NODE, pack(NodeEntry(0, "C0:00:00:00:00:01", "right_wrist", "contract-1"))),
        (records.DATA, pack_data(0, 5_000_000_000, b"x")),
        (kind, payload),
        (EVENT, pack(EventEntry(9_000_000_000, "stop"))),
    ]
    (tmp_path / "a.log").write_bytes(b"".join(encode_record(k, n, data) for n, (k, data) in enumerate(parts)))
    found = unfinished(tmp_path / "a.log")
    assert found is not None
    assert found.last_ns == 7_000_000_000
    assert [node.placement for node in found.nodes] == ["right_wrist"]
    assert (found.addresses, found.ended, found.of_nodes) == (("C0:00:00:00:00:01",), False, True)


@pytest.mark.parametrize("value", [1e300, -1e300, -(2.0**63), float("nan"), float("inf"), -float("inf")])
def test_a_number_out_of_all_reason_is_refused_whatever_its_sign(value):
    assert unpack(EventEntry, pack(EventEntry(1, "pain", value=-3.0))).value == -3.0
    text = json.dumps({"host_ns": 1, "what": "pain", "value": value})
    with pytest.raises(LogError, match="out of range"):
        unpack(EventEntry, text.encode())
