"""A folder with one of everything that the program reads, to be spoiled."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from click.testing import CliRunner, Result

from imu_shoulder.cli import cli
from imu_shoulder.log.entries import Session, pack
from imu_shoulder.log.records import SAMPLES, SESSION
from imu_shoulder.log.samples import pack_samples
from imu_shoulder.log.writer import LogWriter
from imu_shoulder.sources.folder import read_recording

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
DRILL = ROOT / "imu_shoulder" / "drills" / "full_can.toml"
RULES = ROOT / "imu_shoulder" / "advise" / "rules.toml"
TEST = ROOT / "imu_shoulder" / "range" / "tests" / "abduction.toml"
PLAN = 'schema = 1\nathlete = "{}"\n[[drill]]\nid = "full_can"\nside = "right"\n'
PARAMS = "[judge]\nstart_margin_deg = 3\n\n[orient.stillness]\nwindow_s = 1.0\n"
CORRECTION = 'schema = 1\n[[sensor]]\nplacement = "right_wrist"\nacc_scale = [1.01, 1, 1]\n'
REFERENCE = "time_s,angle,side,reading_deg,rater\n20,elevation,right,30,A\n25,elevation,right,90,B\n"


def run(words: str) -> Result:
    return CliRunner().invoke(cli, words.split(), color=True)


def make_workspace(place: Path, small_recording: Path) -> Path:
    """A folder with one of everything that the program reads."""
    place.mkdir()
    shutil.copytree(small_recording, place / "r")
    athlete = read_recording(place / "r").athlete
    assert run(f"analyse {place}/r --out {place}/results").exit_code == 0
    assert run(f"export {place}/r --out {place}/bids --no-angles").exit_code == 0
    shutil.copytree(place / "results", place / "earlier")
    summary = json.loads((place / "earlier" / "summary.json").read_text())
    summary["recording"]["start"] = "2020-01-01T00:00:00+00:00"
    (place / "earlier" / "summary.json").write_text(json.dumps(summary))
    shutil.copy(place / "results" / "calibration.json", place)
    (place / "drill.toml").write_text(DRILL.read_text().replace('id = "full_can"', 'id = "mine"'))
    (place / "plan.toml").write_text(PLAN.format(athlete))
    shutil.copy(RULES, place)
    shutil.copy(TEST, place / "test.toml")
    (place / "params.toml").write_text(PARAMS)
    (place / "correction.toml").write_text(CORRECTION)
    (place / "reference.csv").write_text(REFERENCE)
    (place / "data").mkdir()
    shutil.copy(DOCS / "column_map_sample.toml", place / "map.toml")
    for name, y in (("forearm.csv", 0.0), ("upper.csv", 0.1)):
        rows = "".join(f"{20 * n};{y};0;-1;{n % 7};{n % 5};{n % 3}\n" for n in range(3000))
        (place / "data" / name).write_text("a\nb\nStamp;AX;AY;AZ;GX;GY;GZ\n" + rows)
    (place / "data" / "events.tsv").write_text("onset\tduration\ttrial_type\tdrill\tside\n")
    log = LogWriter(place / "a.log")
    log.append([(SESSION, pack(Session("M.K.", "2026-05-04T09:30:00+02:00", 0, 1e9)))])
    for stream in read_recording(place / "r").streams.values():
        log.append([(SAMPLES, payload) for payload in pack_samples(stream)])
    log.close()
    return place
