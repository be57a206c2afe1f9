"""Serves the page, its socket and the report. Nothing changes by GET; commands come over our own page's socket only."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp, Receive, Scope, Send
from starlette.websockets import WebSocket, WebSocketDisconnect

from imu_shoulder.errors import ParameterError
from imu_shoulder.live.access import COMMON_HEADERS, COOKIE, LOOPBACK, Access, Bucket
from imu_shoulder.live.connections import Connection
from imu_shoulder.live.hub import Hub, Listener
from imu_shoulder.sources import Chunk

Feed = Callable[[], AsyncGenerator[Chunk, None]]
Prompt = Callable[[Chunk], None]

PAGES = 8
# Frames a page may not have acknowledged yet: it is sent the newest when it has. The page takes all that have come
# at once, and says so for every fourth: none waits behind another.
UNSEEN_FRAMES = 8
MESSAGE_BYTES = 2048
PAGE_LIMIT = (150.0, 100.0)
COMMAND_LIMIT = (10.0, 4.0)
REFUSED, TOO_MUCH, TOO_MANY, NO_TEXT = 1008, 1008, 1013, 1003
_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


class _Guard:
    """Looks at every request before anything else does."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app, self._access = app, access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        client = (scope.get("client") or (LOOPBACK, 0))[0]
        refused = self._refusal(scope, headers, client)
        if refused is None:
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": REFUSED})  # before it is accepted: HTTP 403
        else:
            await refused(scope, receive, send)

    def _refusal(self, scope: Scope, headers: Headers, client: str) -> Response | None:
        access = self._access
        if not access.host_ok(headers):
            return _said(421, "This server answers to its own address only.", headers, access)
        if not access.requests.take(client):
            return _said(429, "Too many requests; wait a few seconds.", headers, access)
        if (scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")) and not access.origin_ok(headers):
            return _said(403, "Only this server's own page may do that.", headers, access)
        open_to_all = scope["path"] in ("/join", "/web/join.js", "/web/live.css")
        if not open_to_all and not access.let_in(client, _cookie(headers)):
            return _said(403, "Open the one-time link that the terminal shows.", headers, access)
        return None


def _cookie(headers: Headers) -> str | None:
    for part in headers.get("cookie", "").split(";"):
        name, _, value = part.strip().partition("=")
        if name == COOKIE:
            return value
    return None


def _said(status: int, text: str, headers: Mapping[str, str], access: Access) -> Response:
    return PlainTextResponse(text + "\n", status, headers=access.page_headers(headers))


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
    assets = resources.files("imu_shoulder.live") / "web"
    files = {item.name: item.read_bytes() for item in assets.iterdir() if Path(item.name).suffix in _TYPES}

    def web(request: Request, name: str) -> Response:
        if name not in files:
            return _said(404, "There is no such page.", request.headers, access)
        kind = _TYPES[Path(name).suffix]
        return Response(files[name], media_type=kind, headers=access.page_headers(request.headers))

    async def page(request: Request) -> Response:
        return web(request, "live.html")

    async def asset(request: Request) -> Response:
        return web(request, request.path_params["name"])

    async def report(request: Request) -> Response:
        path = hub.saved["report"]
        if path is None or not Path(path).is_file():
            return _said(404, "There is no report yet: it comes when the session has ended.", request.headers, access)
        # The report carries a policy with the hashes of its own scripts.
        return FileResponse(path, media_type="text/html", headers={**COMMON_HEADERS, "X-Frame-Options": "DENY"})

    async def join(request: Request) -> Response:
        if request.method in ("GET", "HEAD"):
            return web(request, "join.html")
        client = request.client.host if request.client else LOOPBACK
        if not access.attempts.take(client):
            return _said(429, "Too many tries; wait a minute.", request.headers, access)
        body = await _body(request)
        device = None if body is None else access.join(body)
        if device is None:
            return _said(403, "This link is used up or wrong; open the newest one.", request.headers, access)
        tell(access.link or "")
        answer = _said(200, "Welcome.", request.headers, access)
        answer.set_cookie(COOKIE, device, httponly=True, samesite="strict", path="/")
        return answer

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
        Route("/", page, methods=["GET"]),
        Route("/web/{name}", asset, methods=["GET"]),
        Route("/report", report, methods=["GET"]),
        Route("/join", join, methods=["GET", "POST"]),
        WebSocketRoute("/live", live),
    ]
    return _Guard(Starlette(routes=routes, lifespan=lifespan), access)


async def _body(request: Request) -> str | None:
    """The text of a small request, None for a large one or one that is no text."""
    got = b""
    async for part in request.stream():
        got += part
        if len(got) > MESSAGE_BYTES:
            return None
    try:
        return got.decode()
    except UnicodeDecodeError:
        return None


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


def bind(address: str, port: int) -> socket.socket:
    """A listening socket. Raises ParameterError where the address or port cannot be had."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((address, port))
    except OSError as error:
        listening.close()
        raise ParameterError(
            f"port {port} of {address} to be free", f"it cannot be had ({error.strerror})", "give another with --port"
        ) from error
    return listening


def make_server(app: ASGIApp) -> uvicorn.Server:
    config = uvicorn.Config(
        app,
        ws="websockets-sansio",
        http=Connection,
        ws_max_size=2 * MESSAGE_BYTES,
        ws_per_message_deflate=False,
        ws_ping_interval=10,
        ws_ping_timeout=20,
        proxy_headers=False,
        server_header=False,
        date_header=False,
        access_log=False,
        log_level="warning",
        limit_concurrency=64,
        timeout_keep_alive=10,
        timeout_graceful_shutdown=3,
    )
    return uvicorn.Server(config)
