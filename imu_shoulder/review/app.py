"""The server of the coach's pages. Nothing changes by GET; a change comes from a page of ours, with its token."""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
import threading
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import asdict
from importlib import resources
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.convertors import Convertor, register_url_convertor
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from imu_shoulder.errors import ShoulderError
from imu_shoulder.history import sessions as stored
from imu_shoulder.history.migrate import StoreError
from imu_shoulder.history.plans import plan_versions
from imu_shoulder.one_run import REPORT
from imu_shoulder.plan.writing import plan_csv
from imu_shoulder.review import athlete, exporting, overlay, planned, roster, sessions
from imu_shoulder.review.desk import Desk
from imu_shoulder.review.marking import Marking
from imu_shoulder.review.writing import CHANGES, Change
from imu_shoulder.serve.access import Access
from imu_shoulder.serve.pages import Assets, Guard, join_route, report_answer, said, small_text


class _Number(Convertor[int]):
    """A number that any database can hold."""

    regex = "[0-9]{1,9}"

    def convert(self, value: str) -> int:
        return int(value)

    def to_string(self, value: int) -> str:
        return str(value)


register_url_convertor("number", _Number())
TOKEN = "x-token"
# A plan of hundreds of drills, each with a long note.
CHANGE_BYTES = 500_000
# Files of the report that the page of a set is drawn with.
OF_REPORT = {"report.css": "text/css", "report.js": "text/javascript", "uPlot.min.css": "text/css"}
OF_REPORT |= {"uPlot.iife.min.js": "text/javascript"}
# Path parameters and query of a request -> a page's template and what it needs.
Page = Callable[[Mapping[str, Any], Mapping[str, str]], tuple[str, dict[str, Any]]]


def make_app(desk: Desk, access: Access, scratch: Path, tell: Callable[[str], None] = lambda link: None) -> ASGIApp:
    """The whole server. scratch: a folder for copies that are marked. tell: given the next one-time link."""
    assets, marking = Assets("imu_shoulder.review", access), Marking(desk, access, scratch)
    of_report = {name: (resources.files("imu_shoulder.report") / "assets" / name).read_bytes() for name in OF_REPORT}

    def page(make: Page, *, reads: bool = False) -> Callable[[Request], Any]:
        async def answer(request: Request) -> Response:
            headers = access.page_headers(request.headers)

            def fill() -> str:
                template, found = make(request.path_params, request.query_params)
                return desk.fill(template, found, reads=reads)

            try:
                text = await asyncio.to_thread(fill)
            except ShoulderError as error:
                status = 404 if isinstance(error, StoreError) else 422
                text = desk.fill("error.html.j2", {"error": _sentence(error)}, reads=reads)
                return Response(text, status, media_type="text/html", headers=headers)
            return Response(text, media_type="text/html", headers=headers)

        return answer

    def change(work: Change) -> Callable[[Request], Any]:
        async def answer(request: Request) -> Response:
            headers = access.page_headers(request.headers)
            if not secrets.compare_digest(request.headers.get(TOKEN, "").encode(), desk.token.encode()):
                return JSONResponse({"text": "Reload the page: it is of an earlier start."}, 403, headers=headers)
            typed = _object(await small_text(request, CHANGE_BYTES))
            if typed is None:
                return JSONResponse({"text": "That is too much, or nothing of this page."}, 400, headers=headers)
            try:
                found = await asyncio.to_thread(work, desk, request.path_params.get("number", 0), typed)
            except ShoulderError as error:
                return JSONResponse({"text": _sentence(error)}, 422, headers=headers)
            return JSONResponse(found, headers=headers)

        return answer

    async def report_file(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in of_report:
            return said(404, "There is no such file.", request.headers, access)
        return Response(of_report[name], media_type=OF_REPORT[name], headers=access.page_headers(request.headers))

    async def plan_file(request: Request) -> Response:
        headers = access.page_headers(request.headers)
        given = request.path_params["number"], request.query_params.get("version", "")
        try:
            text = await asyncio.to_thread(planned.file_text, desk, *given)
        except ShoulderError as error:
            return said(404, _sentence(error), request.headers, access)
        headers |= {"Content-Disposition": 'attachment; filename="plan.toml"'}
        return Response(text, media_type="application/toml", headers=headers)

    async def report(request: Request) -> Response:
        try:
            row = await asyncio.to_thread(stored.session, desk.store, request.path_params["number"])
        except StoreError as error:
            return said(404, _sentence(error), request.headers, access)
        folder = sessions.results_of(desk, row)
        missing = "There is no report of this session."
        return report_answer(None if folder is None else folder / REPORT, missing, request, access)

    async def mark(scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        try:
            router = await asyncio.to_thread(marking.router, scope["path_params"]["number"])
        except ShoulderError as error:
            await said(404, _sentence(error), request.headers, access)(scope, receive, send)
            return
        await router(scope, receive, send)

    routes: list[BaseRoute] = [
        Route("/", page(lambda at, _: ("roster.html.j2", roster.context(desk))), methods=["GET"]),
        Route(
            "/athletes/{number:number}",
            page(lambda at, q: ("athlete.html.j2", athlete.context(desk, at["number"], everything="all" in q))),
            methods=["GET"],
        ),
        Route(
            "/own/{number:number}",
            page(lambda at, _: ("athlete.html.j2", athlete.context(desk, at["number"])), reads=True),
            methods=["GET"],
        ),
        Route(
            "/athletes/{number:number}/plan",
            page(lambda at, q: ("plan.html.j2", planned.form_context(desk, at["number"], q))),
            methods=["GET"],
        ),
        Route(
            "/athletes/{number:number}/plan/sheet",
            page(lambda at, q: ("sheet.html.j2", planned.sheet_context(desk, at["number"], q))),
            methods=["GET"],
        ),
        Route(
            "/sessions/{number:number}",
            page(lambda at, _: ("session.html.j2", sessions.session_context(desk, at["number"]))),
            methods=["GET"],
        ),
        Route(
            "/sessions/{number:number}/sets/{set:number}",
            page(lambda at, _: ("set.html.j2", sessions.set_context(desk, at["number"], at["set"]))),
            methods=["GET"],
        ),
        Route(
            "/compare",
            page(lambda _, q: ("compare.html.j2", overlay.context(desk, q.get("a", ""), q.get("b", "")))),
            methods=["GET"],
        ),
        Route("/athletes/{number:number}/plan.toml", plan_file, methods=["GET"]),
        Route("/sessions/{number:number}/report", report, methods=["GET"]),
        *(_file(desk, access, path, make) for path, make in FILES.items()),
        *(Route(path, change(work), methods=["POST"]) for path, work in CHANGES.items()),
        Mount("/mark/{number:number}", app=mark),
        Route("/web/report/{name}", report_file, methods=["GET"]),
        join_route(assets, access, tell),
    ]
    routes += [route for route in assets.routes("join.html") if getattr(route, "path", "") != "/"]

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        stop = threading.Event()
        warm = asyncio.create_task(asyncio.to_thread(athlete.draw_ahead, desk, stop), name="draw ahead")
        try:
            yield
        finally:
            stop.set()
            await asyncio.gather(warm, return_exceptions=True)

    async def missing(request: Request, _: Exception) -> Response:
        text = desk.fill("error.html.j2", {"error": "There is no page of this address."}, reads=True)
        return Response(text, 404, media_type="text/html", headers=access.page_headers(request.headers))

    return Guard(Starlette(routes=routes, lifespan=lifespan, exception_handlers={404: missing}), access)


# What is seen, as a file: path without its ending -> what is in it as CSV, and as JSON. `number`, `set`: of the path.
Made = Callable[[Desk, Mapping[str, Any]], Any]
FILES: Mapping[str, tuple[str, Made, Made]] = {
    "/roster": ("roster", lambda desk, _: exporting.roster_rows(desk), lambda desk, _: exporting.roster_rows(desk)),
    "/athletes/{number:number}/everything": (
        "athlete",
        lambda desk, at: exporting.athlete_csv(desk, at["number"]),
        lambda desk, at: exporting.athlete_whole(desk, at["number"]),
    ),
    "/athletes/{number:number}/plan/everything": (
        "plan",
        lambda desk, at: plan_csv(planned.file_text(desk, at["number"], ""), "the plan"),
        lambda desk, at: [asdict(version) for version in plan_versions(desk.store, at["number"])],
    ),
    "/sessions/{number:number}/everything": (
        "session",
        lambda desk, at: exporting.session_rows(desk, at["number"]),
        lambda desk, at: exporting.session_whole(desk, at["number"]),
    ),
    "/compare/{first}/{second}/everything": (
        "two_sets",
        lambda desk, at: overlay.curve_rows(desk, at["first"], at["second"]),
        lambda desk, at: overlay.curve_rows(desk, at["first"], at["second"]),
    ),
    "/sessions/{number:number}/sets/{set:number}/everything": (
        "set",
        lambda desk, at: exporting.session_rows(desk, at["number"], at["set"]),
        lambda desk, at: exporting.session_rows(desk, at["number"], at["set"]),
    ),
}


def _file(desk: Desk, access: Access, path: str, made: tuple[str, Made, Made]) -> Route:
    """The two forms of a file."""
    stem, rows, whole = made

    async def answer(request: Request) -> Response:
        at = request.path_params
        if at["form"] not in exporting.FORMS:
            return said(404, "There is no such file.", request.headers, access)
        make = rows if at["form"] == "csv" else whole
        try:
            text = await asyncio.to_thread(lambda: exporting.text_of(make(desk, at), at["form"]))
        except ShoulderError as error:
            return said(404, _sentence(error), request.headers, access)
        number = f"_{at['number']}" if "number" in at else ""
        headers = {"Content-Disposition": f'attachment; filename="{stem}{number}.{at["form"]}"'}
        kind = exporting.FORMS[at["form"]]
        return Response(text, media_type=kind, headers={**access.page_headers(request.headers), **headers})

    return Route(f"{path}.{{form}}", answer, methods=["GET"])


def _sentence(error: ShoulderError) -> str:
    """What was expected, what came, what to do, as people write it."""
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}."


def _object(text: str | None) -> dict[str, Any] | None:
    try:
        found = json.loads(text or "")
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None
