"""Runs a server until it is stopped, and shows the one-time link for one more device."""

from __future__ import annotations

import asyncio
import contextlib
import io
from collections.abc import Callable, Iterator
from socket import socket

import segno
from starlette.types import ASGIApp

from imu_shoulder.serve.access import LOOPBACK, Access, check_host, netloc
from imu_shoulder.serve.pages import bind, make_server


@contextlib.contextmanager
def listening(port: int, host: str | None) -> Iterator[tuple[Access, list[socket]]]:
    """Who may come, and the sockets they come by. host: this machine's address for other devices. Raises ShoulderError.

    The port is taken before any work is done.
    """
    access = Access(port, None if host is None else check_host(host))
    sockets = [bind(address, port) for address in dict.fromkeys([LOOPBACK, access.host or LOOPBACK])]
    try:
        yield access, sockets
    finally:
        for one in sockets:
            one.close()


def serve(app: ASGIApp, access: Access, sockets: list[socket], say: Callable[[str], None], end: str) -> None:
    """Until Ctrl-C. end: what that does, in words."""
    server = make_server(app)
    say(f"Open http://{netloc(LOOPBACK, access.port)}/ on this computer. Ctrl-C {end}.")
    if access.link is not None:
        tell_link(say, access.link)
    loop_factory = server.config.get_loop_factory()
    with contextlib.suppress(KeyboardInterrupt), asyncio.Runner(loop_factory=loop_factory) as runner:
        runner.run(server.serve(sockets=sockets))


def tell_link(say: Callable[[str], None], link: str) -> None:
    picture = io.StringIO()
    segno.make(link, error="m").terminal(picture, compact=True, border=2)
    say(f"One-time link for one more device in your network:\n{link}\n{picture.getvalue()}")
