"""The coach's pages without a browser: who comes first, what is kept, who may ask; what is typed is text."""

from __future__ import annotations

import csv
import html
import http.client
import io
import json
import tomllib
from datetime import date, timedelta
from urllib.parse import quote

import pytest
from waiting import GUARD_S, until

pytest.importorskip("starlette", reason="the live part is not installed")
pytest.importorskip("sqlalchemy", reason="the history part is not installed")

from review_server import TODAY, Reviewing, copied

from imu_shoulder.drills import load_shipped, shipped_ids
from imu_shoulder.history.change import Statement
from imu_shoulder.history.people import add_athlete, find_athlete
from imu_shoulder.history.people import athletes as everybody
from imu_shoulder.history.plans import plan_version
from imu_shoulder.history.protecting import delete_athlete
from imu_shoulder.history.remarks import SAYS, decisions, notes, verdicts
from imu_shoulder.history.sessions import add_manual, rate_next_morning, reps, session, sessions, sets
from imu_shoulder.history.store import open_store
from imu_shoulder.plan import parse_plan
from imu_shoulder.review import editor, roster, trends
from imu_shoulder.review.attention import KINDS, Recent, order, reasons
from imu_shoulder.review.overlay import which
from imu_shoulder.review.standing import Said, Stand, apart
from imu_shoulder.review.writing import CHANGES
from imu_shoulder.serve.access import Access

pytestmark = pytest.mark.xdist_group(
    "browser"
)  # beside the other tests of the same season, which takes a while to make
MARKUP = "<img src=x onerror=alert(1)>'\"--"
SQL = "'); DROP TABLE session; --"
ADDRESS = "192.0.2.7"  # TEST-NET-1, RFC 5737: nobody's


@pytest.fixture(scope="module")
def looking(season_file, tmp_path_factory):
    """The pages of the season, which no test changes."""
    with open_store(season_file) as store, Reviewing(store, tmp_path_factory.mktemp("marked")) as running:
        yield running


@pytest.fixture
def changing(season_file, tmp_path):
    with open_store(copied(season_file, tmp_path)) as store, Reviewing(store, tmp_path / "marked") as running:
        yield running


def ask(running, path, method="GET", body=None, **headers):
    link = http.client.HTTPConnection("127.0.0.1", running.port, timeout=GUARD_S)
    given = {"Host": f"127.0.0.1:{running.port}", "Origin": f"http://127.0.0.1:{running.port}", **headers}
    link.request(method, path, body, {name: value for name, value in given.items() if value is not None})
    answer = link.getresponse()
    text = answer.read().decode()
    link.close()
    return answer.status, text


def change(running, path, **typed):
    status, text = ask(running, path, "POST", json.dumps(typed), **{"X-Token": running.desk.token})
    return status, json.loads(text)


def athlete(running, name):
    return find_athlete(running.store, name).id


def latest(running, name, kind="recorded"):
    return next(own for own in sessions(running.store, athlete(running, name)) if own["kind"] == kind)


def with_curves(running):
    """The recording of Y.Z. that is marked."""
    return sessions(running.store, athlete(running, "Y.Z."))[1]


# Who comes first.


def test_the_season_puts_the_right_ones_on_top(looking):
    found = roster.entries(looking.desk)
    first = {entry["name"]: entry["reasons"][0].kind for entry in found}
    assert [entry["name"] for entry in found][:2] == ["I.J.", "E.F."]
    assert {name: kind for name, kind in first.items() if kind in roster.PRESSING} == {
        "I.J.": "pain",
        "E.F.": "fell_back",
        "K.L.": "unseen",
        "G.H.": "sides",
        "U.V.": "dose",
        "W.X.": "dose",
    }
    pressing = [entry["reasons"][0].kind in roster.PRESSING for entry in found]
    assert pressing == sorted(pressing, reverse=True)
    kinds = {entry["name"]: {reason.kind for reason in entry["reasons"]} for entry in found}
    assert "better" in kinds["A.B."]
    assert "sensors" in kinds["M.N."]
    assert "criteria" in kinds["O.P."]
    assert "new" in kinds["S.T."]


def test_the_page_says_so_in_this_order_with_the_reasons(looking):
    _, text = ask(looking, "/")
    places = [text.index(f">{entry['name']}</a>") for entry in roster.entries(looking.desk)]
    assert places == sorted(places)
    assert "6 athletes to look at first" in text
    assert "5 of 10 in the last session, over the ceiling." in text


ROW = {
    "session_id": 1,
    "kind": "recorded",
    "start_utc": "2026-05-03T10:00:00Z",
    "pain_over": False,
    "pain_highest": 1.0,
    "pain_next_morning": None,
    "pain_ceiling": 2.0,
    "plan_number": 1,
    **dict.fromkeys(("after_surgery", "instability"), ""),
}
DONE = {"kind": "recorded", "plan_version_id": 1, "done": None, "reps_asked": 40, "reps_done": 40}


def said(stand=None, latest=(DONE,) * 5, today=TODAY, **row):
    return reasons(Recent({**ROW, **row}, list(latest)), stand or Stand(), today)


def kinds(*args, **row):
    return [reason.kind for reason in said(*args, **row)]


def statement(measure="hold_sd_deg", state="worse", first=1.0, latest=2.0, mdc_high=1.5):
    return Statement(measure, state, 10, first=first, latest=latest, mdc_high=mdc_high)


def test_nothing_is_said_where_there_is_nothing():
    assert kinds() == ["nothing"]


def test_pain_is_said_over_the_ceiling_and_not_at_it():
    assert kinds(pain_over=True, pain_highest=3.0) == ["pain"]
    assert kinds(pain_next_morning=2.0) == ["nothing"]
    assert kinds(pain_next_morning=2.5) == ["pain"]


def test_the_ceiling_of_a_plan_is_not_called_that_of_the_profile():
    (found,) = said(pain_over=True, pain_highest=1.5)
    assert "2" not in found.text


def test_pain_that_nobody_rated_is_not_taken_for_none():
    (found,) = said(pain_highest=None)
    assert found.text.endswith("; pain was not rated.")
    assert "no pain over the ceiling" in said()[0].text


def test_an_athlete_is_unseen_after_more_than_a_week():
    start = date.fromisoformat(ROW["start_utc"][:10])
    assert kinds(today=start + timedelta(days=7)) == ["nothing"]
    assert kinds(today=start + timedelta(days=8)) == ["unseen"]


def test_a_session_dated_ahead_is_told_as_it_hides_who_was_not_seen():
    start = date.fromisoformat(ROW["start_utc"][:10])
    assert kinds(today=start - timedelta(days=1)) == ["nothing"]
    assert kinds(today=start - timedelta(days=2)) == ["ahead"]


def test_a_name_that_somebody_has_makes_no_second_athlete(changing):
    status, told = change(changing, "/athletes", name=" a.b. ")
    assert status == 422
    assert "A.B. is there already" in told["text"]


def test_a_session_by_hand_shows_its_pain_and_effort(looking):
    own = latest(looking, "M.N.", "manual")
    text = ask(looking, f"/sessions/{own['id']}")[1]
    assert "Highest pain: 0 of 10." in text
    assert "Effort: –." in text


def test_a_session_is_taken_out_on_its_page(changing):
    own = latest(changing, "C.D.")
    assert change(changing, f"/sessions/{own['id']}/remove", why="")[0] == 422
    status, told = change(changing, f"/sessions/{own['id']}/remove", why="another person's")
    assert (status, told["to"]) == (200, f"/athletes/{own['athlete_id']}")
    assert ask(changing, f"/sessions/{own['id']}")[0] == 404
    assert latest(changing, "C.D.")["start_utc"] < own["start_utc"]


def test_a_dose_is_not_done_under_four_fifths():
    assert kinds(latest=[{**DONE, "reps_done": 32}] * 5) == ["nothing"]
    found = said(latest=[{**DONE, "reps_done": 31}] * 5)
    assert [(reason.kind, reason.text) for reason in found] == [
        ("dose", "93 of 120 asked reps done in the last 3 sessions.")
    ]
    skipped = {"kind": "manual", "done": "no", "reps_asked": None, "reps_done": None}
    assert kinds(latest=[skipped, *[DONE] * 4]) == ["dose"]


def test_who_forgot_the_sensors_is_told_from_who_skips():
    by_hand = {"kind": "manual", "done": "yes", "reps_asked": None, "reps_done": 40}
    assert kinds(latest=[by_hand, *[DONE] * 4]) == ["nothing"]
    assert kinds(latest=[by_hand, by_hand, *[DONE] * 3]) == ["sensors"]


def test_a_change_is_said_as_it_was_tested():
    stand = Stand(
        [
            Said("full_can", "diagonal", "left", statement()),
            Said("full_can", "diagonal", "left", statement("arc_deg", "no real change")),
        ]
    )
    found = said(stand)
    assert [reason.kind for reason in found] == ["fell_back"]
    assert found[0].text == "Full can raise, left arm: hold less steady (1.00 to 2.00° sway)."


@pytest.mark.parametrize(
    ("left", "behind"),
    [(60.0, "left"), (95.0, None), (86.0, None), (74.0, None), (100.5, "right")],
)
def test_sides_are_apart_by_more_than_chance_only(left, behind):
    """The arc of the right arm is 80 deg, and chance makes 20 deg."""
    own = [
        Said("full_can", "", side, statement("arc_deg", "no real change", value, value, value + 20.0))
        for side, value in (("right", 80.0), ("left", left))
    ]
    found = apart(own)
    assert len(found) == (behind is not None)
    assert behind is None or f"{behind} arm behind in arc" in found[0]
    assert behind is None or found[0].endswith("°.")


def test_criteria_met_are_no_clearance():
    stand = Stand(criteria=[("full_can", "right")])
    assert [reason.text for reason in said(stand)] == ["Full can raise, right arm: meets the criteria set. You decide."]
    limits = said(stand, after_surgery="No load.")[0].text
    assert limits.startswith("Limits after surgery or instability come first.")
    # Not over the ceiling, not without sensors, not of long ago.
    assert "criteria" not in kinds(stand, pain_over=True)
    assert "criteria" not in kinds(stand, kind="manual")
    assert "criteria" not in kinds(stand, today=TODAY + timedelta(days=30))


def test_no_reason_sounds_like_clearance(looking):
    told = " ".join(r.text.lower() for entry in roster.entries(looking.desk) for r in entry["reasons"])
    for word in ("ready", "cleared", "safe", "may go", "allowed", "fit to", "can progress"):
        assert word not in told


def test_the_most_pressing_reason_orders_and_then_the_next_one():
    one, two = said(pain_over=True), said(pain_over=True, latest=[{**DONE, "reps_done": 3}] * 5)
    assert sorted([order(one), order(two), order(said())]) == [order(two), order(one), order(said())]
    assert set(KINDS) >= {reason.kind for reason in (*one, *two)}


# Pages.


def test_every_page_is_there(looking):
    own = with_curves(looking)
    number = athlete(looking, "A.B.")
    curves = f"{own['id']}.1.right"
    for path in (
        *("/", f"/athletes/{number}", f"/athletes/{number}?all=1", f"/own/{number}", f"/athletes/{number}/plan"),
        *(f"/athletes/{number}/plan/sheet", f"/athletes/{number}/plan?version=1", f"/athletes/{number}/plan.toml"),
        *(f"/sessions/{own['id']}", f"/sessions/{own['id']}/sets/1", f"/sessions/{own['id']}/report"),
        *(f"/compare?a={curves}&b={curves}", f"/mark/{own['id']}/", f"/mark/{own['id']}/web/mark.js"),
        *("/web/review.css", "/web/report/report.js"),
    ):
        assert ask(looking, path)[0] == 200, path


def test_an_athletes_page_draws_what_was_said_with_its_noise(looking):
    _, text = ask(looking, f"/athletes/{athlete(looking, 'E.F.')}")
    assert "▼ worse" in text
    assert text.count('class="chance"') >= 8
    assert 'class="through"' in text
    assert "Hold steadiness" in text


def test_a_new_plan_is_marked_in_the_trends(changing):
    number = athlete(changing, "C.D.")
    fields = editor.fields_of(plan_version(changing.store, number).toml)
    changed = {**fields, "note": "Slower."}
    assert change(changing, f"/athletes/{number}/plan", **changed, why="pace")[0] == 200
    with changing.store.write() as connection:
        moved = connection.exec_driver_sql(
            "UPDATE plan_version SET valid_from = '2026-04-20T00:00:00Z' WHERE number = 2"
        )
    assert moved.rowcount == 1
    _, text = ask(changing, f"/athletes/{number}")
    assert ">plan 2</text>" in text


def test_the_set_page_has_the_reports_curves(looking):
    own = with_curves(looking)
    _, text = ask(looking, f"/sessions/{own['id']}/sets/1")
    found = json.loads(text.split('id="curves">')[1].split("</script>")[0])
    assert [curve["id"] for curve in found["curves"]] == ["set-1-right"]
    assert len(found["curves"][0]["reps"]) == 2


def test_a_session_without_a_recording_has_its_reps(looking):
    own = latest(looking, "E.F.")
    _, text = ask(looking, f"/sessions/{own['id']}/sets/1")
    assert "there are no curves" in text
    assert text.count('<button class="zoom') == 8


def test_two_sets_of_two_athletes_are_not_laid_over(looking):
    one, other = with_curves(looking)["id"], latest(looking, "E.F.")["id"]
    status, text = ask(looking, f"/compare?a={one}.1.right&b={other}.1.right")
    assert status == 422
    assert "two sets of one athlete" in text


@pytest.mark.parametrize("text", ["", "1", "1.2", "1.2.up", "1.2.right.", "-1.2.right", "1/../2.3.right"])
def test_what_is_no_set_is_refused(text):
    with pytest.raises(Exception, match="a set such as"):
        which(text)


# Plans.


def fields_with(**item):
    return {"pain_ceiling": "2", "days": [], "drill": [{**editor.empty_item(), **item}]}


@pytest.mark.parametrize("name", shipped_ids())
def test_the_form_gives_back_any_plan(name):
    """Also keys that have no field of their own."""
    ways = load_shipped(name).directions
    lines = [
        *(
            "schema = 1",
            'athlete = "A \\"B\\" ü"',
            "pain_ceiling = 1.5",
            'days = ["Monday", "Friday"]',
            'note = "a\\nb"',
        ),
        *("[[drill]]", f'id = "{name}"', 'side = "both"', "reps = { right = 8, left = 10 }", "rest_s = 45.0"),
        *([f'direction = "{list(ways)[-1]}"'] if ways else []),
        *(
            "pauses = []",
            "own_range_deg = { rotation = 55 }",
            "limits = { trunk_deg = 5, elbow_deg = { at_most = 20 } }",
        ),
        *("[[drill]]", f'id = "{name}"', 'side = "left"', 'band = "light = \\"red\\""', "hold_s = 0.5"),
    ]
    text = "\n".join(lines) + "\n"
    found = editor.check('A "B" ü', editor.fields_of(text))
    assert found.error == ""
    assert tomllib.loads(found.text) == tomllib.loads(text)
    assert parse_plan(found.text, "plan") == parse_plan(text, "plan")


@pytest.mark.parametrize(
    ("typed", "row", "key"),
    [
        ({"sets": "0"}, 0, "sets"),
        ({"sets": "two"}, 0, "sets"),
        ({"reps": "8.5"}, 0, "reps"),
        ({"reps": "-1"}, 0, "reps"),
        ({"rest_s": "soon"}, 0, "rest_s"),
        ({"hold_s": "-1"}, 0, "hold_s"),
        ({"id": "no_such"}, 0, "id"),
        ({"side": "up"}, 0, "side"),
        ({"load_kg": "1", "band": "red"}, 0, "load"),
        ({"top_at_least": "90", "top_at_most": "60"}, 0, "limits"),
        ({"more": "nonsense"}, 0, "more"),
        ({"more": "unknown = 1"}, 0, ""),
    ],
)
def test_a_mistake_in_the_form_is_said_where_it_is(typed, row, key):
    found = editor.check("A.B.", fields_with(**typed))
    assert found.error
    assert (found.row, found.key) == (row, key)
    assert found.told is None


def test_the_first_field_that_is_wrong_is_named():
    found = editor.check("A.B.", fields_with(sets="0"))
    assert (found.row, found.key) == (0, "sets")
    found = editor.check("A.B.", {**fields_with(), "pain_ceiling": "11"})
    assert (found.row, found.key) == (None, "pain_ceiling")


def test_minutes_are_those_of_the_plan(changing):
    number = athlete(changing, "A.B.")
    status, found = change(changing, f"/athletes/{number}/plan/check", **fields_with(sets="2", reps="10"))
    assert status == 200
    assert found["error"] == ""
    assert "minutes in all" in found["told"]["text"]
    assert found["minutes"][0] > 0


def test_a_plan_is_kept_with_who_when_and_why_and_is_read_by_the_others(changing):
    number = athlete(changing, "A.B.")
    before = plan_version(changing.store, number).number
    typed = fields_with(id="full_can", sets="3", reps="8 right, 6 left", side="both", note="Slowly.")
    status, answer = change(changing, f"/athletes/{number}/plan", **typed, why="a step up")
    assert (status, answer["version"]) == (200, before + 1)
    kept = plan_version(changing.store, number)
    assert (kept.who, kept.why) == ("Coach", "a step up")
    assert kept.plan.drills[0].reps == {"right": 8, "left": 6}
    _, text = ask(changing, f"/athletes/{number}/plan.toml")
    assert parse_plan(text, "plan").athlete == "A.B."
    _, sheet = ask(changing, f"/athletes/{number}/plan/sheet")
    assert "Slowly." in sheet
    assert "<svg" in sheet
    assert f"Version {before}" in ask(changing, f"/athletes/{number}/plan")[1]


def test_a_plan_with_a_mistake_is_not_kept(changing):
    number = athlete(changing, "A.B.")
    before = plan_version(changing.store, number)
    status, answer = change(changing, f"/athletes/{number}/plan", **fields_with(sets="0"))
    assert status == 422
    assert "sets of drill 1" in answer["text"]
    assert plan_version(changing.store, number) == before


# What the coach says.


def test_an_overruled_verdict_stays_visible_and_what_was_measured_too(changing):
    own = latest(changing, "E.F.")
    first = sets(changing.store, own["id"])[0]
    before = reps(changing.store, first["id"])
    rep = next(found for found in before if found["faults"])
    typed = {"set": str(first["number"]), "side": first["side"], "rep": str(rep["number"]), "says": "clean"}
    assert (
        change(changing, f"/sessions/{own['id']}/verdicts", **typed, fault=rep["faults"], why="sensor slipped")[0]
        == 200
    )
    assert reps(changing.store, first["id"]) == before
    assert verdicts(changing.store, own["id"])[0]["who"] == "Coach"
    for path in (f"/sessions/{own['id']}/sets/{first['number']}", f"/sessions/{own['id']}"):
        _, text = ask(changing, path)
        assert "sensor slipped" in text
        assert f"rep {rep['number']}" in text
    _, text = ask(changing, f"/sessions/{own['id']}/everything.csv")
    row = next(r for r in csv.DictReader(io.StringIO(text)) if r["rep"] == str(rep["number"]) and r["set"] == "1")
    assert (row["faults"], row["coach_says"]) == (rep["faults"], "clean")


@pytest.mark.parametrize(
    "wrong", [{"rep": "99"}, {"rep": "x"}, {"set": "9"}, {"side": "up"}, {"says": "perfect"}, {"why": ""}]
)
def test_a_verdict_on_what_is_not_there_is_refused(changing, wrong):
    own = latest(changing, "E.F.")
    typed = {"set": "1", "side": "right", "rep": "1", "says": SAYS[0], "why": "seen", "fault": "", **wrong}
    assert change(changing, f"/sessions/{own['id']}/verdicts", **typed)[0] == 422
    assert verdicts(changing.store, own["id"]) == []


def test_advice_is_decided_on_once_and_the_reason_kept(changing):
    own = latest(changing, "O.P.")

    def kinds_of():
        return {r.kind for r in roster.entries(changing.desk, own["athlete_id"])[0]["reasons"]}

    assert "criteria" in kinds_of()
    for entry in session(changing.store, own["id"])["summary"]["advice"]:
        typed = {"drill": entry["drill"], "side": entry["side"], "decision": "declined", "why": "match on Saturday"}
        assert change(changing, f"/sessions/{own['id']}/decisions", **typed)[0] == 200
    found = decisions(changing.store, own["athlete_id"])
    assert {one["why"] for one in found} == {"match on Saturday"}
    assert found[0]["advice"]["rule"]
    assert "criteria" not in kinds_of()
    assert "Declined by Coach" in ask(changing, f"/athletes/{own['athlete_id']}")[1]


def test_advice_that_was_not_given_cannot_be_decided_on(changing):
    own = latest(changing, "O.P.")
    typed = {"drill": "full_can", "side": "left", "decision": "accepted", "why": "x"}
    assert change(changing, f"/sessions/{own['id']}/decisions", **typed)[0] == 422
    assert decisions(changing.store, own["athlete_id"]) == []


def test_notes_of_athlete_and_coach_are_told_apart(changing):
    own = latest(changing, "E.F.")
    typed = {"text": "Tired today.", "author": "athlete", "session": str(own["id"]), "set": "1"}
    assert change(changing, f"/athletes/{own['athlete_id']}/notes", **typed)[0] == 200
    assert notes(changing.store, own["athlete_id"])[0]["author"] == "athlete"
    _, text = ask(changing, f"/sessions/{own['id']}/sets/1")
    assert '<li class="athlete"><p>Tired today.</p>' in text


def test_the_next_morning_and_a_session_by_hand(changing):
    own = latest(changing, "C.D.")
    assert change(changing, f"/sessions/{own['id']}/morning", pain="4")[0] == 200
    assert roster.entries(changing.desk, own["athlete_id"])[0]["reasons"][0].kind == "pain"
    assert change(changing, f"/sessions/{own['id']}/morning", pain="11")[0] == 422
    typed = {"start": "2026-05-04T07:00", "done": "yes", "dose": "full_can:both:2x10@1.5", "pain": "1"}
    assert change(changing, f"/athletes/{own['athlete_id']}/by_hand", **typed)[0] == 200
    assert sessions(changing.store, own["athlete_id"])[0]["reps_done"] == 40
    rate_next_morning(changing.store, own["id"], None)


def test_the_profile_is_changed_with_who(changing):
    number = athlete(changing, "A.B.")
    typed = {"pain_ceiling": "3", "involved_side": "left", "after_surgery": "No load.", "age_band": "18-29"}
    assert change(changing, f"/athletes/{number}/profile", **typed)[0] == 200
    assert find_athlete(changing.store, "A.B.").profile.pain_ceiling == 3.0
    assert "No load." in ask(changing, f"/athletes/{number}")[1]
    assert change(changing, f"/athletes/{number}/profile", involved_side="up")[0] == 422


def test_an_unmarked_recording_is_marked_here_and_its_session_gets_sets(changing):
    own = latest(changing, "Y.Z.")
    assert "Mark what was done" in ask(changing, f"/sessions/{own['id']}")[1]
    page = f"/mark/{own['id']}"

    def state():
        found = json.loads(ask(changing, f"{page}/state")[1])
        return found if not found["stage"] and found["head"] else None

    until(state, "everything is worked out")
    marked = with_curves(changing)
    events = (changing.store.kept / marked["kept"] / "events.tsv").read_text().splitlines()
    head = events[0].split("\t")
    rows = [dict(zip(head, line.split("\t"), strict=True)) for line in events[1:]]
    version = json.loads(ask(changing, f"{page}/marks")[1])["version"]
    status, text = ask(changing, f"{page}/marks", "POST", json.dumps({"version": version, "rows": rows}))
    assert status == 200, text
    assert ask(changing, f"{page}/analyse", "POST")[0] == 202
    done = until(
        lambda: (found := json.loads(ask(changing, f"{page}/state")[1])["analysis"])["state"] != "running" and found,
        "the analysis has ended",
    )
    assert done["state"] == "done", done
    assert [one["drill"] for one in sets(changing.store, own["id"])] == ["full_can"]
    assert ask(changing, f"{page}/report")[0] == 200
    assert session(changing.store, own["id"])["reps_done"] == 2
    assert "Correct the marks" in ask(changing, f"/sessions/{own['id']}")[1]


# Files.


def test_what_is_seen_comes_out_as_csv_and_json(looking):
    own = with_curves(looking)
    _, text = ask(looking, "/roster.csv")
    names = [row["name"] for row in csv.DictReader(io.StringIO(text))]
    assert names == [entry["name"] for entry in roster.entries(looking.desk)]
    assert [row["name"] for row in json.loads(ask(looking, "/roster.json")[1])] == names
    found = json.loads(ask(looking, f"/athletes/{own['athlete_id']}/everything.json")[1])
    assert len(found["sessions"]) == len(sessions(looking.store, own["athlete_id"]))
    assert {"reasons", "statements", "trend", "plans", "notes", "decisions"} <= set(found)
    rows = list(csv.DictReader(io.StringIO(ask(looking, f"/athletes/{own['athlete_id']}/everything.csv")[1])))
    assert len(rows) == len(found["trend"])
    whole = json.loads(ask(looking, f"/sessions/{own['id']}/everything.json")[1])
    assert len(whole["reps"]) == 2
    one = list(csv.DictReader(io.StringIO(ask(looking, f"/sessions/{own['id']}/sets/1/everything.csv")[1])))
    assert [row["rep"] for row in one] == ["1", "2"]
    laid = f"/compare/{own['id']}.1.right/{own['id']}.1.right/everything"
    curves = list(csv.DictReader(io.StringIO(ask(looking, f"{laid}.csv")[1])))
    assert [row["share_pct"] for row in curves] == [*map(str, range(101))] * 2
    assert max(float(row["median_deg"]) for row in curves) > 60
    assert json.loads(ask(looking, f"{laid}.json")[1])[0]["reps"] == 2
    assert ask(looking, "/compare/1/2/everything.csv")[0] == 404
    plan = f"/athletes/{athlete(looking, 'A.B.')}/plan/everything"
    assert [row["id"] for row in csv.DictReader(io.StringIO(ask(looking, f"{plan}.csv")[1]))] == [
        *("full_can", "band_external_rotation")
    ]
    assert [version["number"] for version in json.loads(ask(looking, f"{plan}.json")[1])] == [1]
    assert ask(looking, f"/athletes/{own['athlete_id']}/plan/everything.csv")[0] == 404
    assert ask(looking, "/roster.exe")[0] == 404


def test_a_formula_does_not_run_in_a_spreadsheet(changing):
    add_athlete(changing.store, "=1+1")
    _, text = ask(changing, "/roster.csv")
    assert [row["name"] for row in csv.DictReader(io.StringIO(text)) if "1+1" in row["name"]] == ["'=1+1"]


# Who may ask, and what is typed is text.


def test_a_change_needs_the_pages_token_and_our_own_page(changing):
    number = athlete(changing, "A.B.")
    body = json.dumps({"text": "x", "author": "coach"})
    for headers in (
        {},
        {"X-Token": ""},
        {"X-Token": "wrong"},
        {"X-Token": changing.desk.token, "Origin": "http://evil.example"},
    ):
        assert ask(changing, f"/athletes/{number}/notes", "POST", body, **headers)[0] == 403
    assert (
        ask(changing, f"/athletes/{number}/notes", "POST", body, **{"X-Token": changing.desk.token, "Origin": None})[0]
        == 403
    )
    assert notes(changing.store, number) == []
    assert changing.desk.token in ask(changing, "/")[1]


def test_nothing_changes_by_get(changing):
    for path in CHANGES:
        real = path.replace("{number:number}", "1")
        status, _ = ask(changing, real, **{"X-Token": changing.desk.token})
        # The address of a plan shows its form.
        assert status == (200 if path.endswith("/plan") else 405), path


@pytest.mark.parametrize("body", ["", "[]", "null", "{", '"x"', "[" * 5000, "x" * 600_000])
def test_what_is_no_object_is_refused(changing, body):
    status, _ = ask(changing, "/athletes", "POST", body, **{"X-Token": changing.desk.token})
    assert status == 400


@pytest.mark.parametrize("path", sorted(CHANGES))
def test_fields_of_other_kinds_are_refused(changing, path):
    """Lists and numbers in the place of texts are answered, and none breaks the server."""
    real = path.replace("{number:number}", str(latest(changing, "E.F.")["id"] if "sessions" in path else 1))
    for wrong in ([1], {"a": 1}, 7, None, True):
        keys = ("name", "text", "author", "session", "set", "side", "rep", "says", "why", "fault", "drill", "decision")
        typed = dict.fromkeys((*keys, "pain", "start", "done", "dose", "note", "days", "pain_ceiling"), wrong)
        status, text = ask(changing, real, "POST", json.dumps(typed), **{"X-Token": changing.desk.token})
        assert status in (200, 422), text
        assert "Traceback" not in text


@pytest.mark.parametrize("bad", [MARKUP, SQL])
def test_markup_and_sql_in_every_text_stay_text(changing, bad):
    name = f"X {bad}"
    assert change(changing, "/athletes", name=name)[0] == 200
    number = athlete(changing, name)
    own = latest(changing, "E.F.")
    rep = {"set": "1", "side": "right", "rep": "1", "says": "clean"}
    tries = (
        (f"/athletes/{number}/notes", {"text": bad, "author": "athlete"}),
        (f"/athletes/{number}/profile", {"after_surgery": bad, "instability": bad}),
        (
            f"/athletes/{number}/plan",
            {**fields_with(band=bad, note=bad), "note": bad, "after_surgery": bad, "why": bad},
        ),
        (f"/athletes/{number}/by_hand", {"start": "2026-05-01T10:00", "done": "partly", "note": bad}),
        (f"/sessions/{own['id']}/verdicts", {**rep, "why": bad, "fault": bad}),
        (
            f"/athletes/{own['athlete_id']}/notes",
            {"text": bad, "author": "coach", "session": str(own["id"]), "set": "1"},
        ),
        (
            f"/sessions/{own['id']}/decisions",
            {"drill": "full_can", "side": "right", "decision": "accepted", "why": bad},
        ),
    )
    for path, typed in tries:
        status, answer = change(changing, path, **typed)
        assert status == 200, (path, answer)
    pages = (
        *("/", f"/athletes/{number}", f"/own/{number}", f"/athletes/{number}/plan", f"/athletes/{number}/plan/sheet"),
        *(f"/sessions/{sessions(changing.store, number)[0]['id']}", f"/athletes/{own['athlete_id']}"),
        *(f"/sessions/{own['id']}", f"/sessions/{own['id']}/sets/1"),
    )
    for path in pages:
        status, text = ask(changing, path)
        assert status == 200, path
        assert "<img src=x" not in text, path
        assert html.escape(bad).replace("&#x27;", "&#39;").replace("&quot;", "&#34;") in text, path
    assert len(everybody(changing.store)) == 14
    assert len(sessions(changing.store, own["athlete_id"])) == 24
    # In the address, too.
    for query in (f"/athletes/{number}/plan?version=", "/compare?b=&a=", f"/athletes/{number}/plan?saved="):
        status, text = ask(changing, query + quote(bad))
        assert status in (200, 422)
        assert "<img src=x" not in text


ESCAPES = (
    "..",
    "../..",
    "..%2f..",
    "%2e%2e",
    "%2e%2e%2f%2e%2e%2fetc%2fpasswd",
    "....//",
    "..\\..",
    "%00",
    "1;ls",
    "-1",
    "1e9",
    "9" * 40,
)


@pytest.mark.parametrize("escape", ESCAPES)
def test_no_path_leads_out(looking, escape):
    for path in (
        *(f"/athletes/{escape}", f"/athletes/{escape}/plan", f"/athletes/{escape}/everything.csv", f"/own/{escape}"),
        *(f"/sessions/{escape}", f"/sessions/1/sets/{escape}", f"/sessions/{escape}/report", f"/mark/{escape}/"),
        *(f"/compare/{escape}/{escape}/everything.csv", f"/athletes/{escape}/plan/everything.json"),
        *(f"/web/{escape}", f"/web/report/{escape}", f"/web/report/{escape}/html.py", f"/roster.{escape}"),
        *(
            f"/mark/{with_curves(looking)['id']}/web/{escape}",
            f"/mark/{with_curves(looking)['id']}/curves/{escape}/0/0",
        ),
    ):
        status, text = ask(looking, path)
        if status == 307:  # a slash at the end is one too many
            status, text = ask(looking, path.rstrip("/"))
        assert status in (404, 400, 405), (path, status)
        assert "root:" not in text
        assert "Traceback" not in text


def test_a_link_lets_a_device_read_one_page_and_change_nothing():
    access = Access(8232, ADDRESS)
    link = access.link_to("/own/3")
    assert link.startswith(f"http://{ADDRESS}:8232/join#")
    device = access.join(link.partition("#")[2])
    assert access.page_of(device) == "/own/3"
    assert access.let_in(ADDRESS, device, "/own/3")
    assert access.let_in(ADDRESS, device, "/web/review.css")
    for path in ("/", "/own/4", "/own/33", "/own/3/x", "/athletes/3", "/roster.csv", "/sessions/1", "/web", "/mark/1/"):
        assert not access.let_in(ADDRESS, device, path), path
    assert not access.let_in(ADDRESS, device, "/own/3", reads=False)
    # Used up; and the link to everything is another one.
    assert access.join(link.partition("#")[2]) is None
    coach = access.join(access.link.partition("#")[2])
    assert access.page_of(coach) == "/"
    assert access.let_in(ADDRESS, coach, "/athletes/3", reads=False)
    assert Access(8232).link_to("/own/3") is None


def test_the_athletes_own_page_has_no_forms_and_no_ways_out(looking):
    _, text = ask(looking, f"/own/{athlete(looking, 'E.F.')}")
    assert "E.F." in text
    for other in (
        "<form",
        "<textarea",
        'name="token"',
        'href="/athletes',
        'href="/sessions',
        'href="/"',
        "Next step, by rule",
    ):
        assert other not in text
    assert looking.desk.token not in text


def test_the_athletes_own_page_tells_nothing_that_is_the_coachs(changing):
    number = athlete(changing, "O.P.")
    for author, text in (("coach", "Watch the neck."), ("athlete", "Felt good.")):
        assert change(changing, f"/athletes/{number}/notes", text=text, author=author)[0] == 200
    _, text = ask(changing, f"/athletes/{number}")
    assert "Watch the neck." in text
    assert "meets the criteria set" in text
    _, text = ask(changing, f"/own/{number}")
    assert "Felt good." in text
    assert "Watch the neck." not in text
    assert "criteria" not in text


def test_what_is_kept_of_a_page_is_drawn_anew_when_something_changed(changing):
    own = latest(changing, "C.D.")
    page = f"/athletes/{own['athlete_id']}"
    before = ask(changing, page)[1]
    assert ask(changing, page)[1] == before
    assert change(changing, f"/sessions/{own['id']}/morning", pain="1")[0] == 200
    after = ask(changing, page)[1]
    assert after.count('class="dots morning" d="M') == 1
    assert before.count('class="dots morning" d="M') == 0
    assert change(changing, f"/athletes/{own['athlete_id']}/profile", pain_ceiling="0")[0] == 200
    assert "the ceiling is 0" in ask(changing, page)[1]


def test_who_is_deleted_is_not_remembered_by_a_server_that_runs(changing):
    who, desk = athlete(changing, "C.D."), changing.desk
    ask(changing, "/")
    ask(changing, f"/athletes/{who}")
    assert "C.D." in repr((desk.entries, desk._drawn))
    delete_athlete(changing.store, who, "Coach")
    assert ask(changing, f"/athletes/{who}")[0] == 404
    assert "C.D." not in ask(changing, "/")[1]
    until(lambda: "C.D." not in repr((desk.entries, desk._drawn, desk.standings)), "what was drawn is forgotten")


def test_what_comes_is_drawn_before_somebody_asks(changing, monkeypatch):
    who, people, drawn = athlete(changing, "C.D."), len(everybody(changing.store)), changing.desk._drawn
    until(lambda: len(drawn) == people, "everybody's trends are drawn")
    add_manual(changing.store, "C.D.", f"{TODAY}T09:00:00Z", "yes", pain=1)
    until(lambda: len(drawn) == people + 1, "the new ones are drawn")

    def late(*_):
        raise AssertionError("drawn when it was asked for")

    monkeypatch.setattr(trends, "drill_trends", late)
    assert ask(changing, f"/athletes/{who}")[0] == 200


def test_pain_of_a_set_is_held_against_the_ceiling_of_its_plan(changing):
    number = athlete(changing, "C.D.")
    own = next(row for row in sessions(changing.store, number) if row["pain_highest"] == 1.0)
    assert change(changing, f"/athletes/{number}/profile", pain_ceiling="0")[0] == 200
    assert 'class="over"' not in ask(changing, f"/sessions/{own['id']}")[1]


def test_a_link_is_refused_without_host(changing):
    status, answer = change(changing, "/athletes/1/link")
    assert status == 422
    assert "--host" in answer["text"]


def test_the_demo_is_a_command(monkeypatch, tmp_path):
    """With its own history, that is gone when it ends, and no other."""
    from click.testing import CliRunner

    from imu_shoulder.cli import cli
    from imu_shoulder.history import season
    from imu_shoulder.serve import running

    seen = []
    monkeypatch.setattr(season, "ATHLETES", season.ATHLETES[9:10])
    monkeypatch.setattr(season.build_season, "__defaults__", (0, 0))
    monkeypatch.setattr(running, "serve", lambda app, access, sockets, say, end: seen.append(access.port))
    found = CliRunner().invoke(cli, ["review", "--demo", "--port", "8391"])
    assert found.exit_code == 0, found.output
    assert seen == [8391]
    refused = CliRunner().invoke(cli, ["review", "--demo", "--db", str(tmp_path / "x.db")])
    assert refused.exit_code == 2
