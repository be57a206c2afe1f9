"""A restart is a restart, whatever the boot number says; the console counts every loss as the recording does.

Held against what the simulated nodes really did.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from fake_bluez.bus import fake_bluez, needs_dbus
from fake_bluez.node import NodeScript
from fake_bluez.offline import Recorded, write_log
from fake_bluez.session import Terminal, account, nodes
from test_ble_assemble import rough_scripts
from test_ble_kinds import plain_sensor

from imu_shoulder.ble.assemble import Assembled, assemble
from imu_shoulder.ble.kinds import ContractNode
from imu_shoulder.ble.lives import Lives
from imu_shoulder.ble.meter import LiveMeter
from imu_shoulder.ble.streams import Arrival, Ping, node_samples
from imu_shoulder.live.radio import TapMeter
from imu_shoulder.log.entries import unpack_data, unpack_state
from imu_shoulder.log.records import DATA, LINK, STATE, read_log
from imu_shoulder.log.writer import LogWriter

WITHIN_S = 0.003
KIND = ContractNode()


def script(**fields) -> NodeScript:
    return NodeScript("C0:00:00:00:00:00", "right_wrist", drift_ppm=30.0, **fields)


def recovered(folder, one: NodeScript, seconds: float) -> tuple[Recorded, Assembled]:
    (truth,) = write_log(folder / "a.log", [one], seconds)
    return truth, assemble(read_log(folder / "a.log"), "a")


def whole(truth: Recorded, found: Assembled) -> None:
    """Every sample is there at its true time, and all else is counted."""
    (report,) = found.nodes
    time_s = found.recording.streams["right_wrist"].time_s
    true_s = np.sort(truth.true_s)
    assert len(time_s) == len(true_s)
    assert np.abs(time_s - true_s).max() < WITHIN_S
    assert (report.packets, report.lost) == (truth.sent, truth.lost)
    assert (report.repeated, report.unplaced) == (0, 0)


def metered(folder, meter: LiveMeter) -> LiveMeter:
    """What the console has counted at the end of a log of one node."""
    for record in read_log(folder / "a.log").records:
        if record.kind == DATA:
            meter.fresh.append(unpack_data(record.payload)[1:])
        elif record.kind == STATE:
            _, before_ns, after_ns, state = unpack_state(record.payload)
            meter.fresh.append(Ping(before_ns / 1e9, after_ns / 1e9, KIND.decode_state(state)))
        meter.digest(0.0)
    return meter


RESTARTS = {
    "with the connection lost": {"reboots": (6.0,)},
    "within the connection": {"resets": (6.0,)},
    "twice": {"reboots": (6.0,), "resets": (20.0,)},
    "at one sample a packet": {"reboots": (6.0,), "resets": (20.0,), "payload_bytes": 20},
    "while a third is lost": {"reboots": (6.0,), "resets": (20.0,), "loss": 0.35},
    "out of reach": {"outages": ((10.0, 20.0),), "reboots": (14.0,)},
    "after the ticks have wrapped": {"resets": (20.0,), "ticks_at_zero": 32768 * 1000},
}


@pytest.mark.parametrize("keeps_boot", [True, False], ids=["boot number kept", "boot number counted"])
@pytest.mark.parametrize("fields", RESTARTS.values(), ids=RESTARTS)
def test_a_restart_loses_nothing(tmp_path, fields, keeps_boot):
    truth, found = recovered(tmp_path, script(keeps_boot=keeps_boot, **fields), 40.0)
    whole(truth, found)
    (report,) = found.nodes
    starts = len(fields.get("reboots", ())) + len(fields.get("resets", ()))
    assert report.boots == 1 + starts
    assert report.uncounted == starts * keeps_boot
    assert f"started anew {starts} times" in report.line
    assert ("without counting its boot number up" in report.line) == keeps_boot


COUNTED = {
    **{name: script(keeps_boot=True, **fields) for name, fields in RESTARTS.items()},
    "a rough recording": replace(rough_scripts(3)[2], placement="right_wrist"),
    "an outage over a turn of the sequence": script(outages=((5.0, 345.0),), payload_bytes=20),
    "packets that overtook each other": script(payload_bytes=20, loss=0.02),
}


@pytest.mark.parametrize("name", COUNTED)
def test_the_console_counts_what_the_recording_counts(tmp_path, name):
    truth, found = recovered(tmp_path, COUNTED[name], 360.0 if "turn" in name else 40.0)
    if "overtook" in name:
        rewritten(tmp_path, delayed(0.1, 0.0, 0.5))
        found = assemble(read_log(tmp_path / "a.log"), "a")
    meter = metered(tmp_path, LiveMeter(KIND))
    assert (meter.packets, meter.lost) == (truth.sent, truth.lost)
    assert (found.nodes[0].packets, found.nodes[0].lost) == (truth.sent, truth.lost)


def test_live_samples_go_on_after_a_restart_that_nobody_counted(tmp_path):
    """Nearly all of them: live ones of a new life wait for its first ping, and the last for the next look."""
    truth, _ = recovered(tmp_path, script(resets=(20.0,), keeps_boot=True), 40.0)
    meter = TapMeter(KIND)
    times_s = []
    for record in read_log(tmp_path / "a.log").records:
        if record.kind == DATA:
            meter.fresh.append(unpack_data(record.payload)[1:])
        elif record.kind == STATE:
            _, before_ns, after_ns, state = unpack_state(record.payload)
            meter.fresh.append(Ping(before_ns / 1e9, after_ns / 1e9, KIND.decode_state(state)))
            meter.digest(after_ns / 1e9)
            stream = meter.stream("right_wrist", after_ns / 1e9, 5000.0)
            times_s += [] if stream is None else list(stream.time_s)
    true_s = np.array(truth.true_s)
    assert len(times_s) > 0.9 * len(true_s)
    # Live times are known less well at first.
    assert np.abs(np.array(times_s) - true_s[: len(times_s)]).max() < 0.02


def rewritten(folder, change: Callable[[list], list]) -> None:
    """Change the records of a log, as (kind, payload)."""
    records = [(r.kind, r.payload) for r in read_log(folder / "a.log").records]
    (folder / "a.log").unlink()
    log = LogWriter(folder / "a.log")
    log.append(change(records))
    log.close()


def delayed(share: float, least_s: float, most_s: float, block: int = 1) -> Callable[[list], list]:
    """Some packets, or blocks of them, come later than others that were sent after them."""
    rng = random.Random(5)

    def change(records: list) -> list:
        timed, left, late_ns = [], 0, 0
        for kind, payload in records:
            at_ns = timed[-1][0] if timed else 0
            if kind == STATE:
                at_ns = unpack_state(payload)[1]
            elif kind == DATA:
                _, at_ns, data = unpack_data(payload)
                if left == 0 and rng.random() < share:
                    left, late_ns = block, round(1e9 * rng.uniform(least_s, most_s))
                if left:
                    left -= 1
                    at_ns += late_ns
                    payload = payload[:1] + at_ns.to_bytes(8, "little") + data
            timed.append((at_ns, kind, payload))
        return [(kind, payload) for _, kind, payload in sorted(timed, key=lambda one: one[0])]

    return change


@pytest.mark.parametrize("payload_bytes", [20, 244])
@pytest.mark.parametrize("block", [1, 5])
def test_packets_that_overtook_each_other_are_put_in_order(tmp_path, payload_bytes, block):
    truth, _ = recovered(tmp_path, script(payload_bytes=payload_bytes, loss=0.02), 30.0)
    rewritten(tmp_path, delayed(0.1 / block, 0.0, 0.5, block))
    whole(truth, assemble(read_log(tmp_path / "a.log"), "a"))


@pytest.mark.parametrize("ticks_at_zero", [0, 32768 * 700])
def test_what_came_too_late_to_be_placed_is_left_out_and_counted(tmp_path, ticks_at_zero):
    truth, _ = recovered(tmp_path, script(payload_bytes=20, loss=0.02, ticks_at_zero=ticks_at_zero), 30.0)
    rewritten(tmp_path, delayed(0.005, 1.0, 3.0, 4))
    found = assemble(read_log(tmp_path / "a.log"), "a")
    (report,) = found.nodes
    assert report.unplaced > 20
    assert report.packets + report.unplaced == truth.sent
    assert report.lost == truth.lost + report.unplaced
    assert f"{report.unplaced} packets left out, of no known time" in report.line
    assert report.boots == 1
    time_s, true_s = found.recording.streams["right_wrist"].time_s, np.array(truth.true_s)
    nearest = np.abs(time_s[:, None] - true_s).min(axis=1)
    assert nearest.max() < WITHIN_S


def test_a_restart_that_the_log_lost_the_record_of(tmp_path):
    """Neither the end of the connection nor its new beginning nor the state after it is in the log any more."""
    truth, _ = recovered(tmp_path, script(reboots=(10.0,)), 30.0)

    def without(records: list) -> list:
        links = [place for place, (kind, _) in enumerate(records) if kind == LINK]
        state = next(place for place in range(links[-1], len(records)) if records[place][0] == STATE)
        return [one for place, one in enumerate(records) if place not in (*links[1:], state)]

    rewritten(tmp_path, without)
    found = assemble(read_log(tmp_path / "a.log"), "a")
    whole(truth, found)
    assert found.nodes[0].boots == 2


def test_a_node_without_pings_that_starts_anew_within_its_connection():
    """The sensor of docs/recording.md does not say when it starts anew; its clock does."""
    kind = plain_sensor()
    ping = Ping(99.9, 99.91, kind.decode_state(b"\x01\x00"))
    arrivals, true_s = [], []
    for begin_s, count in ((100.0, 3000), (130.5, 2000)):
        for n in range(count):
            at_s = begin_s + n / 100
            values = (n % 65536).to_bytes(2, "little") + round(n * 1e4).to_bytes(4, "little")
            payload = values + (n % 100 + int(begin_s)).to_bytes(2, "little") * 6
            arrivals.append(Arrival(at_s + 0.002, payload, ping))
            true_s.append(at_s)
    found = node_samples(kind, arrivals, [ping])
    assert (found.packets, found.lost, found.repeated, found.unplaced) == (5000, 0, 0, 0)
    assert found.time_s - np.array(true_s) == pytest.approx(0.002, abs=0.001)


def test_one_packet_begins_no_life():
    """A single packet whose ticks fit nothing is left out; the node's life goes on."""
    truth = Recorded(0, script(), 10.0)
    lives = Lives(KIND)
    for n, (_, kind, payload) in enumerate(truth.records):
        if kind == STATE:
            _, before_ns, after_ns, state = unpack_state(payload)
            ping = Ping(before_ns / 1e9, after_ns / 1e9, KIND.decode_state(state))
            lives.ping(ping)
        elif kind == DATA:
            _, at_ns, data = unpack_data(payload)
            packet = KIND.decode_packet(data)
            if n == 50:
                packet = replace(packet, ticks=(packet.ticks + 32768 * 100) % 2**24)
            lives.take(Arrival(at_ns / 1e9, data, ping), packet)
    assert (len(lives.lives), lives.unplaced, lives.lost) == (1, 1, 1)


@needs_dbus
@pytest.mark.xdist_group("bluetooth faults")
def test_a_restart_with_the_same_boot_number_over_the_air(tmp_path):
    """Unmodified bleak and the real command: nothing that came after the restart is lost, and nothing is said lost."""
    out = tmp_path / "session"
    scripts = [replace(node, from_first_start=True, keeps_boot=True) for node in nodes(2)]
    scripts[0] = replace(scripts[0], reboots=(3.0,))
    scripts[1] = replace(scripts[1], resets=(4.0,))

    def enough(records) -> bool:
        arrivals = [unpack_data(r.payload)[:2] for r in records if r.kind == DATA]
        spans = [[at_ns for node, at_ns in arrivals if node == number] for number in (0, 1)]
        return all(span and span[-1] - span[0] > 9e9 for span in spans)

    with fake_bluez(scripts, tmp_path) as bluez:
        terminal = Terminal(bluez, out)
        terminal.until(b"records kept", terminal.until(b"streaming"))
        terminal.written(tmp_path / "session.log", enough)
        shown = terminal.painted()
        terminal.type(b"q\r")
        terminal.until(b"recording written to")
        assert terminal.process.wait() == 0
        terminal.close()
        truth = bluez.truth()
    reports = account(out, truth)
    for report in reports.values():
        assert (report["boots"], report["uncounted"], report["unplaced"]) == (2, 1, 0)
        assert np.abs(report["errors_s"]).max() < 0.02
    # On a machine that stalls a node may be lost for a while; the account has held that against the truth.
    assert shown.count(b"lost  0.00 %") >= sum(report["lost"] == 0 for report in reports.values())
    assert terminal.said.count(b"1 times without counting its boot number up") == 2
