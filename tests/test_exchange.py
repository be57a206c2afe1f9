"""Motion-BIDS out and in, held by the official validator; tables with their data dictionary."""

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from imu_shoulder.cli import cli
from imu_shoulder.errors import OutputError, RecordingError
from imu_shoulder.exchange.bids_read import read_bids
from imu_shoulder.exchange.bids_write import Exported, write_bids
from imu_shoulder.exchange.dictionary import data_dictionary
from imu_shoulder.identity import share
from imu_shoulder.pipeline import analyse
from imu_shoulder.report.tables import angles_table, reps_table
from imu_shoulder.simulate import Damage, simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.sources.events import events_tsv
from imu_shoulder.sources.folder import read_recording, write_recording
from imu_shoulder.sources.tables import file_sha256

VALIDATOR = shutil.which("bids-validator-deno", path=str(Path(sys.executable).parent)) or shutil.which(
    "bids-validator-deno"
)


@pytest.fixture(scope="module")
def recording():
    """With jitter, losses and a magnetometer, so that the round trip has something to lose."""
    scenario = replace(drill_scenario("full_can", reps=3), damage={"right_wrist": Damage(drop_share=0.02, bursts=2)})
    found = simulate(scenario, 3).recording
    wrist = found.streams["right_wrist"]
    mag = np.random.default_rng(1).normal(0, 30, wrist.acc_m_s2.shape)
    events = (*found.events[:-1], replace(found.events[-1], pain=1.0, load_kg=1.5, note="first set"))
    return replace(
        found, name="spring_warm_up", streams={**found.streams, "right_wrist": replace(wrist, mag=mag)}, events=events
    )


@pytest.fixture(scope="module")
def analysis(recording):
    return analyse(recording)


@pytest.fixture(scope="module")
def dataset(recording, analysis, tmp_path_factory):
    root = tmp_path_factory.mktemp("bids") / "set"
    second = replace(recording, athlete="T.S.", name="other day", start="2025-03-05T10:00:00")
    first, other = share([recording, second], {}, notes=True)
    write_bids([Exported(first, angles_table(analysis)), Exported(other)], root)
    return root


def validate(root):
    assert VALIDATOR is not None, "bids-validator-deno is in the test extra"
    found = subprocess.run(
        [VALIDATOR, str(root), "--format", "json", "--max-rows", "-1"],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    issues = json.loads(found.stdout)["issues"]["issues"]
    return found.returncode, [issue for issue in issues if issue["severity"] == "error"]


class TestOfficialValidator:
    def test_passes_without_error(self, dataset):
        assert validate(dataset) == (0, [])

    def test_it_would_notice(self, dataset, tmp_path):
        """The validator, run as above, finds a broken data set."""
        broken = tmp_path / "broken"
        shutil.copytree(dataset, broken)
        sidecar = next(broken.glob("sub-*/ses-*/motion/*_motion.json"))
        head = json.loads(sidecar.read_text())
        del head["SamplingFrequency"]
        sidecar.write_text(json.dumps(head))
        code, errors = validate(broken)
        assert code != 0
        assert any("SamplingFrequency" in str(error) for error in errors)


class TestFiles:
    def test_motion_files_as_the_specification_says(self, dataset):
        """BIDS 1.10, motion.md: no header, as many columns as channels, counts by type."""
        stems = [path.name.removesuffix("_motion.tsv") for path in dataset.glob("sub-*/ses-*/motion/*_motion.tsv")]
        assert len(stems) == 6 + 5
        for path in dataset.glob("sub-*/ses-*/motion/*_motion.tsv"):
            stem = path.name.removesuffix("_motion.tsv")
            channels = pd.read_csv(path.with_name(f"{stem}_channels.tsv"), sep="\t", keep_default_na=False)
            head = json.loads(path.with_name(f"{stem}_motion.json").read_text())
            first = path.open().readline().rstrip("\n").split("\t")
            assert len(first) == len(channels) == head["MotionChannelCount"]
            float(first[0])
            for kind, count in channels["type"].value_counts().items():
                assert head[f"{kind}ChannelCount"] == count
            assert {"name", "component", "type", "tracked_point", "units"} <= set(channels.columns)

    def test_joint_angles_are_there_with_gaps_as_na(self, dataset, analysis):
        path = next(dataset.glob("sub-*/ses-*/motion/*tracksys-jointangles_motion.tsv"))
        channels = pd.read_csv(str(path).replace("_motion.tsv", "_channels.tsv"), sep="\t", keep_default_na=False)
        values = pd.read_csv(path, sep="\t", header=None, na_values=["n/a"])
        values.columns = channels["name"]
        ours = angles_table(analysis)
        assert set(channels.loc[channels["type"] == "JNTANG", "units"]) == {"deg"}
        for name in ("right_elevation_deg", "right_plane_deg"):
            np.testing.assert_allclose(values[name], ours[name].astype(float), rtol=1e-6)
        assert values["right_plane_deg"].isna().any()

    def test_participants(self, dataset):
        table = pd.read_csv(dataset / "participants.tsv", sep="\t", keep_default_na=False)
        assert table.set_index("participant_id")["athlete"].to_dict() == {"sub-MK": "M.K.", "sub-TS": "T.S."}

    def test_same_moment_in_scans(self, dataset):
        (path,) = dataset.glob("sub-MK/ses-*/*_scans.tsv")
        # 09:30 at +01:00 is 08:30 UTC.
        assert set(pd.read_csv(path, sep="\t")["acq_time"]) == {"2025-03-04T08:30:00.000000Z"}


class TestRoundTrip:
    def test_raw_channels_events_and_head(self, dataset, recording):
        back = {found.athlete: found for found in read_bids(dataset)}
        assert set(back) == {"M.K.", "T.S."}
        found = back["M.K."]
        assert (found.name, found.start) == ("sub-MK_ses-01_task-shoulderwarmup", recording.start)
        assert events_tsv(found.events) == events_tsv(recording.events)
        assert set(found.streams) == set(recording.streams)
        for placement, stream in recording.streams.items():
            other = found.streams[placement]
            np.testing.assert_allclose(other.time_s, stream.time_s, atol=5.1e-7)
            np.testing.assert_allclose(other.acc_m_s2, stream.acc_m_s2, rtol=5e-9, atol=1e-12)
            np.testing.assert_allclose(other.gyr_rad_s, stream.gyr_rad_s, rtol=5e-9, atol=1e-12)
            assert (other.mag is None) == (stream.mag is None)
            assert other.declared_rate_hz == stream.declared_rate_hz
            assert other.acc_range_m_s2 == pytest.approx(stream.acc_range_m_s2)
        assert found.streams["right_wrist"].mag == pytest.approx(recording.streams["right_wrist"].mag, rel=5e-9)

    def test_same_reps_after_export_and_import(self, recording, tmp_path):
        write_recording(recording, tmp_path / "spring_warm_up")
        run = CliRunner()
        sent = run.invoke(
            cli, ["export", str(tmp_path / "spring_warm_up"), "--out", str(tmp_path / "set"), "--no-angles"]
        )
        assert sent.exit_code == 0, sent.output
        came = run.invoke(cli, ["import", str(tmp_path / "set"), "--out", str(tmp_path / "back")])
        assert came.exit_code == 0, came.output
        folders = [tmp_path / "spring_warm_up", *(tmp_path / "back").iterdir()]
        tables = [reps_table(analyse(read_recording(folder))) for folder in folders]
        pd.testing.assert_frame_equal(*tables)

    def test_analyse_gives_equal_bytes(self, recording):
        texts = [reps_table(analyse(recording)).to_csv(index=False) for _ in range(2)]
        assert texts[0] == texts[1]

    def test_foreign_points_and_units(self, dataset, recording, tmp_path):
        """Another lab's names and units, without a LATENCY channel."""
        root = tmp_path / "foreign"
        motion = root / "sub-01" / "motion"
        motion.mkdir(parents=True)
        (root / "dataset_description.json").write_text('{"Name": "x", "BIDSVersion": "1.10.0"}')
        stream = recording.streams["left_wrist"]
        stem = "sub-01_task-lift_tracksys-imu"
        rows = [f"a{x}\t{x}\tACCEL\tLeftHand\tg" for x in "xyz"] + [f"g{x}\t{x}\tGYRO\tLeftHand\tdeg/s" for x in "xyz"]
        (motion / f"{stem}_channels.tsv").write_text(
            "name\tcomponent\ttype\ttracked_point\tunits\n" + "\n".join(rows) + "\n"
        )
        (motion / f"{stem}_motion.json").write_text('{"SamplingFrequency": 100, "TaskName": "lift"}')
        np.savetxt(
            motion / f"{stem}_motion.tsv",
            np.hstack([stream.acc_m_s2 / 9.80665, np.degrees(stream.gyr_rad_s)]),
            delimiter="\t",
        )
        with pytest.raises(RecordingError, match="are at LeftHand"):
            read_bids(root)
        (found,) = read_bids(root, {"LeftHand": "left_wrist"})
        np.testing.assert_allclose(found.streams["left_wrist"].gyr_rad_s, stream.gyr_rad_s, atol=1e-12)
        np.testing.assert_allclose(found.streams["left_wrist"].acc_m_s2, stream.acc_m_s2, atol=1e-9)
        assert found.streams["left_wrist"].time_s[100] == 1.0
        assert found.athlete == "01"


class TestBadInput:
    def test_not_a_data_set(self, tmp_path):
        with pytest.raises(RecordingError, match=r"no dataset_description"):
            read_bids(tmp_path)

    def test_folder_with_files(self, recording, tmp_path):
        (tmp_path / "file").write_text("x")
        with pytest.raises(OutputError, match="files in it"):
            write_bids([Exported(one) for one in share([recording], {})], tmp_path)

    def test_a_column_too_few(self, dataset, tmp_path):
        broken = tmp_path / "broken"
        shutil.copytree(dataset, broken)
        path = next(broken.glob("sub-MK/ses-*/motion/*rightUpperArm_channels.tsv"))
        path.write_text("\n".join(path.read_text().splitlines()[:-1]) + "\n")
        with pytest.raises(RecordingError, match=r"as channels\.tsv says"):
            read_bids(broken)


class TestTables:
    def test_every_column_has_unit_and_meaning(self, analysis):
        table = data_dictionary(reps_table(analysis).columns, angles_table(analysis).columns)
        assert table["column"].is_unique or not table.duplicated(["table", "column"]).any()
        assert (table["meaning"] != "").all(), table.loc[table["meaning"] == "", "column"].tolist()
        units = table.set_index(["table", "column"])["unit"]
        assert units["reps", "peak_velocity_deg_s"] == "deg/s"
        assert units["reps", "time_in_band_pct"] == "%"
        assert units["angles", "right_elevation_deg_sd"] == "deg"

    def test_a_range_test_is_no_set_of_a_drill(self, recording, tmp_path):
        """Before, a session with one could not be exported, nor compared with a reference."""
        first, *others = [event for event in recording.events if event.trial_type == "set"]
        rest = [event for event in recording.events if event.trial_type != "set"]
        events = (*rest, replace(first, drill="flexion"), *others)
        write_recording(replace(recording, events=events), tmp_path / "rec")
        result = CliRunner().invoke(
            cli, ["export", str(tmp_path / "rec"), "--out", str(tmp_path / "t"), "--format", "tables"]
        )
        assert result.exit_code == 0, result.output
        reps = tmp_path / "t" / "sub-MK_ses-01" / "reps.csv"
        told = set(pd.read_csv(reps)["set"]) if reps.exists() else set()
        assert told == set(range(2, 2 + len(others)))

    def test_command(self, recording, tmp_path):
        write_recording(recording, tmp_path / "rec")
        result = CliRunner().invoke(
            cli, ["export", str(tmp_path / "rec"), "--out", str(tmp_path / "t"), "--format", "tables"]
        )
        assert result.exit_code == 0, result.output
        folder = tmp_path / "t" / "sub-MK_ses-01"
        csv, parquet = pd.read_csv(folder / "angles.csv"), pd.read_parquet(folder / "angles.parquet")
        np.testing.assert_allclose(csv["right_elevation_deg"], parquet["right_elevation_deg"], rtol=1e-5)
        dictionary = pd.read_csv(tmp_path / "t/dictionary.csv")
        assert set(dictionary.loc[dictionary["table"] == "angles", "column"]) == set(csv.columns)
        came_from = json.loads((tmp_path / "t/origin.json").read_text())
        measured = {file_sha256(path) for path in (tmp_path / "rec").glob("*.csv")}
        assert set(came_from["inputs_sha256"]["sub-MK_ses-01"].values()) == measured
        assert came_from["parameters"]["orient"]["method"] == "vqf"
