"""From log to recording: one clock for all nodes, every loss counted, whatever happened to the log."""

from __future__ import annotations

import json
import random

import numpy as np
import pytest
from fake_bluez.node import NodeScript
from fake_bluez.offline import ZERO_NS, clock_errors_s, write_log

from imu_shoulder.ble.assemble import assemble
from imu_shoulder.ble.recover import recover
from imu_shoulder.errors import OutputError
from imu_shoulder.log.entries import EventEntry
from imu_shoulder.log.records import DATA, STATE, LogError, read_log, scan
from imu_shoulder.sources.folder import read_recording

FIVE = ("right_wrist", "right_upper_arm", "left_wrist", "left_upper_arm", "sternum")


def address(number: int) -> str:
    return f"C0:00:00:00:00:{number:02X}"


def rough_scripts(seed: int, seconds: float = 60.0) -> list[NodeScript]:
    """1 % loss, an outage of 5 s, a restart, drifts of +-40 ppm, lumps of 30 to 50 ms over a third of the time."""
    lumps = ((seconds / 6, seconds / 3), (seconds / 2, seconds * 2 / 3))
    scripts = []
    for number, placement in enumerate(FIVE):
        scripts.append(
            NodeScript(
                address(number),
                placement,
                loss=0.01,
                drift_ppm=(40.0, -40.0, 25.0, -10.0, 0.0)[number],
                bursts=lumps,
                outages=((seconds * 0.4, seconds * 0.4 + 5.0),) if number == 1 else (),
                reboots=(seconds * 0.7,) if number == 2 else (),
                ticks_at_zero=2**24 - 32768 * 20,
                seed=seed,
            )
        )
    return scripts


def alignment_ms(tmp_path, seed: int, **changes) -> dict[str, float]:
    """95th percentile and worst of |recorded - true time| over all samples of a rough recording."""
    scripts = [NodeScript(**{**script.__dict__, **changes}) for script in rough_scripts(seed)]
    log = tmp_path / f"{seed} {sorted(changes.items())}.log"
    truth = write_log(log, scripts, 60.0)
    found = assemble(read_log(log), "rough")
    errors = [clock_errors_s(truth[i], found.recording.streams[p].time_s) for i, p in enumerate(FIVE)]
    for number, report in enumerate(sorted(found.nodes, key=lambda r: r.address)):
        assert (report.lost, report.packets) == (truth[number].lost, truth[number].sent)
    every = 1e3 * np.abs(np.concatenate(errors))
    claimed = max(report.clock_error_ms for report in found.nodes)
    return {"p95": float(np.quantile(every, 0.95)), "worst": float(every.max()), "claimed": claimed}


@pytest.mark.parametrize(("payload_bytes", "seed"), [(20, 1), (182, 2), (244, 3), (244, 4)])
def test_rough_recordings_are_aligned(tmp_path, payload_bytes, seed):
    found = alignment_ms(tmp_path, seed, payload_bytes=payload_bytes)
    assert found["p95"] < 3.0
    assert found["worst"] <= found["claimed"] + 1.0


def test_the_account_of_a_rough_recording(tmp_path):
    write_log(tmp_path / "a.log", rough_scripts(4), 60.0)
    found = assemble(read_log(tmp_path / "a.log"), "rough")
    assert found.remarks == ()
    by_place = {report.placement: report for report in found.nodes}
    assert by_place["left_wrist"].boots == 2
    assert [end - start for start, end in by_place["right_upper_arm"].outages] == [pytest.approx(5.0, abs=0.7)]
    assert by_place["right_upper_arm"].lost > 50
    assert "started anew 1 times" in by_place["left_wrist"].line
    assert by_place["right_wrist"].drift_ppm == pytest.approx(40, abs=15)
    gaps = np.diff(found.recording.streams["right_upper_arm"].time_s)
    assert gaps.min() > 0
    assert gaps.max() == pytest.approx(5.0, abs=1.0)


def test_values_come_back_in_si(tmp_path):
    write_log(tmp_path / "a.log", [NodeScript(address(1), "right_wrist", acc_range_g=8, gyr_range_deg_s=500)], 12.0)
    stream = assemble(read_log(tmp_path / "a.log"), "a").recording.streams["right_wrist"]
    assert np.median(np.linalg.norm(stream.acc_m_s2, axis=1)) == pytest.approx(9.81, abs=0.02)
    # The simulated swing is 0.8 rad at 0.2 Hz: its peak rate is 0.8 * 2 pi * 0.2.
    assert np.quantile(np.abs(stream.gyr_rad_s[:, 2]), 0.999) == pytest.approx(0.8 * 2 * np.pi * 0.2, abs=0.02)
    assert stream.acc_range_m_s2 == pytest.approx(8 * 9.80665)
    assert np.rad2deg(stream.gyr_range_rad_s) == pytest.approx(500)
    assert stream.declared_rate_hz == 200


def test_recover_writes_a_readable_folder(tmp_path):
    events = [
        EventEntry(ZERO_NS + 1_000_000_000, "start", trial_type="neutral_pose", duration_s=5.0),
        EventEntry(ZERO_NS + 7_000_000_000, "start", trial_type="set", drill="full_can", side="right"),
        EventEntry(ZERO_NS + 11_000_000_000, "stop"),
    ]
    write_log(tmp_path / "a.log", [NodeScript(address(i), FIVE[i]) for i in (0, 1)], 12.0, events)
    recover(tmp_path / "a.log", tmp_path / "a", keep_log=True)
    back = read_recording(tmp_path / "a")
    assert back.athlete == "M.K."
    assert [(e.onset_s, e.duration_s, e.trial_type) for e in back.events] == [(1, 5, "neutral_pose"), (7, 4, "set")]
    assert set(back.streams) == {"right_wrist", "right_upper_arm"}
    link = json.loads((tmp_path / "a" / "link.json").read_text())
    assert link["nodes"][0]["lost"] == 0
    assert link["remarks"] == []
    with pytest.raises(OutputError):
        recover(tmp_path / "a.log", tmp_path / "a", keep_log=True)
    assert (tmp_path / "a.log").exists()
    recover(tmp_path / "a.log", tmp_path / "b", keep_log=False)
    assert not (tmp_path / "a.log").exists()
    assert (tmp_path / "b" / "recording.log").exists()


def test_a_cut_log_is_recovered_up_to_the_cut(tmp_path):
    truth = write_log(tmp_path / "a.log", [NodeScript(address(0), "right_wrist")], 20.0)
    data = (tmp_path / "a.log").read_bytes()
    rng = random.Random(8)
    for _ in range(8):
        cut = rng.randrange(len(data) // 5, len(data))
        (tmp_path / "cut.log").write_bytes(data[:cut])
        found = assemble(read_log(tmp_path / "cut.log"), "cut")
        whole = sum(record.kind == DATA for record in scan(data[:cut]).records)
        assert found.nodes[0].packets == whole
        assert "the recording was not stopped in order" in found.remarks
        assert len(found.recording.streams["right_wrist"].time_s) <= len(truth[0].true_s)


def test_a_lost_state_after_a_restart_does_not_mix_the_clocks(tmp_path):
    script = NodeScript(address(0), "right_wrist", reboots=(10.0,))
    truth = write_log(tmp_path / "a.log", [script], 20.0)
    data = bytearray((tmp_path / "a.log").read_bytes())
    restarted_ns = ZERO_NS + 10_000_000_000
    state = next(
        r
        for r in scan(bytes(data)).records
        if r.kind == STATE and int.from_bytes(r.payload[1:9], "little") > restarted_ns
    )
    data[data.index(state.payload) + 20] ^= 4
    (tmp_path / "a.log").write_bytes(data)
    found = assemble(read_log(tmp_path / "a.log"), "a")
    errors_s = clock_errors_s(truth[0], found.recording.streams["right_wrist"].time_s)
    assert np.abs(errors_s).max() < 0.01
    assert any("1 records of the log are missing" in remark for remark in found.remarks)


def test_a_node_replaced_while_recording_gives_one_stream(tmp_path):
    scripts = [
        NodeScript(address(0), "right_wrist", outages=((10.0, 30.0),)),
        NodeScript(address(1), "right_wrist", outages=((0.0, 12.0),)),
    ]
    truth = write_log(tmp_path / "a.log", scripts, 20.0)
    found = assemble(read_log(tmp_path / "a.log"), "a")
    assert [report.address for report in found.nodes] == [address(0), address(1)]
    stream = found.recording.streams["right_wrist"]
    true_s = np.array(truth[0].true_s + truth[1].true_s)
    assert stream.time_s == pytest.approx(true_s, abs=0.01)


def test_two_shakes_correct_once(tmp_path):
    shaken_npz(tmp_path / "a.npz")
    with np.load(tmp_path / "a.npz") as data:
        late = {key: np.roll(data[key], 3, axis=0) for key in ("acc", "gyr")}
    np.savez(tmp_path / "b.npz", **late)
    scripts = [NodeScript(address(i), FIVE[i], data=str(tmp_path / f"{name}.npz")) for i, name in enumerate("ab")]
    twice = [EventEntry(ZERO_NS + at_ns, "shake", duration_s=5.0) for at_ns in (5_000_000_000, 5_500_000_000)]
    truth = write_log(tmp_path / "a.log", scripts, 20.0, twice)
    found = assemble(read_log(tmp_path / "a.log"), "a")
    errors_s = [np.median(clock_errors_s(truth[i], found.recording.streams[FIVE[i]].time_s)) for i in (0, 1)]
    assert errors_s[1] - errors_s[0] == pytest.approx(-0.015, abs=0.001)
    assert abs(found.nodes[1].shake_lag_ms) < 0.5


def test_a_damaged_beginning_is_survived(tmp_path):
    """What all else depends on is written twice; here the second copy has to do."""
    write_log(tmp_path / "a.log", [NodeScript(address(0), "right_wrist")], 12.0)
    data = (tmp_path / "a.log").read_bytes()
    at = data.index(b'"athlete"')
    found = assemble(scan(data[:at] + b"!" + data[at + 1 :]), "a")
    assert found.recording.athlete == "M.K."


def test_a_log_without_samples_is_refused(tmp_path):
    write_log(tmp_path / "a.log", [], 1.0)
    with pytest.raises(LogError, match="it holds none"):
        assemble(read_log(tmp_path / "a.log"), "a")


def shaken_npz(path, rate_hz=200, seconds=20.0):
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    rng = np.random.default_rng(3)
    envelope = np.exp(-(((time_s - 8.0) / 1.5) ** 2))
    wobble = sum(np.sin(2 * np.pi * f * time_s + rng.uniform(0, 6)) for f in (2.1, 3.3, 4.7))
    gyr = np.column_stack([6 * envelope * wobble, 2 * envelope * np.roll(wobble, 9), 0 * time_s])
    acc = np.tile([0.0, 9.81, 0.0], (len(time_s), 1))
    np.savez(path, acc=acc, gyr=gyr)


def test_shaking_together_shows_and_corrects_a_lag(tmp_path):
    """One node's stamps are 12 ms late (a filter in its sensor, say): the shake finds that, and nothing else does."""
    shaken_npz(tmp_path / "a.npz")
    with np.load(tmp_path / "a.npz") as data:
        late = {
            key: np.column_stack([np.interp(np.arange(4000) - 2.4, np.arange(4000), c) for c in data[key].T])
            for key in ("acc", "gyr")
        }
    np.savez(tmp_path / "b.npz", **late)
    scripts = [
        NodeScript(address(0), "right_wrist", data=str(tmp_path / "a.npz")),
        NodeScript(address(1), "right_upper_arm", data=str(tmp_path / "b.npz")),
    ]
    truth = write_log(tmp_path / "b.log", scripts, 20.0)
    without = assemble(read_log(tmp_path / "b.log"), "b")
    errors_ms = [1e3 * np.median(clock_errors_s(truth[i], without.recording.streams[FIVE[i]].time_s)) for i in (0, 1)]
    shake = [EventEntry(ZERO_NS + 5_000_000_000, "shake", duration_s=6.0)]
    write_log(tmp_path / "a.log", scripts, 20.0, shake)
    with_shake = assemble(read_log(tmp_path / "a.log"), "a")
    report = with_shake.nodes[1]
    # The shake sees the filter's lag and what the clock fit left.
    assert report.shake_lag_ms == pytest.approx(12.0 + errors_ms[1] - errors_ms[0], abs=0.5)
    moved = without.recording.streams[FIVE[1]].time_s - with_shake.recording.streams[FIVE[1]].time_s
    assert moved == pytest.approx(report.shake_lag_ms / 1e3)


def test_a_weak_or_separate_shake_is_said(tmp_path):
    shaken_npz(tmp_path / "a.npz")
    scripts = [
        NodeScript(address(0), "right_wrist", data=str(tmp_path / "a.npz")),
        NodeScript(address(1), "right_upper_arm"),
    ]
    write_log(tmp_path / "a.log", scripts, 20.0, [EventEntry(ZERO_NS + 5_000_000_000, "shake", duration_s=6.0)])
    found = assemble(read_log(tmp_path / "a.log"), "a")
    assert any("too weak" in remark for remark in found.remarks)
    assert found.nodes[1].shake_lag_ms is None


def test_a_refused_drift_is_named_with_what_was_done_instead(tmp_path):
    truth = write_log(tmp_path / "a.log", [NodeScript(address(0), "right_wrist", drift_ppm=900.0)], 60.0)
    found = assemble(read_log(tmp_path / "a.log"), "a")
    (report,) = found.nodes
    assert report.refused_drift_ppm == pytest.approx(900, abs=20)
    assert report.drift_ppm == 0.0
    assert f"its clock seemed {report.refused_drift_ppm:+.0f} ppm off" in report.line
    assert "which is not believed beyond 500: taken at its nominal pace" in report.line
    assert report.packets == truth[0].sent
    worst_ms = 1e3 * np.abs(clock_errors_s(truth[0], found.recording.streams["right_wrist"].time_s)).max()
    assert worst_ms == pytest.approx(0.5 * 900e-6 * 60e3, abs=5)  # half of what it drifts in a minute
    assert worst_ms <= report.clock_error_ms < 2 * worst_ms
