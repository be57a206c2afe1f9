"""The marking page as a piece that any of our servers can mount: pages, curves, marks, analysis."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route, Router
from starlette.types import ASGIApp

from imu_shoulder.errors import ShoulderError
from imu_shoulder.mark.keeping import ChangedError
from imu_shoulder.mark.work import Work
from imu_shoulder.serve.access import Access
from imu_shoulder.serve.pages import Assets, Guard, join_route, report_answer, said, small_text

# A thousand marks with a long note each.
MARKS_BYTES = 1_000_000


def make_router(work: Work, access: Access) -> Router:
    """The routes of one recording's page, relative to wherever they are mounted. Guarded by the server that does."""

    def answer(request: Request, value: Any, status: int = 200) -> Response:
        return JSONResponse(value, status, headers=access.page_headers(request.headers))

    async def state(request: Request) -> Response:
        work.begin()
        return answer(request, await asyncio.to_thread(work.state))

    async def tile(request: Request) -> Response:
        given = request.path_params
        found = work.tile(given["kind"], given["level"], given["number"])
        if found is None:
            return said(404, "There is no such curve.", request.headers, access)
        return answer(request, found)

    async def marks(request: Request) -> Response:
        if request.method in ("GET", "HEAD"):
            try:
                found = await asyncio.to_thread(work.keeper.read)
            except ShoulderError as error:
                return answer(request, {"text": str(error)}, 422)
            return answer(request, {"version": found.version, "rows": found.rows})
        given = _object(await small_text(request, MARKS_BYTES))
        if given is None or not isinstance(given.get("version"), str):
            return answer(request, {"text": "That is too much, or no marks of this page."}, 400)
        try:
            saved = await asyncio.to_thread(work.save, given["version"], given.get("rows"))
        except ChangedError as error:
            return answer(request, {"text": str(error)}, 409)
        except ShoulderError as error:
            return answer(request, {"text": str(error)}, 422)
        return answer(request, {"version": saved.version, "kept": saved.kept, "changed": saved.changed})

    async def analyse(request: Request) -> Response:
        if not work.analyse():
            return answer(request, {"text": "An analysis is running already."}, 409)
        return answer(request, {}, 202)

    async def report(request: Request) -> Response:
        return report_answer(work.report, "There is no report yet: press Analyse first.", request, access)

    return Router(
        routes=[
            *Assets("imu_shoulder.mark", access).routes("mark.html"),
            Route("/state", state, methods=["GET"]),
            Route("/curves/{kind:str}/{level:int}/{number:int}", tile, methods=["GET"]),
            Route("/marks", marks, methods=["GET", "POST"]),
            Route("/analyse", analyse, methods=["POST"]),
            Route("/report", report, methods=["GET"]),
        ]
    )


def _object(text: str | None) -> dict[str, Any] | None:
    try:
        found = json.loads(text or "")
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def make_app(work: Work, access: Access, tell: Callable[[str], None] = lambda link: None) -> ASGIApp:
    """A whole server for one recording. tell: given the next one-time link when one was used."""

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        work.begin()
        yield

    routes = [*make_router(work, access).routes, join_route(Assets("imu_shoulder.mark", access), access, tell)]
    return Guard(Starlette(routes=routes, lifespan=lifespan), access)
