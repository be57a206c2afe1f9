"""A server on this machine: looks at each request before anything else does, and sends pages with their policy."""

from __future__ import annotations

import socket
from collections.abc import Callable, Mapping
from importlib import resources
from pathlib import Path

import uvicorn
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.responses import FileResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from imu_shoulder.errors import ParameterError
from imu_shoulder.serve.access import COMMON_HEADERS, COOKIE, LOOPBACK, Access
from imu_shoulder.serve.connections import Connection

MESSAGE_BYTES = 2048
REFUSED = 1008
SHARED = "imu_shoulder.serve"
_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
# What a device sees before it was let in.
_OPEN_TO_ALL = ("/join", "/web/join.js", "/web/look.css")


class Guard:
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
            return said(421, "This server answers to its own address only.", headers, access)
        if not access.requests.take(client):
            return said(429, "Too many requests; wait a few seconds.", headers, access)
        if (scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")) and not access.origin_ok(headers):
            return said(403, "Only this server's own page may do that.", headers, access)
        reads = scope["type"] == "http" and scope["method"] in ("GET", "HEAD")
        let_in = access.let_in(client, _cookie(headers), scope["path"], reads=reads)
        if scope["path"] not in _OPEN_TO_ALL and not let_in:
            return said(403, "Open the one-time link that the terminal shows.", headers, access)
        return None


def _cookie(headers: Headers) -> str | None:
    for part in headers.get("cookie", "").split(";"):
        name, _, value = part.strip().partition("=")
        if name == COOKIE:
            return value
    return None


def said(status: int, text: str, headers: Mapping[str, str], access: Access) -> Response:
    """A sentence as an answer."""
    return PlainTextResponse(text + "\n", status, headers=access.page_headers(headers))


class Assets:
    """The files of a page by name, read once: its own and those that all pages share. Nothing else is served."""

    def __init__(self, package: str, access: Access) -> None:
        self._access = access
        folders = [resources.files(name) / "web" for name in (SHARED, package)]
        items = [item for folder in folders for item in folder.iterdir() if Path(item.name).suffix in _TYPES]
        self._files = {item.name: item.read_bytes() for item in items}

    def send(self, request: Request, name: str) -> Response:
        if name not in self._files:
            return said(404, "There is no such page.", request.headers, self._access)
        kind = _TYPES[Path(name).suffix]
        return Response(self._files[name], media_type=kind, headers=self._access.page_headers(request.headers))

    def routes(self, page: str) -> list[Route]:
        """The page itself at / and its files under /web/."""

        async def whole(request: Request) -> Response:
            return self.send(request, page)

        async def asset(request: Request) -> Response:
            return self.send(request, request.path_params["name"])

        return [Route("/", whole, methods=["GET"]), Route("/web/{name}", asset, methods=["GET"])]


def report_answer(path: str | Path | None, missing: str, request: Request, access: Access) -> Response:
    """A written report, which carries a policy with the hashes of its own scripts; else why there is none."""
    if path is None or not Path(path).is_file():
        return said(404, missing, request.headers, access)
    return FileResponse(path, media_type="text/html", headers=COMMON_HEADERS)


def join_route(assets: Assets, access: Access, tell: Callable[[str], None]) -> Route:
    """Where a device is let in by its one-time link. tell: given the next link when one was used."""

    async def join(request: Request) -> Response:
        if request.method in ("GET", "HEAD"):
            return assets.send(request, "join.html")
        client = request.client.host if request.client else LOOPBACK
        if not access.attempts.take(client):
            return said(429, "Too many tries; wait a minute.", request.headers, access)
        body = await small_text(request)
        device = None if body is None else access.join(body)
        if device is None:
            return said(403, "This link is used up or wrong; open the newest one.", request.headers, access)
        tell(access.link or "")
        answer = said(200, "Welcome.", request.headers, access)
        answer.headers["Content-Location"] = access.page_of(device)
        answer.set_cookie(COOKIE, device, httponly=True, samesite="strict", path="/")
        return answer

    return Route("/join", join, methods=["GET", "POST"])


async def small_text(request: Request, most: int = MESSAGE_BYTES) -> str | None:
    """The text of a request of at most so many bytes, None for a larger one or one that is no text."""
    got = b""
    async for part in request.stream():
        got += part
        if len(got) > most:
            return None
    try:
        return got.decode()
    except UnicodeDecodeError:
        return None


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
