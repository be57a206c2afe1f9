"""Logs damaged at random: what is recovered stands at its true time, and what is gone is said."""

from __future__ import annotations

import random
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from fake_bluez.node import NodeScript, default_motion
from fake_bluez.offline import ZERO_NS, write_log

from imu_shoulder.ble.assemble import Assembled, assemble
from imu_shoulder.ble.packet import decode_packet
from imu_shoulder.log.entries import Session, pack, unpack, unpack_data
from imu_shoulder.log.records import DATA, SAMPLES, SESSION, STATE, LogError, Record, encode_record, scan
from imu_shoulder.log.samples import assemble_samples, pack_samples
from imu_shoulder.log.writer import LogWriter
from imu_shoulder.model import FloatArray, SensorStream

WITHIN_S = 0.003
SECONDS = 60.0
PLACES = ("right_wrist", "right_upper_arm", "left_wrist")


def rough_log(folder: Path, seed: int) -> tuple[bytes, dict[str, dict[bytes, float]]]:
    """A log of three nodes with losses, an outage and restarts, some of them uncounted, and for each placement the true
    time of every sample by its values, which no two samples share."""
    rng = random.Random(seed)
    scripts = []
    for number, placement in enumerate(PLACES):
        acc, gyr = default_motion(200.0, SECONDS + 10, seed=number)
        np.savez(folder / f"{placement}.npz", acc=acc, gyr=gyr)
        first_s = rng.uniform(14.0, 24.0)
        scripts.append(
            NodeScript(
                f"C0:00:00:00:00:{number:02X}",
                placement,
                loss=0.01,
                drift_ppm=rng.uniform(-45.0, 45.0),
                payload_bytes=rng.choice([20, 182, 244]),
                bursts=((4.0, 9.0), (30.0, 34.0)),
                outages=((26.0, 31.0),) if number == 1 else (),
                reboots=(first_s, first_s + 18.0) if number == 0 else (),
                resets=(first_s,) if number == 2 else (),
                keeps_boot=rng.random() < 0.5,
                ticks_at_zero=rng.choice([0, 2**24 - 32768 * 20, 2**30 + 12345]),
                data=str(folder / f"{placement}.npz"),
                seed=seed,
            )
        )
    (folder / "a.log").unlink(missing_ok=True)
    truth = write_log(folder / "a.log", scripts, SECONDS)
    true_s = {}
    for placement, one in zip(PLACES, truth, strict=True):
        payloads = (unpack_data(payload)[2] for _, kind, payload in one.records if kind == DATA)
        packets = [decode_packet(payload) for payload in payloads]
        rows = np.vstack([np.hstack([packet.acc, packet.gyr]) for packet in packets])
        true_s[placement] = dict(zip(map(bytes, rows), one.true_s, strict=True))
        assert len(true_s[placement]) == len(one.true_s)
    return (folder / "a.log").read_bytes(), true_s


def values(stream: SensorStream) -> list[bytes]:
    """Every sample as the counts that its node sent."""
    assert stream.acc_range_m_s2
    assert stream.gyr_range_rad_s
    counts = [stream.acc_m_s2 / stream.acc_range_m_s2, stream.gyr_rad_s / stream.gyr_range_rad_s]
    return [bytes(row) for row in np.rint(np.hstack(counts) * 32768).astype(np.int16)]


def damaged(data: bytes, rng: random.Random) -> bytes:
    """One to six injuries: bits flipped, bytes cut out, zeroed or put in, blocks swapped or doubled, the end lost."""
    hurt = bytearray(data)
    for _ in range(rng.randint(1, 6)):
        size, at, other = len(hurt), rng.randrange(len(hurt)), rng.randrange(len(hurt))
        some = round(10 ** rng.uniform(0, 5))
        how = rng.choice(["flip", "cut", "zero", "noise", "swap", "double", "end"])
        if how == "flip":
            for _ in range(rng.choice([1, 300])):
                hurt[rng.randrange(size)] ^= 1 << rng.randrange(8)
        elif how == "cut":
            del hurt[at : at + some]
        elif how == "zero":
            hurt[at : at + some] = bytes(len(hurt[at : at + some]))
        elif how == "noise":
            hurt[at:at] = rng.randbytes(some // 10)
        elif how == "double":
            hurt[other:other] = hurt[at : at + some]
        elif how == "swap":
            at, other = min(at, other), max(at, other)
            some = min(some, other - at, size - other)
            hurt[at : at + some], hurt[other : other + some] = hurt[other : other + some], hurt[at : at + some]
        elif rng.random() < 0.3:
            del hurt[rng.randrange(size // 5, size) :]
    return bytes(hurt)


def damage_outcome(logs: int, each: int, seed: int) -> Counter[str]:
    """Recover damaged logs. Counts of samples given, of those left out for their time, of logs, of those refused, and
    of those with a sample whose time is off by more than 3 ms; worst_us: the largest error in microseconds."""
    found: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as scratch:
        for number in range(seed, seed + logs):
            data, true_s = rough_log(Path(scratch), number)
            for turn in range(each):
                got = recovered(damaged(data, random.Random(1000 * number + turn)))
                found["logs"] += 1
                found["refused"] += got is None
                if got is not None:
                    errors_s = damage_errors_s(got, true_s)
                    found["untimed"] += sum(node.untimed for node in got.nodes)
                    worst_s = float(np.abs(errors_s).max())
                    found["samples"] += len(errors_s)
                    found["moved"] += worst_s > WITHIN_S
                    found["worst_us"] = max(found["worst_us"], round(1e6 * worst_s))
    return found


def recovered(data: bytes) -> Assembled | None:
    """What is in a damaged log; None if it is refused."""
    try:
        return assemble(scan(data), "damaged")
    except LogError:
        return None


def damage_errors_s(found: Assembled, true_s: dict[str, dict[bytes, float]]) -> FloatArray:
    """Recovered minus true time of every sample of a damaged log."""
    errors_s = np.concatenate(
        [
            stream.time_s - np.array([true_s[placement][row] for row in values(stream)])
            for placement, stream in found.recording.streams.items()
        ]
    )
    # Where the log's beginning is lost nobody knows its zero, which is said; the samples are in place to each other.
    zero_lost = any("the time counts from the first sample" in remark for remark in found.remarks)
    return errors_s - (np.median(errors_s) if zero_lost else 0.0)


def test_damage_moves_no_sample():
    """150 damaged logs; print_ble_numbers.py takes 300 others."""
    found = damage_outcome(5, 30, seed=9000)
    assert found["logs"] == 150
    assert found["refused"] == 0
    assert found["samples"] > 2_000_000
    assert found["moved"] == 0


def late_without_a_trace(tmp_path: Path, damage: Callable[[list[Record]], list[Record]]) -> Assembled:
    """A node that starts anew without counting its boot, at the same figures of clock and sequence as before; of its
    records in the log those that `damage` leaves."""
    motion = tmp_path / "motion.npz"
    acc, gyr = default_motion(200.0, 60.0)
    np.savez(motion, acc=acc, gyr=gyr)
    script = NodeScript("C0:00:00:00:00:01", "right_wrist", resets=(30.0,), keeps_boot=True, data=str(motion), seed=4)
    write_log(tmp_path / "b.log", [script], 55.0)
    records = list(scan((tmp_path / "b.log").read_bytes()).records)
    data = b"".join(encode_record(one.kind, one.index, one.payload) for one in damage(records))
    return assemble(scan(data), "b")


def test_what_may_be_of_another_life_is_left_out(tmp_path):
    """The log lost the restart and all before it, down to 10 s, and all states after it: the packets of 50 s go on by
    clock and sequence where the log breaks off, as if they came 30 s late."""

    def damage(records: list[Record]) -> list[Record]:
        zero_ns = unpack(Session, records[0].payload).host_ns
        kept = []
        for one in records:
            at_ns = unpack_data(one.payload)[1] if one.kind == DATA else None
            at_s = None if at_ns is None else (at_ns - zero_ns) / 1e9
            early = one.index < 200 or (at_s is not None and at_s < 10.0)
            if early or (at_s is not None and at_s > 50.0):
                kept.append(one)
        return kept

    found = late_without_a_trace(tmp_path, damage)
    assert found.recording.streams["right_wrist"].time_s[-1] < 20.0
    assert found.nodes[0].unplaced > 50
    assert "left out, of no known time" in found.nodes[0].line


def test_a_life_of_too_little_is_left_out_and_named(tmp_path):
    """Of one node the log kept a single ping and a second of packets half a minute after it: they are given or left out
    by what their clock is worth, and a log that lost nothing gives all it has."""
    scripts = [NodeScript(f"C0:00:00:00:00:0{n}", placement, seed=5) for n, placement in enumerate(PLACES[:2])]
    write_log(tmp_path / "b.log", scripts, 45.0)
    records, kept, states = scan((tmp_path / "b.log").read_bytes()).records, [], 0
    for one in records:
        of_first = one.kind in (STATE, DATA) and one.payload[0] == 0
        states += of_first and one.kind == STATE
        at_s = (unpack_data(one.payload)[1] - ZERO_NS) / 1e9 if of_first and one.kind == DATA else 0.0
        if not of_first or (one.kind == STATE and states == 1) or 30.0 < at_s < 31.0:
            kept.append(one)
    data = b"".join(encode_record(one.kind, one.index, one.payload) for one in kept)
    found = assemble(scan(data), "b")
    assert list(found.recording.streams) == [PLACES[1]]
    assert any(
        line.startswith(f"{PLACES[0]}: ") and "left out, since their time is known to" in line for line in found.remarks
    )
    whole = b"".join(encode_record(one.kind, n, one.payload) for n, one in enumerate(kept))
    assert list(assemble(scan(whole), "b").recording.streams) == list(PLACES[:2])


def small_log(count: int = 40) -> list[bytes]:
    return [encode_record(3, index, bytes([index]) * 9) for index in range(count)]


def test_records_are_read_in_the_order_they_were_written():
    rows = small_log()
    swapped = scan(b"".join([*rows[:5], *rows[20:30], *rows[10:20], *rows[5:10], *rows[30:]]))
    assert swapped.records == scan(b"".join(rows)).records
    assert (swapped.order_breaks, swapped.repeated_records, swapped.missing_records) == (2, 0, 0)
    assert swapped.damages == ()


def test_a_record_without_content_is_read_at_the_very_end():
    rows = [*small_log(3), encode_record(8, 3, b"")]
    assert [record.payload for record in scan(b"".join(rows)).records][-1] == b""
    assert scan(rows[-1][:-1]).records == ()


def test_doubled_records_are_read_once():
    rows = small_log()
    doubled = scan(b"".join([*rows[:20], *rows[5:20], *rows[25:]]))
    assert [record.index for record in doubled.records] == [*range(20), *range(25, 40)]
    assert (doubled.order_breaks, doubled.repeated_records, doubled.missing_records) == (1, 15, 5)


def test_samples_of_no_node_come_back_in_order(tmp_path):
    """A log of a replay, its blocks swapped and doubled."""
    time_s = np.arange(0, 30, 0.01)
    acc = np.column_stack([time_s, 0 * time_s, 0 * time_s])
    log = LogWriter(tmp_path / "a.log")
    log.append([(SESSION, pack(Session("M.K.", "2026-05-04T09:30:00+02:00", 0, 1e9)))])
    for start in range(0, 3000, 50):
        part = slice(start, start + 50)
        stream = SensorStream("sternum", time_s[part], acc[part], 0 * acc[part], 100.0)
        log.append([(SAMPLES, payload) for payload in pack_samples(stream)])
    log.close()
    data = (tmp_path / "a.log").read_bytes()
    third = len(data) // 3
    mixed = data[:third] + data[2 * third :] + data[third:]
    recording, _ = assemble_samples(scan(mixed), "a")
    found = recording.streams["sternum"]
    assert (np.diff(found.time_s) > 0).all()
    assert found.acc_m_s2[:, 0] == pytest.approx(found.time_s)
    assert len(found.time_s) >= 2900


def test_what_was_out_of_order_is_said(tmp_path):
    data, _ = rough_log(tmp_path, 1)
    third = len(data) // 3
    found = assemble(scan(data[:third] + data[2 * third :] + data[third : 2 * third] + data[:third]), "a")
    assert "records of the log stood out of order and were put in order" in found.remarks
    assert any(remark.endswith("records of the log stood there twice and were taken once") for remark in found.remarks)


@pytest.mark.parametrize("order", ["swapped", "doubled"])
def test_swapped_or_doubled_blocks_lose_nothing(tmp_path, order):
    """But for the records that a cut goes through."""
    data, true_s = rough_log(tmp_path, 2)
    third = len(data) // 3
    blocks = [data[:third], data[third : 2 * third], data[2 * third :]]
    mixed = [blocks[1], blocks[0], blocks[2]] if order == "swapped" else [blocks[0], blocks[1], *blocks]
    errors_s = damage_errors_s(assemble(scan(b"".join(mixed)), "a"), true_s)
    assert np.abs(errors_s).max() < WITHIN_S
    assert len(errors_s) > sum(map(len, true_s.values())) - 100


@pytest.mark.parametrize("magnetic", [False, True])
def test_all_that_a_sensor_said_comes_back(magnetic):
    rng = np.random.default_rng(4)
    time_s = np.arange(700) / 100
    acc, gyr, mag = rng.normal(size=(3, 700, 3))
    stream = SensorStream("sternum", time_s, acc, gyr, 100.0, mag if magnetic else None, acc_range_m_s2=78.5)
    payloads = [(SESSION, pack(Session("M.K.", "2026-05-04T09:30:00+02:00", 0, 1e9)))]
    payloads += [(SAMPLES, payload) for payload in pack_samples(stream)]
    data = b"".join(encode_record(kind, n, payload) for n, (kind, payload) in enumerate(payloads))
    found = assemble_samples(scan(data), "a")[0].streams["sternum"]
    for name in ("time_s", "acc_m_s2", "gyr_rad_s", *(["mag"] if magnetic else [])):
        np.testing.assert_array_equal(getattr(found, name), getattr(stream, name))
    assert (found.mag is None) == (not magnetic)
    assert (found.declared_rate_hz, found.acc_range_m_s2, found.gyr_range_rad_s) == (100.0, 78.5, None)
