"""Who may talk to the live server, and that it sends the newest frame and never a queue."""

from __future__ import annotations

import asyncio
import http.client
import json
import socket
import subprocess
import sys
from dataclasses import replace

import pytest
from live_fake import FakeSession, chunk
from live_server import Running, small_report
from waiting import GUARD_S, until

pytest.importorskip("starlette", reason="the live part is not installed")
websockets = pytest.importorskip("websockets.sync.client", reason="the live part is not installed")

from websockets.exceptions import ConnectionClosed, InvalidStatus  # noqa: E402

from imu_shoulder.errors import ParameterError  # noqa: E402
from imu_shoulder.live.hub import RECENT, About, Hub  # noqa: E402
from imu_shoulder.live.server import COMMAND_LIMIT, PAGE_LIMIT, UNSEEN_FRAMES  # noqa: E402
from imu_shoulder.live.session_log import Keeper  # noqa: E402
from imu_shoulder.log.entries import EventEntry, unpack  # noqa: E402
from imu_shoulder.log.records import EVENT, SAMPLES, LogError, read_log  # noqa: E402
from imu_shoulder.model import ArmCount, Event  # noqa: E402
from imu_shoulder.serve.access import Access, Bucket, Buckets, check_host  # noqa: E402
from imu_shoulder.sources.folder import read_recording  # noqa: E402

ADDRESS = "192.0.2.7"  # TEST-NET-1, RFC 5737: nobody's


@pytest.fixture
def running(tmp_path):
    with Running(tmp_path / "session", FakeSession(stage="ready")) as found:
        yield found


def ask(running, path="/", method="GET", headers=None, body=None):
    """One request with exactly these headers. Host: our own if not given."""
    link = http.client.HTTPConnection("127.0.0.1", running.port, timeout=GUARD_S)
    given = {"Host": f"127.0.0.1:{running.port}", **(headers or {})}
    link.putrequest(method, path, skip_host=True)
    for name, value in given.items():
        link.putheader(name, value)
    if body is not None:
        link.putheader("Content-Length", str(len(body)))
    link.endheaders(body)
    answer = link.getresponse()
    text = answer.read().decode()
    link.close()
    return answer, text


def own(running):
    return f"http://127.0.0.1:{running.port}"


def join_socket(running, **options):
    options.setdefault("origin", own(running))
    return websockets.connect(f"ws://127.0.0.1:{running.port}/live", compression=None, **options)


def tell(ws, name, **args):
    """Give a command and return its answer."""
    ws.send(json.dumps({"id": 7, "do": name, "args": args}))
    while True:
        message = json.loads(ws.recv(timeout=GUARD_S))
        if message["type"] == "frame":
            ws.send(json.dumps({"seen": message["number"]}))
        elif message["type"] == "answer":
            assert message["id"] == 7
            return message


def flood(ws):
    for _ in range(1000):
        ws.send('{"seen": 1}')
    read_on(ws)


def read_on(ws):
    """Until the server hangs up."""
    while True:
        ws.recv(timeout=GUARD_S)


def test_the_page_and_its_parts_come_with_a_policy(running):
    for path in ("/", "/web/live.css", "/web/live.js", "/web/arm.js"):
        answer, _ = ask(running, path)
        assert answer.status == 200
        policy = answer.getheader("Content-Security-Policy")
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert answer.getheader("X-Content-Type-Options") == "nosniff"
        assert answer.getheader("Access-Control-Allow-Origin") is None


@pytest.mark.parametrize("path", ["/web/..%2fserver.py", "/web/../server.py", "/etc/passwd", "/web/", "/docs"])
def test_nothing_else_is_served(running, path):
    assert ask(running, path)[0].status == 404


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "rebound.example:{port}", ""])
def test_another_host_is_refused(running, host):
    """A name that was rebound to this machine: RFC 9110 section 7.4, misdirected requests get 421."""
    assert ask(running, headers={"Host": host.format(port=running.port)})[0].status == 421


@pytest.mark.parametrize(
    "origin", [None, "http://evil.example", "null", "https://127.0.0.1:{port}", "http://127.0.0.1:1"]
)
def test_a_socket_of_another_origin_is_refused(running, origin):
    origin = origin and origin.format(port=running.port)
    with pytest.raises(InvalidStatus) as refused, join_socket(running, origin=origin):
        pass
    assert refused.value.response.status_code == 403
    assert running.session.stage == "ready"


def test_a_socket_to_another_host_is_refused(running):
    with (
        pytest.raises(InvalidStatus),
        join_socket(running, origin="http://evil.example", additional_headers={"Host": "evil.example"}),
    ):
        pass


def test_nothing_changes_by_get(running):
    for path in ("/start_set", "/live?do=start_set", "/?do=start_set", "/join?token=x", "/report"):
        ask(running, path)
    assert running.session.stage == "ready"
    assert ask(running, "/", "POST", {"Origin": own(running)}, b"x")[0].status == 405


def test_commands_are_answered_with_a_sentence(running):
    with join_socket(running) as ws:
        assert tell(ws, "start_set") == {"type": "answer", "id": 7, "taken": True, "text": "The set runs."}
        assert tell(ws, "next_drill")["text"] == "End the set first."
        assert tell(ws, "format_disk")["taken"] is False
        assert tell(ws, "pain", value=11)["taken"] is False
        assert tell(ws, "pain", value="2")["taken"] is False
        assert tell(ws, "note", text="n" * 301)["taken"] is False
        assert tell(ws, "note", text=" \n")["taken"] is False
        assert tell(ws, "note")["taken"] is False
        assert tell(ws, "note", text="!")["taken"] is True
        assert tell(ws, "note", text="left band, red")["taken"] is True
    assert running.session.notes == ["!", "left band, red"]


def test_too_many_commands_are_slowed_and_a_flood_is_cut_off(running, monkeypatch):
    """Without what is let through again as time passes: that is for the test of the buckets."""
    monkeypatch.setattr("imu_shoulder.live.server.COMMAND_LIMIT", (COMMAND_LIMIT[0], 0.0))
    with join_socket(running) as ws:
        taken = [tell(ws, "note", text="felt light")["taken"] for _ in range(14)]
        assert taken == [True] * 10 + [False] * 4
    monkeypatch.setattr("imu_shoulder.live.server.PAGE_LIMIT", (PAGE_LIMIT[0], 0.0))
    with join_socket(running) as ws, pytest.raises(ConnectionClosed):
        flood(ws)


@pytest.mark.parametrize("sent", ["no json", "[1]", '"x"', "x" * 3000])
def test_what_no_page_of_ours_sends_ends_the_connection(running, sent):
    with join_socket(running) as ws:
        ws.send(sent)
        with pytest.raises(ConnectionClosed):
            read_on(ws)


def test_too_many_requests_are_refused(running):
    running.access.requests._per_s = 0.0
    found = [ask(running, "/web/live.css")[0].status for _ in range(70)]
    assert found == [200] * 60 + [429] * 10


def test_a_page_that_does_not_look_gets_the_newest_frame_and_no_queue(running):
    with join_socket(running) as ws:
        numbers = []
        for _ in range(9):
            message = json.loads(ws.recv(timeout=GUARD_S))
            if message["type"] == "frame":
                numbers.append(message["number"])
        until(lambda: running.hub.number >= numbers[-1] + 20, "the session goes on by twenty frames")
        # The answer to a ping comes behind all that was sent before it.
        assert ws.ping().wait(GUARD_S)
        with pytest.raises(TimeoutError):
            ws.recv(timeout=0)
        made = running.hub.number
        ws.send(json.dumps({"seen": numbers[-1]}))
        newest = json.loads(ws.recv(timeout=GUARD_S))
        assert len(numbers) == UNSEEN_FRAMES
        assert newest["number"] > made - RECENT
        # What was seen no longer counts: as many again may be on their way.
        for _ in range(UNSEEN_FRAMES - 1):
            ws.recv(timeout=GUARD_S)


def test_two_pages_are_shown_the_same(running):
    with join_socket(running) as one, join_socket(running) as two:
        tell(one, "start_set")
        for ws in (one, two):
            frames = [json.loads(ws.recv(timeout=GUARD_S)) for _ in range(4)]
            last = [m for m in frames if m["type"] == "frame"]
            ws.send(json.dumps({"seen": 10**9}))
            assert last
        for ws in (one, two):
            while json.loads(ws.recv(timeout=GUARD_S)).get("frame", {}).get("stage") != "set":
                ws.send(json.dumps({"seen": 10**9}))


def test_without_host_only_this_machine_is_listened_to(running):
    outside = [
        info[4][0]
        for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        if not info[4][0].startswith("127.")
    ]
    for address in outside:
        with pytest.raises(OSError, match=r".+"):
            socket.create_connection((address, running.port), timeout=1)


def test_silence_is_told(tmp_path):
    async def short():
        for number in range(1, 5):
            await asyncio.sleep(0.02)
            yield chunk(0.02 * number)
        await asyncio.Event().wait()

    with Running(tmp_path / "session", FakeSession(), feed=short) as running, join_socket(running) as ws:
        silent = False
        while not silent:
            message = json.loads(ws.recv(timeout=GUARD_S))
            if message["type"] == "frame":
                silent = message["silent"]
                ws.send(json.dumps({"seen": message["number"]}))
        assert silent


# A device elsewhere in the network. Requests from this machine stand for it, with a client's address of its own.


def elsewhere(running, monkeypatch):
    """Make every client look as if it came from another machine."""
    monkeypatch.setattr("imu_shoulder.serve.access.ip_address", _Elsewhere)


class _Elsewhere:
    def __init__(self, _):
        self.is_loopback = False


def test_a_link_lets_one_device_in_once(running, monkeypatch):
    running.access.host, running.access._token = ADDRESS, "first"
    elsewhere(running, monkeypatch)
    assert ask(running)[0].status == 403
    assert ask(running, "/join")[0].status == 200
    posted = {"Origin": own(running)}
    assert ask(running, "/join", "POST", posted, b"wrong")[0].status == 403
    assert ask(running, "/join", "POST", {"Origin": "http://evil.example"}, b"first")[0].status == 403
    answer, _ = ask(running, "/join", "POST", posted, b"first")
    assert answer.status == 200
    cookie = answer.getheader("Set-Cookie")
    assert "HttpOnly" in cookie
    assert "samesite=strict" in cookie.lower()
    assert ask(running, "/join", "POST", posted, b"first")[0].status == 403
    assert len(running.told) == 1
    assert "/join#" in running.told[0]
    assert running.told[0] != f"http://{ADDRESS}:{running.port}/join#first"
    device = {"Cookie": cookie.partition(";")[0]}
    assert ask(running, headers=device)[0].status == 200
    assert ask(running, headers={"Cookie": device["Cookie"] + "x"})[0].status == 403
    with join_socket(running, additional_headers=device) as ws:
        assert json.loads(ws.recv(timeout=GUARD_S))["type"] == "hello"
    with pytest.raises(InvalidStatus), join_socket(running):
        pass


def test_links_cannot_be_guessed_at_speed(running, monkeypatch):
    running.access.host, running.access._token = ADDRESS, "first"
    elsewhere(running, monkeypatch)
    posted = {"Origin": own(running)}
    statuses = [ask(running, "/join", "POST", posted, b"guess")[0].status for _ in range(8)]
    assert statuses[:5] == [403] * 5
    assert statuses[5:] == [429] * 3


def test_without_a_link_nobody_can_join(running):
    assert running.access.link is None
    assert ask(running, "/join", "POST", {"Origin": own(running)}, b"")[0].status == 403


def test_only_an_address_of_this_machine_can_be_the_host():
    assert check_host("192.168.1.20") == "192.168.1.20"
    for wrong in ("0.0.0.0", "::", "127.0.0.1", "tablet.local", "", "224.0.0.1"):
        with pytest.raises(ParameterError, match="--host"):
            check_host(wrong)


def test_the_link_names_the_address_and_hides_the_token_from_logs():
    link = Access(8230, ADDRESS).link
    head, token = link.split("#")
    assert head == f"http://{ADDRESS}:8230/join"
    assert len(token) >= 32
    assert Access(8230, ADDRESS).link != link


def test_buckets():
    now = [0.0]
    bucket = Bucket(2, 1, lambda: now[0])
    assert [bucket.take() for _ in range(3)] == [True, True, False]
    now[0] = 1.0
    assert [bucket.take() for _ in range(2)] == [True, False]
    each = Buckets(1, 0.0, addresses=2)
    assert [each.take(name) for name in ("a", "a", "b", "c")] == [True, False, True, True]


# What is kept.


def test_the_session_is_saved_as_it_was_received(running):
    until(lambda: running.session.t > 0.5, "half a second of samples")
    with join_socket(running) as ws:
        tell(ws, "start_set")
        until(lambda: running.session.t > running.session.set_s + 0.4, "a short set")
        tell(ws, "stop_set")
        tell(ws, "pain", value=1)
        assert tell(ws, "finish")["taken"] is True
        assert tell(ws, "start_set")["text"] == "The session has ended."
    until(lambda: running.hub.saved["state"] not in ("running", "saving"), "the session is saved")
    assert running.hub.saved["state"] == "saved"
    folder = running.folder
    assert running.hub.saved["folder"] == str(folder)
    recording = read_recording(folder)
    assert recording.athlete == "M.K."
    assert [event.trial_type for event in recording.events] == ["neutral_pose", "set"]
    stream = recording.streams["left_wrist"]
    assert stream.time_s[:4] == pytest.approx([0.01, 0.02, 0.03, 0.04])
    assert (folder / "recording.log").exists()
    assert not folder.with_name("session.log").exists()
    answer, text = ask(running, "/report")
    assert answer.status == 200
    assert "2 events" in text


def test_what_no_page_would_send_is_not_taken_and_a_first_note_stands_at_the_beginning(tmp_path):
    """Before any sample has come, second 0 of the session's clock."""
    keeper = Keeper(tmp_path / "session", "M.K.", None, keeps_samples=True)
    hub = Hub(FakeSession(stage="ready"), keeper, About("M.K.", "demo", (), (), small_report))
    for args in ([3], "3", {"value": True}, {"value": "3"}, {}, None):
        assert not hub.command("pain", args).taken
    assert not hub.command("note", ["new band"]).taken
    assert not hub.command(["note"], {"text": "new band"}).taken
    assert hub.command("note", {"text": "new band"}).taken
    keeper.close(0.0)
    entries = [
        unpack(EventEntry, record.payload) for record in read_log(keeper.log_path).records if record.kind == EVENT
    ]
    assert [(entry.text, entry.host_ns) for entry in entries] == [("new band", 0)]


def test_a_session_that_never_began_leaves_nothing(tmp_path):
    keeper = Keeper(tmp_path / "session", "M.K.", None, keeps_samples=False)
    keeper.give_up()
    assert not any(tmp_path.iterdir())


def test_what_is_said_of_a_set_after_its_session_was_killed_and_goes_on_is_kept(tmp_path):
    keeper = Keeper(tmp_path / "session", "M.K.", None, keeps_samples=False)
    done = Event(10.0, 20.0, "set", "full_can", "right", pain=1.0)
    keeper._before = (done,)
    keeper.went_on([done])
    assert keeper.events([done]) == (done,)
    for said in (replace(done, note="new band"), replace(done, pain=2.0), replace(done, pain=2.0, note="new band")):
        assert keeper.events([said]) == (said,)
    keeper.close(40.0)


@pytest.mark.parametrize(
    ("count", "told"), [((3, 0), [("counted", 3.0)]), ((3, 1), [("counted", 3.0), ("extra", 1.0)])]
)
def test_what_was_counted_in_a_set_is_in_the_log(count, told, tmp_path):
    keeper = Keeper(tmp_path / "session", "M.K.", None, keeps_samples=False)
    counted, extra = count
    keeper.counted([], 5.0)
    keeper.counted([Event(10.0, 20.0, "set", "full_can", "right", counts=(ArmCount("right", counted, extra),))], 31.0)
    keeper.close(40.0)
    entries = [
        unpack(EventEntry, record.payload) for record in read_log(keeper.log_path).records if record.kind == EVENT
    ]
    assert [(entry.what, entry.value) for entry in entries] == told
    assert {entry.side for entry in entries} == {"right"}


def test_a_few_chunks_of_a_sensor_make_one_record_of_the_log(tmp_path):
    """Five: at ten chunks a second no more than half a second is lost with a session that is killed."""
    keeper = Keeper(tmp_path / "session", "M.K.", None, keeps_samples=True)
    for k in range(1, 12):
        keeper.samples(chunk(0.02 * k, placements=("left_wrist",)).streams)
    keeper.close(0.5)
    samples = [record for record in read_log(keeper.log_path).records if record.kind == SAMPLES]
    # The last one holds what was waiting when the session ended.
    assert len(samples) == 3


def test_what_waited_for_the_log_when_the_session_ended_is_in_the_recording(tmp_path):
    """Three chunks of a sensor, which are fewer than make a record."""
    keeper = Keeper(tmp_path / "session", "M.K.", None, keeps_samples=True)
    hub = Hub(FakeSession(stage="ready"), keeper, About("M.K.", "demo", (), (), small_report))
    sent = [chunk(0.02 * k, placements=("left_wrist",)).streams for k in range(1, 4)]
    for streams in sent:
        keeper.samples(streams)
    hub._write((), 0.1)
    rows = sum(len(streams["left_wrist"].time_s) for streams in sent)
    assert len(read_recording(tmp_path / "session").streams["left_wrist"].time_s) == rows


def test_a_report_that_fails_is_said_and_the_recording_is_there(tmp_path):
    def broken(recording, out):
        raise ParameterError("a disk with room", "it is full", "free some")

    with Running(tmp_path / "session", FakeSession(stage="ready"), analyse=broken) as running:
        with join_socket(running) as ws:
            until(lambda: running.session.t > 0.1, "some samples")
            tell(ws, "finish")
        until(lambda: running.hub.saved["state"] not in ("running", "saving"), "saving has ended")
        assert running.hub.saved["state"] == "failed"
        assert "it is full" in running.hub.saved["text"]
        assert ask(running, "/report")[0].status == 404
    assert read_recording(tmp_path / "session").athlete == "M.K."


def test_stopping_the_server_saves(tmp_path):
    with Running(tmp_path / "session", FakeSession(stage="ready")) as running:
        until(lambda: running.session.t > 0.2, "some samples")
    assert (tmp_path / "session" / "results" / "report.html").exists()


CRASHING = """
import sys, os, time
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from live_fake import chunk
from imu_shoulder.live.session_log import Keeper
keeper = Keeper(Path(sys.argv[1]), "M.K.", "2025-03-04T09:30:00+01:00", keeps_samples=True)
for number in range(1, 201):
    keeper.samples(chunk(0.02 * number).streams)
    if number == 50:
        keeper.command("start_set", {}, 1.0, {"id": "full_can", "side": "right"})
    if number == 150:
        keeper.command("stop_set", {}, 3.0, None)
        keeper.command("pain", {"value": 1}, 3.0, None)
while keeper.log.waiting or keeper.log.written < 2 + 200 // 5 * 4 + 3:
    time.sleep(0.01)
os.kill(os.getpid(), 9)
"""


def test_a_killed_session_is_saved_from_its_log(tmp_path):
    from pathlib import Path

    folder = tmp_path / "session"
    command = [sys.executable, "-c", CRASHING, str(folder), str(Path(__file__).parent)]
    assert subprocess.run(command, timeout=GUARD_S).returncode == -9
    log = folder.with_name("session.log")
    with pytest.raises(LogError, match="imu-shoulder recover"):
        Keeper(folder, "M.K.", None, keeps_samples=True)
    recover = [sys.executable, "-m", "imu_shoulder", "recover", str(log)]
    done = subprocess.run(recover, capture_output=True, text=True, timeout=GUARD_S)
    assert done.returncode == 0, done.stderr
    assert "the recording was not stopped in order" in done.stdout
    recording = read_recording(folder)
    assert len(recording.streams["right_wrist"].time_s) == 400
    (event,) = recording.events
    assert (event.trial_type, event.drill, event.side, event.pain) == ("set", "full_can", "right", 1)
    assert (event.onset_s, event.duration_s) == pytest.approx((1.0, 2.0))


def test_the_stand_in_has_the_engines_interface():
    """The tests above are about the server; this holds their session against the real one."""
    from imu_shoulder.drills import load_shipped
    from imu_shoulder.live.replay import plan_for_drill
    from imu_shoulder.live.session import LiveSession

    plan = plan_for_drill(load_shipped("full_can"), "right", "M.K.")
    real = LiveSession(plan, {}, {"right_wrist": 100.0, "right_upper_arm": 100.0})
    fake = FakeSession(stage="calibrate")
    for number in range(1, 51):
        streams = chunk(0.02 * number, placements=("right_wrist", "right_upper_arm")).streams
        real.push(streams)
        fake.push(streams)
    ours, theirs = fake.frame(), real.frame()
    assert set(ours) == set(theirs)
    for key in ("drill", "calibration"):
        assert set(ours[key]) == set(theirs[key]), key
    assert set(ours["sensors"]["right_wrist"]) == set(theirs["sensors"]["right_wrist"])
    json.dumps(theirs, allow_nan=False)
