"""What live and report know of the time before: the last best hold, load and cue; then and now, without a verdict."""

from __future__ import annotations

import json
import shutil
from copy import deepcopy
from pathlib import Path

import pytest
from histories import fill, plan_toml, rows_of

from imu_shoulder.advise.since import since_last
from imu_shoulder.analysis import Params
from imu_shoulder.history import people, sessions
from imu_shoulder.history.adding import RESULTS, How, add_recording
from imu_shoulder.history.invented import Level
from imu_shoulder.history.keeping import folder_of
from imu_shoulder.history.last_time import reminded
from imu_shoulder.history.store import open_store
from imu_shoulder.live.before import facts
from imu_shoulder.plan import parse_plan


def summary(number: int, **how):
    return rows_of("M.K.", number, **how).session["summary"]


def test_then_and_now_stand_beside_each_other():
    now, then = summary(3, level=Level(held_s=6.0)), summary(1, level=Level(held_s=4.0))
    (entry,) = since_last((now, then))
    assert (entry["drill"], entry["side"], entry["start"]) == ("full_can", "right", then["recording"]["start"])
    assert entry["then"]["hold_s"] == then["sets"][0]["tempo"]["hold_s"]["median"]
    assert entry["now"]["hold_s"] == now["sets"][0]["tempo"]["hold_s"]["median"]
    assert "right arm, 4 days before: held " in entry["text"]
    assert ", now " in entry["text"]
    assert not {"better", "worse"} & set(entry["text"].split())


def test_of_two_sets_the_number_lies_between_them():
    now, then = summary(1), summary(0)
    second = deepcopy(now["sets"][0])
    now["sets"] = [now["sets"][0], {**second, "set": 2}]
    for entry, held_s in zip(now["sets"], (4.0, 6.0), strict=True):
        entry["tempo"]["hold_s"]["median"] = held_s
    (told,) = since_last((now, then))
    assert told["now"]["hold_s"] == 5.0
    assert ", now 5.0 s" in told["text"]


def test_without_the_drill_before_nothing_is_said():
    now = summary(1)
    assert since_last((now,)) == []
    other = summary(0)
    other["sets"][0]["side"] = "left"
    assert since_last((now, other)) == []
    assert since_last((now, other, summary(0)))[0]["start"] == summary(0)["recording"]["start"]


def test_the_report_of_a_session_that_is_added_says_it(tmp_path, small_recording):
    folder = Path(shutil.copytree(small_recording, tmp_path / "first"))
    later = Path(shutil.copytree(small_recording, tmp_path / "second"))
    head = later / "recording.toml"
    lines = head.read_text().splitlines()
    head.write_text("\n".join('start = "2031-01-02T10:00:00+00:00"' if x.startswith("start") else x for x in lines))
    (table,) = later.glob("*wrist.csv")
    table.write_text(table.read_text().rstrip("\n").rsplit("\n", 1)[0] + "\n")  # measured anew: one sample less
    with open_store(tmp_path / "h.db") as store:
        add_recording(store, folder, How(Params(), {}))
        added = add_recording(store, later, How(Params(), {}))
        assert added.state == "added"
        row = sessions.session(store, added.session_id)
        results = folder_of(store.kept, row["kept"]) / RESULTS
    (said,) = json.loads((results / "summary.json").read_text())["since_last"]
    page = (results / "report.html").read_text()
    assert "Since last time" in page
    assert said["title"] in page
    assert "Since last time" not in (folder_of_first(results) / RESULTS / "report.html").read_text()


def folder_of_first(results: Path) -> Path:
    """The copy of the other session."""
    (other,) = [path for path in results.parents[1].glob("[0-9a-f]*") if path != results.parent]
    return other


def test_a_plan_knows_best_hold_load_and_cue_of_the_last_time(store):
    athlete = people.add_athlete(store, "M.K.").id
    plan = parse_plan(plan_toml("m.k."), "plan")
    assert reminded(store, plan) == plan
    rows = rows_of("M.K.", 0)
    rows.sets[0][0]["load_kg"] = 1.5
    rows.session["summary"]["sets"][0]["change"] = "Hold it longer."
    for rep, (hold_s, excluded) in zip(rows.sets[0][1], [(4.0, ""), (5.0, ""), (9.0, "gap")], strict=True):
        rep["hold_s"], rep["excluded"] = hold_s, excluded
    with store.write() as connection:
        sessions.put(connection, athlete, rows)
    (item,) = reminded(store, plan).drills
    assert item.last_time == "best hold 5.0 s, 1.5 kg, Hold it longer"
    assert ["Last time", item.last_time] in facts(item)
    assert all(name != "Last time" for name, _ in facts(plan.drills[0]))


def test_after_pain_the_cue_is_whom_to_ask(store):
    athlete = fill(store, sessions=1, pain=5.0)
    assert sessions.sessions(store, athlete)[0]["pain_over"]
    (item,) = reminded(store, parse_plan(plan_toml("M.K."), "plan")).drills
    assert "Ask the practitioner first" in item.last_time


def test_another_direction_is_another_drill(store):
    fill(store, sessions=1)
    plan = parse_plan(plan_toml("M.K.") + 'direction = "side"\n', "plan")
    assert reminded(store, plan).drills[0].last_time == ""


@pytest.mark.parametrize("which", ["then", "now"])
def test_what_is_not_known_is_said_so(which):
    found = {"now": summary(1), "then": summary(0)}
    found[which]["sets"][0]["load_kg"] = 2.0
    (entry,) = since_last((found["now"], found["then"]))
    wanted = {"then": "load 2.0 kg, now not known", "now": "load not known, now 2.0 kg"}
    assert wanted[which] in entry["text"]
