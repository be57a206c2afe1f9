"""Serves the page, its socket and the report. Nothing changes by GET; commands come over our own page's socket only."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncGenerator, AsyncIterator, Callable
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp
from starlette.websockets import WebSocket, WebSocketDisconnect

from imu_shoulder.live.hub import Hub, Listener
from imu_shoulder.serve.access import Access, Bucket
from imu_shoulder.serve.pages import MESSAGE_BYTES, REFUSED, Assets, Guard, join_route, report_answer
from imu_shoulder.sources import Chunk

Feed = Callable[[], AsyncGenerator[Chunk, None]]
Prompt = Callable[[Chunk], None]

PAGES = 8
# Frames a page may not have acknowledged yet: it is sent the newest when it has. The page takes all that have come
# at once, and says so for every fourth: none waits behind another.
UNSEEN_FRAMES = 8
PAGE_LIMIT = (150.0, 100.0)
COMMAND_LIMIT = (10.0, 4.0)
TOO_MUCH, TOO_MANY, NO_TEXT = 1008, 1013, 1003


def make_app(
    hub: Hub,
    access: Access,
    feed: Feed,
    prompt: Prompt = lambda chunk: None,
    tell: Callable[[str], None] = lambda link: None,
) -> ASGIApp:
    """The whole server.

    feed: called once it runs. prompt: told each chunk after it was shown, to give the commands that a recording holds.
    tell: given the next one-time link when one was used.
    """
    assets = Assets("imu_shoulder.live", access)

    async def report(request: Request) -> Response:
        missing = "There is no report yet: it comes when the session has ended."
        return report_answer(hub.saved["report"], missing, request, access)

    async def live(ws: WebSocket) -> None:
        if len(hub.listeners) >= PAGES:
            await ws.close(TOO_MANY)
            return
        await ws.accept()
        await _Page(ws, hub).run()

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        tasks = [
            asyncio.create_task(_pump(hub, feed, prompt), name="feed"),
            asyncio.create_task(hub.beat(), name="beat"),
        ]
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            if not hub.ended.is_set():
                hub.session.command("finish")
            await hub.finish()

    routes = [
        *assets.routes("live.html"),
        Route("/report", report, methods=["GET"]),
        join_route(assets, access, tell),
        WebSocketRoute("/live", live),
    ]
    return Guard(Starlette(routes=routes, lifespan=lifespan), access)


async def _pump(hub: Hub, feed: Feed, prompt: Prompt) -> None:
    async with contextlib.aclosing(feed()) as chunks:
        async for chunk in chunks:
            # What begins in these samples is begun before they come.
            prompt(chunk)
            hub.push(chunk.streams)
            if hub.ended.is_set():
                return


class _Page:
    """One open page: the newest frame goes out, commands and acknowledgements come in."""

    def __init__(self, ws: WebSocket, hub: Hub) -> None:
        self._ws, self._hub = ws, hub
        self._listener = Listener()
        self._unseen: list[int] = []
        self._all = Bucket(*PAGE_LIMIT)
        self._commands = Bucket(*COMMAND_LIMIT)

    async def run(self) -> None:
        hub = self._hub
        hub.listeners.add(self._listener)
        sender = asyncio.create_task(self._send())
        try:
            await self._receive()
        except (WebSocketDisconnect, RuntimeError):
            pass  # gone; starlette raises the second where a send had noticed it first
        finally:
            hub.listeners.discard(self._listener)
            sender.cancel()
            with contextlib.suppress(asyncio.CancelledError, WebSocketDisconnect, RuntimeError):
                await sender

    async def _send(self) -> None:
        await self._ws.send_text(self._hub.hello())
        self._listener.told = self._hub.number - 1
        self._listener.woken.set()
        while True:
            await self._listener.woken.wait()
            self._listener.woken.clear()
            for number, message in self._hub.news(self._listener):
                self._listener.told = number
                if len(self._unseen) < UNSEEN_FRAMES:
                    self._unseen.append(number)
                    await self._ws.send_text(message)

    async def _receive(self) -> None:
        while True:
            message = await self._ws.receive()
            if message["type"] == "websocket.disconnect":
                return
            text = message.get("text")
            if text is None:
                await self._ws.close(NO_TEXT)
                return
            if not self._all.take() or len(text) > MESSAGE_BYTES:
                await self._ws.close(TOO_MUCH)
                return
            try:
                said: Any = json.loads(text)
            except (ValueError, RecursionError):
                said = None
            if not isinstance(said, dict):
                await self._ws.close(REFUSED)
                return
            if "seen" in said:
                self._seen(said["seen"])
            else:
                await self._answer(said)

    def _seen(self, number: object) -> None:
        before = len(self._unseen)
        self._unseen = [n for n in self._unseen if not isinstance(number, int) or n > number]
        if before >= UNSEEN_FRAMES > len(self._unseen):
            self._listener.woken.set()

    async def _answer(self, said: dict[str, Any]) -> None:
        number = said.get("id")
        if not self._commands.take():
            taken, text = False, "Too many commands at once; wait a second."
        else:
            answer = self._hub.command(said.get("do"), said.get("args"))
            taken, text = answer.taken, answer.text
        reply = {"type": "answer", "id": number if isinstance(number, int) else None, "taken": taken, "text": text}
        await self._ws.send_text(json.dumps(reply))
