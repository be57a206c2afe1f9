"""Connections that never finish a request: they wait for a few seconds only, and keep nobody else out."""

from __future__ import annotations

import asyncio
import itertools

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

# A page of ours sends a whole request at once; a slow network takes a second.
REQUEST_S = 5.0
# A browser opens six connections to a server at most (common practice), a second page on the same machine as many.
PER_ADDRESS = 16
_WAITING = (h11.IDLE, h11.SEND_BODY)
_number = itertools.count()


class Connection(H11Protocol):
    """HTTP, with a limit on how long a request may take to come, and on connections of one address.

    Over the limit the oldest one that no answer is being made for is closed: a flood of half-open ones pushes itself
    out, and a page from the same address still gets in.
    """

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._number = next(_number)
        self._timer: asyncio.TimerHandle | None = None
        self._wait()
        mine = [one for one in self.connections if isinstance(one, Connection) and one.address == self.address]
        if len(mine) > PER_ADDRESS:
            waiting = [one for one in mine if one.waits] or [self]
            oldest = min(waiting, key=lambda one: one._number)
            oldest.drop()

    def connection_lost(self, exc: Exception | None) -> None:
        self._done()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        upgraded = self not in self.connections  # to a page's socket, which has pings of its own
        if self.conn.their_state in _WAITING and not upgraded:
            self._wait()
        else:
            self._done()

    @property
    def address(self) -> str | None:
        return self.client[0] if self.client else None

    @property
    def waits(self) -> bool:
        """No answer is being made."""
        return self.cycle is None or self.cycle.response_complete

    def drop(self) -> None:
        self.connections.discard(self)
        self.transport.abort()

    def _wait(self) -> None:
        if self._timer is None:
            self._timer = self.loop.call_later(REQUEST_S, self.drop)

    def _done(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
