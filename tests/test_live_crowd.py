"""Connections that never say anything whole, and messages that no page sends: the server goes on for everybody else."""

from __future__ import annotations

import http.client
import logging
import socket

import pytest
from live_fake import FakeSession
from live_server import Running
from waiting import GUARD_S, until

websockets = pytest.importorskip("websockets.sync.client", reason="the live part is not installed")
pytest.importorskip("starlette", reason="the live part is not installed")

from websockets.exceptions import ConnectionClosed  # noqa: E402

from imu_shoulder.serve import connections  # noqa: E402
from imu_shoulder.serve.access import Access  # noqa: E402

START = b"GET / HTTP/1.1\r\nHost: x"


@pytest.fixture
def running(tmp_path):
    with Running(tmp_path / "session", FakeSession(stage="ready")) as found:
        yield found


def half_open(running, said: bytes = START) -> socket.socket:
    link = socket.create_connection(("127.0.0.1", running.port), timeout=GUARD_S)
    link.sendall(said)
    return link


def read_on(ws) -> None:
    while True:
        ws.recv(timeout=GUARD_S)


def page(running) -> int:
    """The status of a request for the page."""
    link = http.client.HTTPConnection("127.0.0.1", running.port, timeout=GUARD_S)
    link.request("GET", "/")
    status = link.getresponse().status
    link.close()
    return status


def closed(link: socket.socket) -> bool:
    try:
        return link.recv(1000) == b""
    except ConnectionResetError:
        return True


@pytest.mark.parametrize("said", [b"", START])
def test_half_open_connections_lock_nobody_out(running, said):
    links = [half_open(running, said) for _ in range(120)]
    assert page(running) == 200
    with websockets.connect(
        f"ws://127.0.0.1:{running.port}/live", compression=None, origin=f"http://127.0.0.1:{running.port}"
    ) as ws:
        assert "hello" in ws.recv(timeout=GUARD_S)
    for link in links:
        link.close()


@pytest.mark.parametrize("before", [b"", b"GET / HTTP/1.1\r\nHost: {host}\r\n\r\n"])
def test_a_request_that_never_ends_is_not_waited_for(running, monkeypatch, before):
    """As the first on a connection, or after one that was answered."""
    monkeypatch.setattr(connections, "REQUEST_S", 0.2)
    link = half_open(running, before.replace(b"{host}", f"127.0.0.1:{running.port}".encode()))
    if before:
        assert link.recv(100_000).startswith(b"HTTP/1.1 200")
    link.sendall(START)
    until(lambda: closed(link), "the connection is closed")
    assert page(running) == 200


def test_an_open_page_is_not_closed_by_the_limit(running, monkeypatch):
    monkeypatch.setattr(connections, "REQUEST_S", 0.2)
    with websockets.connect(
        f"ws://127.0.0.1:{running.port}/live", compression=None, origin=f"http://127.0.0.1:{running.port}"
    ) as ws:
        links = [half_open(running) for _ in range(40)]
        for link in links:
            until(lambda link=link: closed(link), "a half-open connection is closed")
        ws.send('{"seen": 1}')
        for _ in range(3):
            assert ws.recv(timeout=GUARD_S)


@pytest.mark.parametrize(("sent", "code"), [(b"\x00\xff\xfe", 1003), (b'{"seen": 1}', 1003), ("[" * 2000, 1008)])
def test_what_is_no_message_ends_the_page_and_nothing_else(running, caplog, sent, code):
    with (
        caplog.at_level(logging.ERROR),
        websockets.connect(
            f"ws://127.0.0.1:{running.port}/live", compression=None, origin=f"http://127.0.0.1:{running.port}"
        ) as ws,
    ):
        ws.send(sent)
        with pytest.raises(ConnectionClosed) as ended:
            read_on(ws)
    assert ended.value.rcvd.code == code
    assert page(running) == 200
    assert caplog.records == []


@pytest.mark.parametrize("cookie", ["\xfc\xff", "\u20ac", ""])
def test_a_cookie_of_any_letters_lets_nobody_in(cookie):
    access = Access(8230, "192.0.2.1")
    assert access.join(access.link.partition("#")[2])
    assert not access.let_in("192.0.2.7", cookie)
