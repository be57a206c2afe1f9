"""Files that the history takes in, changed at random: the answer is a result or a sentence, and never half a file."""

from __future__ import annotations

import contextlib
import json
from copy import deepcopy

import pytest
from histories import fill
from hypothesis import given
from hypothesis import strategies as st
from test_bad_input_fuzz import ODD, changes, spoiled
from test_plan_writing import EVERY_KEY

from imu_shoulder.errors import ShoulderError
from imu_shoulder.history import people, queries
from imu_shoulder.history.exporting import everything_json, results_csv
from imu_shoulder.history.importing import take_csv, take_json
from imu_shoulder.history.standing import statements_of
from imu_shoulder.history.store import open_store
from imu_shoulder.plan import parse_plan
from imu_shoulder.plan.writing import plan_csv, plan_from_csv

SESSIONS = b"""athlete,start,done,dose,pain,effort,note
M.K.,2026-03-02,yes,full_can:right:2x8@1.5;band_loop_raise:both:1x4,2,4,tired
T.S.,2026-03-03T10:00:00+01:00,no,,,,
"""


@changes(25)
@given(draw=st.data())
def test_a_plan_in_a_spreadsheet(draw):
    data = spoiled(draw, plan_csv(EVERY_KEY, "plan").encode())
    with contextlib.suppress(ShoulderError):
        parse_plan(plan_from_csv(data.decode(errors="replace"), "plan.csv"), "plan.csv")


@changes(15)
@given(draw=st.data())
def test_sessions_in_a_spreadsheet(draw, tmp_path_factory):
    folder = tmp_path_factory.mktemp("s")
    (folder / "s.csv").write_bytes(spoiled(draw, SESSIONS))
    with open_store(folder / "h.db") as store:
        try:
            take_csv(store, folder / "s.csv")
        except ShoulderError:
            assert people.athletes(store) == []


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    with open_store(tmp_path_factory.mktemp("r") / "h.db") as store:
        fill(store, sessions=2)
        return results_csv(store).encode()


@changes(25)
@given(draw=st.data())
def test_results_in_a_spreadsheet(results, draw, tmp_path_factory):
    folder = tmp_path_factory.mktemp("s")
    (folder / "r.csv").write_bytes(spoiled(draw, results))
    with open_store(folder / "h.db") as store:
        try:
            take_csv(store, folder / "r.csv")
        except ShoulderError:
            assert people.athletes(store) == []
        for one in people.athletes(store):
            statements_of(store, one.id)


@pytest.fixture(scope="module")
def everything(tmp_path_factory):
    with open_store(tmp_path_factory.mktemp("e") / "h.db") as store:
        fill(store, sessions=1)
        return json.loads(everything_json(store))


@changes(25)
@given(draw=st.data())
def test_everything_of_a_history(everything, draw, tmp_path_factory):
    found = deepcopy(everything)
    for _ in range(draw.draw(st.integers(1, 3))):
        table = found["history"][draw.draw(st.sampled_from(sorted(found["history"])))]
        if not isinstance(table, list) or not table or not isinstance(table[0], dict):
            continue
        row = table[draw.draw(st.integers(0, len(table) - 1))]
        if isinstance(row, dict):
            row[draw.draw(st.sampled_from(sorted(row)))] = draw.draw(st.sampled_from(ODD))
    folder = tmp_path_factory.mktemp("j")
    (folder / "f.json").write_text(json.dumps(found))
    with open_store(folder / "h.db") as store:
        try:
            take_json(store, folder / "f.json", "Coach")
        except ShoulderError:
            assert people.athletes(store) == []


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    path = tmp_path_factory.mktemp("d") / "h.db"
    with open_store(path) as store:
        fill(store, sessions=1)
    return path.read_bytes()


@changes(15)
@given(draw=st.data())
def test_a_damaged_database(database, draw, tmp_path_factory):
    path = tmp_path_factory.mktemp("d") / "h.db"
    path.write_bytes(spoiled(draw, database))
    with contextlib.suppress(ShoulderError), open_store(path) as store, store.read() as connection:
        queries.rows(connection, queries.ROSTER, since="")
