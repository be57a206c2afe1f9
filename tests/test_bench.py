"""The sensor bench against NIST SP 1065, IEEE 952's floor, and simulated sensors whose figures are known."""

import re

import allantools
import numpy as np
import pytest
from click.testing import CliRunner
from scipy.spatial.transform import Rotation

from imu_shoulder.bench.allan import FLICKER_FLOOR, allan_curve, read_curve
from imu_shoulder.bench.correction import Correction, correct, read_corrections, write_corrections
from imu_shoulder.bench.six_face import check_six_faces
from imu_shoulder.bench.still import check_still
from imu_shoulder.bench.turns import check_turns
from imu_shoulder.cli import cli
from imu_shoulder.errors import RecordingError
from imu_shoulder.model import Recording, SensorStream, Track
from imu_shoulder.report.words import HOW_CHECKED
from imu_shoulder.simulate.sensor import SensorModel, sense
from imu_shoulder.sources.folder import write_recording
from imu_shoulder.units import STANDARD_GRAVITY_M_S2

# NIST SP 1065 (Riley 2008), tables of p. 107-108.
NBS = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677.0])


def thousand_points():
    """The generator of NIST SP 1065: n <- 16807 n mod 2147483647 from 1234567890, over the modulus."""
    state, out = 1234567890, []
    for _ in range(1000):
        out.append(state / 2147483647)
        state = 16807 * state % 2147483647
    return np.array(out)


class TestNistValues:
    """Holds the library this project relies on, in the calls this project makes."""

    @pytest.mark.parametrize(
        ("function", "expected"),
        [("adev", (91.22945, 115.8082)), ("oadev", (91.22945, 85.95287)), ("mdev", (91.22945, 74.78849))],
    )
    def test_ten_phases(self, function, expected):
        found = getattr(allantools, function)(NBS, rate=1.0, data_type="freq", taus=[1, 2])[1]
        assert found == pytest.approx(expected, rel=1e-6)

    @pytest.mark.parametrize(
        ("function", "expected"),
        [
            ("adev", (0.2922319, 0.09965736, 0.03897804)),
            ("oadev", (0.2922319, 0.09159953, 0.03241343)),
            ("mdev", (0.2922319, 0.06172376, 0.02170921)),
        ],
    )
    def test_thousand_points(self, function, expected):
        found = getattr(allantools, function)(thousand_points(), rate=1.0, data_type="freq", taus=[1, 10, 100])[1]
        assert found == pytest.approx(expected, rel=1e-6)

    def test_our_curve_on_the_thousand_points(self):
        curve = allan_curve(thousand_points(), 1.0)
        at = {round(tau): dev for tau, dev in zip(curve.tau_s, curve.deviation, strict=True)}
        assert at[1] == pytest.approx(0.2922319, abs=1e-6)
        assert at[10] == pytest.approx(0.09159953, abs=1e-6)

    def test_our_curve_against_the_definition(self):
        """Overlapping Allan variance written out: mean square of second differences of the integral."""
        rate_hz, values = 20.0, np.random.default_rng(1).normal(size=4000)
        phase = np.concatenate([[0.0], np.cumsum(values)]) / rate_hz
        curve = allan_curve(values, rate_hz)
        for tau, deviation in zip(curve.tau_s[::9], curve.deviation[::9], strict=True):
            m = round(tau * rate_hz)
            second = phase[2 * m :] - 2 * phase[m:-m] + phase[: -2 * m]
            assert deviation == pytest.approx(np.sqrt(np.mean(second**2) / 2) / tau, rel=1e-9)


class TestReadingRules:
    def test_white_noise_interval_covers(self):
        """The 95 % CI of the curve holds sigma/sqrt(m), the exact Allan deviation of white noise."""
        inside = []
        for seed in range(60):
            curve = allan_curve(np.random.default_rng(seed).normal(size=6000), 50.0)
            exact = 1 / np.sqrt(curve.tau_s * 50.0)
            inside.append(((curve.low <= exact) & (exact <= curve.high))[::6])
        assert np.mean(inside) == pytest.approx(0.95, abs=0.03)

    def test_one_sided_density_is_not_the_deviation_at_one_second(self):
        density, rate_hz = 0.007, 100.0
        values = density * np.sqrt(rate_hz / 2) * np.random.default_rng(2).normal(size=360_000)
        found = read_curve(allan_curve(values, rate_hz))
        assert found.density_u_rt_hz == pytest.approx(density, rel=0.02)
        assert found.random_walk_u_rt_s == pytest.approx(density / np.sqrt(2), rel=0.02)
        assert found.at_most
        assert found.rate_walk_u_rt_s is None

    def test_flat_floor_of_flicker_noise(self):
        """Flicker noise of one-sided PSD B^2/(pi f) has a floor of 0.664 B (IEEE Std 952-1997, from memory)."""
        rate_hz, instability, count, rng = 50.0, 0.003, 360_000, np.random.default_rng(3)
        longer = 8 * count
        frequency = np.fft.rfftfreq(longer, 1 / rate_hz)
        noise = (rng.normal(size=len(frequency)) + 1j * rng.normal(size=len(frequency))) / np.sqrt(2)
        power = np.zeros(len(frequency))
        power[1:] = instability**2 / (np.pi * frequency[1:])
        flicker = np.fft.irfft(noise * np.sqrt(power * longer * rate_hz / 2), longer)[:count]
        found = read_curve(allan_curve(flicker + 0.007 * np.sqrt(rate_hz / 2) * rng.normal(size=count), rate_hz))
        assert pytest.approx(0.664, abs=5e-4) == FLICKER_FLOOR
        assert not found.at_most
        assert found.instability_u == pytest.approx(instability, rel=0.10)
        assert found.density_u_rt_hz == pytest.approx(0.007, rel=0.10)

    def test_too_short(self):
        with pytest.raises(RecordingError, match="it has 40 s"):
            allan_curve(np.zeros(2000), 50.0)


def sensed(model, time_s, earth_from_sensor, rate_hz=50.0, seed=1):
    """A track of a sensor in this attitude at these times (no translation), without the model's clock errors."""
    force = earth_from_sensor.inv().apply([0.0, 0.0, STANDARD_GRAVITY_M_S2])
    step = time_s[1] - time_s[0]
    rate = np.zeros((len(time_s), 3))
    rate[1:-1] = (earth_from_sensor[:-2].inv() * earth_from_sensor[2:]).as_rotvec() / (2 * step)
    stream, _ = sense(model, "right_wrist", time_s, force, rate, rate_hz, np.random.default_rng(seed))
    good = np.ones(len(stream.time_s), dtype=bool)
    return Track("right_wrist", stream.acc_m_s2, stream.gyr_rad_s, good, ~good), stream.time_s


NO_CLOCK = {"clock_ppm": 0.0, "stamp_jitter_s": 0.0, "bits": None, "misalignment_deg": 0.0}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_simulated_sensor_is_read_back_within_ten_percent(seed):
    model = SensorModel(
        gyr_noise_deg_s_rt_hz=0.008, gyr_walk_deg_s_rt_s=0.002, acc_noise_ug_rt_hz=110.0, gyr_bias_deg_s=0.5, **NO_CLOCK
    )
    time_s = np.arange(0, 7200, 0.02)
    track, _ = sensed(model, time_s, Rotation.identity(len(time_s)), seed=seed)
    found = check_still(track, 50.0)
    for axis in "xyz":
        assert found.gyr[axis].figures.density_u_rt_hz == pytest.approx(0.008, rel=0.10)
        assert found.gyr[axis].figures.rate_walk_u_rt_s == pytest.approx(0.002, rel=0.10)
        assert found.acc[axis].figures.density_u_rt_hz == pytest.approx(110.0, rel=0.10)


def test_temperature_drift():
    rng = np.random.default_rng(5)
    count, warmth = 60_000, np.linspace(20, 35, 60_000)
    gyr = np.radians(rng.normal(0, 0.05, (count, 3)) + 0.02 * (warmth - 20)[:, None])
    acc = np.tile([0, 0, STANDARD_GRAVITY_M_S2], (count, 1)) + rng.normal(0, 0.01, (count, 3))
    good = np.ones(count, dtype=bool)
    found = check_still(Track("sternum", acc, gyr, good, ~good), 50.0, warmth)
    slope, error = found.gyr["y"].drift_per_deg_c
    assert slope == pytest.approx(0.02, abs=4 * error)
    assert error < 0.001


def test_a_sensor_that_moved_is_refused():
    time_s = np.arange(0, 120, 0.02)
    turn = Rotation.from_rotvec(np.outer(np.clip(time_s - 60, 0, 5) * 0.1, [0, 0, 1]))
    track, _ = sensed(SensorModel(**NO_CLOCK), time_s, turn)
    with pytest.raises(RecordingError, match=r"turned in [56] of 119 s, first at (59|60) s"):
        check_still(track, 50.0)


class TestSixFaces:
    BIAS = np.array([0.25, -0.15, 0.08])
    SCALE = np.array([1.012, 0.991, 1.004])

    def recording(self, askew_deg, faces=6):
        """8 s on each face, laid down up to askew_deg askew, with turns of 2 s between."""
        rng = np.random.default_rng(7)
        downs = np.vstack([np.eye(3), -np.eye(3)])[:faces]
        poses = [
            Rotation.from_rotvec(np.radians(askew_deg) * rng.uniform(-1, 1, 3))
            * Rotation.align_vectors([[0, 0, 1]], [d])[0]
            for d in downs
        ]
        time_s = np.arange(0, 10 * faces, 0.02)
        whole, part = np.divmod(time_s, 10.0)
        held = [poses[int(k)] for k in whole]
        gyr = np.zeros((len(time_s), 3))
        for at in np.flatnonzero((part > 8) & (whole < faces - 1)):
            there = poses[int(whole[at]) + 1]
            back = (held[at].inv() * there).as_rotvec()
            held[at] = held[at] * Rotation.from_rotvec(back * (part[at] - 8) / 2)
            gyr[at] = back / 2
        up = Rotation.concatenate(held).inv().apply([0, 0, STANDARD_GRAVITY_M_S2])
        acc = up * self.SCALE + self.BIAS + rng.normal(0, 0.01, up.shape)
        good = np.ones(len(time_s), dtype=bool)
        return Track("right_wrist", acc, gyr + rng.normal(0, 0.001, gyr.shape), good, ~good), time_s

    @pytest.mark.parametrize("askew_deg", [0.0, 4.0])
    def test_bias_and_scale_come_back(self, askew_deg):
        found = check_six_faces(*self.recording(askew_deg))
        # A face askew by 4 deg is short of gravity by 0.25 %: fitting the length, not the axis, takes no harm from it.
        assert found.acc_bias_m_s2 == pytest.approx(self.BIAS, abs=0.01)
        assert found.acc_scale == pytest.approx(self.SCALE, abs=0.001)
        assert found.residual_m_s2 < 0.1 * found.before_m_s2

    def test_a_missing_face_is_named(self):
        with pytest.raises(RecordingError, match="never rested on -z"):
            check_six_faces(*self.recording(0.0, faces=5))

    def test_correction_file_round_trip_and_use(self, tmp_path):
        track, time_s = self.recording(2.0)
        found = check_six_faces(track, time_s)
        path = tmp_path / "correction.toml"
        wanted = Correction(tuple(found.acc_bias_m_s2), tuple(found.acc_scale), (1.01, 1.0, 0.99))
        write_corrections({"right_wrist": wanted}, path)
        read = read_corrections(path)
        assert read["right_wrist"].acc_bias_m_s2 == pytest.approx(wanted.acc_bias_m_s2, rel=1e-7)
        stream = SensorStream("right_wrist", time_s, track.acc_m_s2, track.gyr_rad_s, 50.0)
        other = SensorStream("sternum", time_s, track.acc_m_s2, track.gyr_rad_s, 50.0)
        streams = {"right_wrist": stream, "sternum": other}
        after = correct(Recording("r", "M.K.", "2026-05-04T09:30:00+02:00", streams, ()), read, path)
        rest = (time_s % 10 > 2) & (time_s % 10 < 7)
        lengths = np.linalg.norm(after.streams["right_wrist"].acc_m_s2[rest], axis=1)
        assert lengths.mean() == pytest.approx(STANDARD_GRAVITY_M_S2, abs=0.005)
        assert after.streams["sternum"] is other
        assert set(after.file_sha256) == {"correction.toml"}

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("schema = 2", "schema in correction.toml to be 1"),
            ("schema = 1\n[[sensor]]\nplacement = 'knee'", "placement"),
            ("schema = 1\n[[sensor]]\nplacement = 'sternum'\nacc_scale = [1, 1]", "three numbers"),
            ("schema = 1\n[[sensor]]\nplacement = 'sternum'\ngyr_scale = [0.01, 1, 1]", "three numbers"),
            ("schema = [", "TOML"),
        ],
    )
    def test_a_bad_correction_file_is_one_sentence(self, tmp_path, text, words):
        path = tmp_path / "correction.toml"
        path.write_text(text)
        with pytest.raises(RecordingError, match=words):
            read_corrections(path)


class TestTurns:
    def recording(self, turn_deg, axis, repeats=4):
        """Back and forth between two stops, 3 s of turning and 3 s of rest."""
        time_s = np.arange(0, 6.0 * (2 * repeats) + 3, 0.02)
        angle = np.zeros(len(time_s))
        for k in range(2 * repeats):
            share = np.clip((time_s - 3 - 6 * k) / 3, 0, 1)
            angle += (1 - 2 * (k % 2)) * np.radians(turn_deg) * (10 * share**3 - 15 * share**4 + 6 * share**5)
        model = SensorModel(gyr_scale=0.02, **NO_CLOCK)
        return *sensed(model, time_s, Rotation.from_rotvec(np.outer(angle, axis)), rate_hz=50.0, seed=9), model

    @pytest.mark.parametrize("turn_deg", [90.0, 360.0])
    def test_scale_comes_back(self, turn_deg):
        track, time_s, _ = self.recording(turn_deg, [1.0, 0.0, 0.0])
        found = check_turns(track, time_s, turn_deg)
        # The same draw without noise and offset tells what the simulated scale was.
        clean = SensorModel(
            gyr_scale=0.02, gyr_bias_deg_s=0, gyr_walk_deg_s_rt_s=0, gyr_noise_deg_s_rt_hz=0, acc_bias_mg=0, **NO_CLOCK
        )
        steps = np.arange(0, 51.0, 0.02)
        unit, _ = sensed(clean, steps, Rotation.from_rotvec(np.outer(steps, [1.0, 0, 0])), seed=9)
        assert set(found.axes) == {"x"}
        assert found.axes["x"].turns == 8
        assert found.axes["x"].scale == pytest.approx(float(np.median(unit.gyr_rad_s[:, 0])), abs=0.001)
        assert found.axes["x"].standard_error < 0.001

    def test_a_slanting_axis_is_refused(self):
        track, time_s, _ = self.recording(90.0, np.array([1.0, 1.0, 0.0]) / np.sqrt(2))
        with pytest.raises(RecordingError, match="8 about slanting axes"):
            check_turns(track, time_s, 90.0)

    def test_another_angle_than_said(self):
        track, time_s, _ = self.recording(90.0, [0.0, 0.0, 1.0])
        with pytest.raises(RecordingError, match="read between"):
            check_turns(track, time_s, 180.0)


class TestCommand:
    def folder(self, tmp_path, name, track, time_s, rate_hz=50.0):
        stream = SensorStream("right_wrist", time_s, track.acc_m_s2, track.gyr_rad_s, rate_hz)
        write_recording(
            Recording(name, "bench", "2026-05-04T09:30:00+02:00", {"right_wrist": stream}, ()), tmp_path / name
        )
        return tmp_path / name

    def test_report_and_correction(self, tmp_path):
        still_s = np.arange(0, 600, 0.02)
        still = self.folder(
            tmp_path, "still", *sensed(SensorModel(**NO_CLOCK), still_s, Rotation.identity(len(still_s)))
        )
        faces = self.folder(tmp_path, "faces", *TestSixFaces().recording(2.0))
        arguments = ["--still", str(still), "--six-face", str(faces), "--out", str(tmp_path / "out")]
        result = CliRunner().invoke(cli, ["sensor-check", *arguments])
        assert result.exit_code == 0, result.output
        assert "Assumed, because no check measured it: gyr_scale, misalignment_deg." in result.output
        assert len(re.findall(r"up to [\d.]+ deg \(RMS\)", result.output)) == 2
        found = read_corrections(tmp_path / "out" / "correction.toml")["right_wrist"]
        assert found.acc_bias_m_s2 == pytest.approx(TestSixFaces.BIAS, abs=0.01)
        assert found.gyr_scale == (1.0, 1.0, 1.0)
        page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
        rows = [re.sub(r"<[^>]+>", " ", row).split() for row in re.findall(r"<tr.*?</tr>", page, re.DOTALL)]
        before, after = (float(row[-1]) for row in rows if "overhead_short_arc" in row)
        # An offset of about 17 mg and a scale 0.9 % off tilt the arm; the analysis takes off a part by itself, the
        # correction more.
        assert after < 0.75 * before
        assert page.count("<img") == 2
        assert "one-sided noise density" in page
        assert HOW_CHECKED in page

    def test_nothing_to_check(self, tmp_path):
        result = CliRunner().invoke(cli, ["sensor-check", "--out", str(tmp_path / "out")])
        assert result.exit_code == 2
        assert "--six-face" in result.output
