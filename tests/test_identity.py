"""Who is who in what leaves the house: nobody is merged with another, and nothing withheld is written."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace

import pandas as pd
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from imu_shoulder.advise.history import HistoryError, in_time
from imu_shoulder.cli import cli
from imu_shoulder.errors import ParameterError
from imu_shoulder.identity import one_name_each, share
from imu_shoulder.model import Recording
from imu_shoulder.plan import Plan, PlanError
from imu_shoulder.plan.matching import check_athlete
from imu_shoulder.simulate import simulate
from imu_shoulder.simulate.scenarios import drill_scenario
from imu_shoulder.sources.folder import write_recording

# Nothing of these may be found in what was withheld. Invented.
INITIALS, FOLDER, NOTE, SENSOR_FILE = "Q.Zx.", "quentin_z_tuesday", "Quentin says it pinched", "quentin_wrist.csv"
TELLING = (INITIALS, "QZx", "quentin", "pinched")


def recording(athlete: str, name: str = "a", start: str = "2025-03-04T09:30:00+01:00") -> Recording:
    return Recording(name, athlete, start, {}, ())


def run(*arguments):
    return CliRunner().invoke(cli, [*map(str, arguments)])


@pytest.fixture(scope="module")
def simulated():
    found = simulate(drill_scenario("full_can", reps=3), 3)
    events = (*found.recording.events[:-1], replace(found.recording.events[-1], note=NOTE, pain=1.0))
    return replace(found, recording=replace(found.recording, athlete=INITIALS, events=events))


@pytest.fixture
def session(simulated, tmp_path):
    """A recording folder whose name, files, initials and notes all say who it is."""
    folder = tmp_path / FOLDER
    rep = simulated.truth.reps[0]
    readings = "".join(f"{rep.top_start_s + 0.1 * k:.1f},elevation,right,{85 + k}\n" for k in range(4))
    write_recording(simulated.recording, folder, reference_csv="time_s,angle,side,reading_deg\n" + readings)
    (folder / "right_wrist.csv").rename(folder / SENSOR_FILE)
    head = folder / "recording.toml"
    head.write_text(head.read_text().replace("right_wrist.csv", SENSOR_FILE))
    return folder


def sha256(path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def readable(path) -> str:
    """The text of a file, of a compressed table with all it carries."""
    if path.suffix == ".parquet":
        return f"{pq.read_schema(path).metadata}{pd.read_parquet(path).to_csv()}"
    return path.read_text()


def told(out) -> list[str]:
    """Whatever of TELLING stands in a name or, in any letter case, in a file under `out`."""
    paths = list(out.rglob("*"))
    texts = [str(path.relative_to(out)) for path in paths]
    texts += [readable(path) for path in paths if path.is_file()]
    assert len(texts) > 6
    return [word for word in TELLING if any(word.lower() in text.lower() for text in texts)]


class TestOnePersonOneName:
    @pytest.mark.parametrize("other", ["m.k.", " M.K. ", "M.K.", "Ｍ.Ｋ."])
    def test_case_spaces_and_coding_are_the_same_athlete(self, other):
        found = share([recording("M.K."), recording(other, "b", "2025-03-05T09:30:00")], {})
        assert [(one.participant, one.session, one.athlete) for one in found] == [
            ("MK", "01", "M.K."),
            ("MK", "02", "M.K."),
        ]
        check_athlete(Plan("plan", "M.K.", ()), other)

    @pytest.mark.parametrize(("one", "other"), [("P.00", "P 00"), ("P.00", "P00"), ("É.K.", "K."), ("P-0", "p0")])
    def test_different_athletes_never_share_a_label(self, one, other):
        pair = [recording(one), recording(other, "b")]
        with pytest.raises(ParameterError, match="would share one label; give each athlete a label"):
            share(pair, {})
        assert [found.participant for found in share(pair, {one: "01", other: "02"})] == ["01", "02"]
        with pytest.raises(PlanError):
            check_athlete(Plan("plan", one, ()), other)

    @pytest.mark.parametrize("labels", [("01", "01"), ("P.1", "P1"), ("a", "A")])
    def test_two_labels_that_are_one_are_refused(self, labels):
        with pytest.raises(ParameterError, match="share one label"):
            share([recording("A.B."), recording("C.D.", "b")], dict(zip(("A.B.", "C.D."), labels, strict=True)))

    def test_a_label_for_nobody_is_refused(self):
        with pytest.raises(ParameterError, match=r"athlete out of M\.K\., but one is for 'MK'"):
            share([recording("M.K.")], {"MK": "01"})

    def test_a_label_for_some_is_refused(self):
        """The one who was forgotten would be published by name."""
        with pytest.raises(ParameterError, match=r"C\.D\. has none"):
            share([recording("A.B."), recording("C.D.", "b")], {"A.B.": "01"})

    def test_two_labels_for_one_athlete_are_refused(self):
        with pytest.raises(ParameterError, match=r"one label for M\.K\."):
            share([recording("M.K.")], {"M.K.": "01", "m.k.": "02"})

    @pytest.mark.parametrize("name", ["...", "Ж.К."])
    def test_a_name_that_makes_no_label_needs_one(self, name):
        with pytest.raises(ParameterError, match="letters A to Z or digits"):
            share([recording(name)], {})
        assert share([recording(name)], {name: "7"})[0].participant == "7"

    def test_sessions_are_numbered_by_their_start(self):
        later, first = (
            recording("M.K.", "a", "2025-03-05T08:00:00+01:00"),
            recording("M.K.", "b", "2025-03-05T06:59:00"),
        )
        assert [one.session for one in share([later, first, recording("T.S.", "c")], {})] == ["02", "01", "01"]

    def test_a_recording_that_comes_twice_is_refused(self):
        with pytest.raises(ParameterError, match="a comes twice"):
            share([recording("M.K."), recording("m.k.")], {})
        data = {"recording.toml": "1", "right_wrist.csv": "2"}
        copy = {"recording.toml": "3", "right_wrist.csv": "2"}
        pair = [replace(recording("M.K."), file_sha256=data), replace(recording("T.S.", "b"), file_sha256=copy)]
        for rule in (one_name_each, lambda both: share(both, {})):
            with pytest.raises(ParameterError, match="a and b are the same"):
                rule(pair)

    def test_earlier_sessions_are_told_apart_by_the_same_rule(self):
        def summary(athlete, start):
            return {"recording": {"athlete": athlete, "start": start, "name": "x"}}

        now = summary("M. K.", "2025-03-05T09:00:00")
        assert len(in_time([summary("m.  k. ", "2025-03-04T09:00:00")], now)) == 2
        with pytest.raises(HistoryError):
            in_time([summary("M.K.", "2025-03-04T09:00:00")], now)


class TestExport:
    @pytest.mark.parametrize("form", ["bids", "tables"])
    def test_nothing_tells_who_it_is(self, session, tmp_path, form):
        out = tmp_path / "out"
        done = run("export", session, "--out", out, "--format", form, "--participant", f"{INITIALS}=01")
        assert done.exit_code == 0, done.output
        assert told(out) == []
        assert f"{session}: sub-01_ses-01" in done.output
        # Whoever knows the form of recording.toml could try all initials against its hash.
        origins = list(out.rglob("origin.json"))
        assert len(origins) == 1
        guessable = [sha256(session / name) for name in ("recording.toml", "events.tsv")]
        assert [value for value in guessable if value in origins[0].read_text()] == []
        assert sha256(session / SENSOR_FILE) in origins[0].read_text()

    def test_the_search_sees_what_is_told(self, session, tmp_path):
        """So that the test above can fail."""
        (tmp_path / "told").mkdir()
        session.rename(tmp_path / "told" / FOLDER)
        assert told(tmp_path / "told") == [word for word in TELLING if word != "QZx"]

    def test_folder_names_and_notes_stay_at_home_where_initials_do_not(self, session, tmp_path):
        out = tmp_path / "out"
        assert run("export", session, "--out", out, "--no-angles").exit_code == 0
        assert told(out) == [INITIALS, "QZx"]
        assert run("export", session, "--out", tmp_path / "notes", "--no-angles", "--notes").exit_code == 0
        (events,) = (tmp_path / "notes").rglob("*_events.tsv")
        assert NOTE in events.read_text()

    @pytest.mark.parametrize("form", ["bids", "tables"])
    def test_a_label_of_nobody_writes_nothing(self, session, tmp_path, form):
        done = run("export", session, "--out", tmp_path / "out", "--format", form, "--participant", "QZx=01")
        assert done.exit_code == 2
        assert "one is for 'QZx'" in done.output
        assert "Traceback" not in done.output
        assert not (tmp_path / "out").exists()


class TestValidate:
    def test_labels_stand_for_initials_and_folder_names(self, session, tmp_path):
        out = tmp_path / "out"
        done = run("validate", session, "--out", out, "--participant", f"{INITIALS}=01")
        assert done.exit_code == 0, done.output
        pairs = pd.read_csv(out / "pairs.csv", dtype=str)
        assert set(pairs["person"]) == {"01"}
        assert set(pairs["recording"]) == {"sub-01_ses-01"}
        written = [path.read_text() for path in out.iterdir()]
        assert len(written) >= 4
        assert [word for word in TELLING if any(word in text for text in written)] == []
        assert list(json.loads((out / "origin.json").read_text())["inputs_sha256"]) == ["sub-01_ses-01"]

    def test_a_label_of_nobody_is_refused(self, session, tmp_path):
        done = run("validate", session, "--out", tmp_path / "out", "--participant", "QZx=01")
        assert (done.exit_code, "one is for 'QZx'" in done.output) == (2, True)

    def test_one_athlete_written_twice_is_one_person(self):
        both = [recording("M.K."), recording("m.k. ", "b")]
        assert [one.athlete for one in one_name_each(both)] == ["M.K.", "M.K."]

    def test_names_that_may_be_one_athlete_are_refused(self, session, simulated, tmp_path):
        """One athlete counted as two narrows the limits falsely; two counted as one widen them."""
        twin = replace(simulate(drill_scenario("full_can", reps=3), 4).recording, athlete="Q Zx")
        write_recording(twin, tmp_path / "twin")
        done = run("validate", session, tmp_path / "twin", "--out", tmp_path / "out")
        assert (done.exit_code, "'Q.Zx.' and 'Q Zx' are the same but for signs" in done.output) == (2, True)
        assert one_name_each([recording("Ж.К."), recording("...", "b")])
