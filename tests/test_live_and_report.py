"""What the page said of each bundled recording, rep by rep and set by set, against the report made of it afterwards.

Equal by design, not by a publication: the same rows through the same stages, judged by the same drills.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from imu_shoulder.advise.session import session_summary
from imu_shoulder.analysis import Analysis, Params
from imu_shoulder.drills import load_shipped
from imu_shoulder.live.paced_replay import TICK_S
from imu_shoulder.live.replay import plan_for_recording, run, without_range_tests
from imu_shoulder.live.said import Said
from imu_shoulder.live.session import LiveSession
from imu_shoulder.live.words import LOWER_BOTH, cue
from imu_shoulder.model import Recording
from imu_shoulder.pipeline import analyse
from imu_shoulder.plan.matching import asked_by, match_sets
from imu_shoulder.report.tables import reps_table
from imu_shoulder.sources import RecordingSource
from imu_shoulder.sources.folder import read_recording

ROOT = Path(__file__).parents[1]
# Range tests are no drills: nothing of them is played.
FOLDERS = [path.name for path in sorted((ROOT / "recordings").iterdir()) if (path / "true_reps.csv").exists()]
# Playing one takes long: what is held against it goes to one process.
ONE_EACH = [pytest.param(name, marks=pytest.mark.xdist_group(f"played {name}")) for name in FOLDERS]
LOOKS_EVERY_S = 0.2
CAUSAL = replace(Params(), afterwards=False)


@dataclass
class Heard:
    """What the page said while a recording was played: the first cue of each set, and its words after each set."""

    first_cue: dict[int, str] = field(default_factory=dict)
    after: dict[int, dict[str, str]] = field(default_factory=dict)
    counted: dict[tuple[int, str], int] = field(default_factory=dict)
    looked_s: float = 0.0

    def look(self, session: LiveSession) -> None:
        live = session.latest_set
        if live is None or (session.stage == "set" and session.now_s - self.looked_s < LOOKS_EVERY_S):
            return
        frame, self.looked_s = session.frame(), session.now_s
        if frame["stage"] == "set":
            self.counted |= {(live.number, side): arm["counted"] for side, arm in frame["arms"].items()}
            if frame["cue"] is not None and frame["cue"]["code"] != LOWER_BOTH["code"]:
                self.first_cue.setdefault(live.number, frame["cue"]["code"])
        if frame["set_summary"] is not None:
            self.after[live.number] = frame["set_summary"]


@dataclass(frozen=True)
class Played:
    recording: Recording
    page: pd.DataFrame
    heard: Heard
    causal: Analysis
    summary: dict


@pytest.fixture(scope="module", params=ONE_EACH)
def played(request) -> Played:
    recording, _ = without_range_tests(read_recording(ROOT / "recordings" / request.param))
    plan, source, said, heard = plan_for_recording(recording, {}), RecordingSource(recording, TICK_S), Said(), Heard()
    session = LiveSession(plan, {}, source.rates_hz)

    def look(live: LiveSession) -> None:
        said.look(live)
        heard.look(live)

    run(source, session, each=look)
    page = said.finish(session)
    # As the page asked it: the same plan.
    matches = match_sets(plan, recording.events)
    causal = analyse(recording, CAUSAL, asked=asked_by(plan, matches))
    return Played(recording, page, heard, causal, session_summary(causal, (plan, matches)))


def in_time(table: pd.DataFrame) -> pd.DataFrame:
    return table.sort_values(["set", "side", "start_s"], ignore_index=True)


def test_the_page_says_of_every_rep_what_the_causal_file_says(played):
    """But for what became known later than two seconds after a rep, which is said to be revised."""
    page, file = in_time(played.page), in_time(reps_table(played.causal))
    what = ["set", "drill", "side", "rep", "role"]
    assert page[what].to_numpy().tolist() == file[what].to_numpy().tolist()
    stands = (page["revised"] == "").to_numpy()
    assert stands.any()
    verdict = ["faults", "excluded"]
    assert page[verdict][stands].to_numpy().tolist() == file[verdict][stands].to_numpy().tolist()
    numbers = ["start_s", "top_deg", "hold_s", "elbow_deg", "plane_deg"]
    # A rep that is left in a pause on its way down is told there, and measured once more when it goes on.
    same = stands & (np.abs(page["end_s"] - file["end_s"]) < 1e-3).to_numpy()
    assert same.sum() > len(page) / 2
    assert page[numbers][same].to_numpy() == pytest.approx(file[numbers][same].to_numpy(), abs=1e-3, nan_ok=True)
    later = page["revised"][~stands]
    assert later.str.contains("sensor_slip").all()
    # A rep that ends soon after a slip is told before it can be known that the slip lasts.
    assert len(later) <= 1


def test_the_page_counts_what_the_report_counts(played):
    lifting = [entry for entry in played.summary["sets"] if entry["role"] == "lift"]
    assert lifting
    for entry in lifting:
        assert played.heard.counted[entry["set"], entry["side"]] == entry["done"]["reps"]


def test_the_first_cue_of_a_set_is_that_of_the_reports_first_fault(played):
    reps = in_time(reps_table(played.causal))
    faulty = reps[(reps["role"] == "lift") & (reps["faults"] != "")].sort_values("end_s")
    first = faulty.groupby("set").first()
    said = {number: cue(row["faults"].split(";"), load_shipped(row["drill"])) for number, row in first.iterrows()}
    assert played.heard.first_cue == {number: found["code"] for number, found in said.items()}


def test_the_words_after_a_set_are_the_reports(played):
    by_set: dict[int, list[dict]] = {}
    for entry in played.summary["sets"]:
        by_set.setdefault(entry["set"], []).append(entry)
    assert set(played.heard.after) == set(by_set)
    for number, entries in by_set.items():
        said = played.heard.after[number]
        for entry in entries:
            whose = f"{entry['side'].capitalize()}: " if len(entries) > 1 else ""
            assert f"{whose}{entry['headline']}" in said["headline"]
            if entry["change"]:
                assert f"{whose}{entry['change']}" in said["change"]
            else:
                assert whose not in said["change"] if whose else said["change"] == ""


def test_looked_at_from_both_sides_the_report_counts_the_same_and_blames_hardly_otherwise(played):
    """Two-sided smoothing may move a figure across a limit: at most one rep of a recording, and no count."""
    causal, whole = (in_time(reps_table(found)) for found in (played.causal, analyse(played.recording)))
    what = ["set", "drill", "side", "rep", "role", "excluded"]
    slipped = played.page["revised"].str.contains("sensor_slip").any()
    if not slipped:
        assert causal[what].to_numpy().tolist() == whole[what].to_numpy().tolist()
    keys = ["set", "side", "rep"]
    assert causal[keys].to_numpy().tolist() == whole[keys].to_numpy().tolist()
    assert (causal["faults"] != whole["faults"]).sum() <= 1
