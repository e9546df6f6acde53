"""The application: its addresses, and how each is answered."""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import AsyncIterator, Callable, Hashable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route

from wxfly.errors import NotAskedError, WxflyError, unknown_name
from wxfly.pilot.settings import (
    config_file,
    load_settings,
    own_aircraft_file,
    own_rules_file,
    plans_file,
    read_plans,
    sites_file,
)
from wxfly.question.ask import set_aside_notes
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.values import CAUTIONS
from wxfly.report.formats import FORMATS, Format, to_json
from wxfly.report.pages import shell
from wxfly.times import utc_now
from wxfly.web import api, rendering
from wxfly.web.job_queue import BusyError, Job, JobQueue
from wxfly.web.own_pages import (
    FILE_NAME,
    KINDS_OF_OWN,
    Entry,
    OwnKind,
    OwnPage,
    export_text,
    keep_taken,
    new_place,
    read_export,
    removal,
    typed,
)
from wxfly.web.questions import (
    FIRST_STEPS,
    FormField,
    Shown,
    View,
    check_complete,
    form_fields,
    is_asked,
    known_places,
    read_given,
    read_pairs,
    views,
)
from wxfly.web.security import SESSION_COOKIE, Allowance, Door, FormSecret, Guard
from wxfly.web.sites_map import MOST_ON_MAP, Asked, Found, from_store, map_of
from wxfly.web.watching import KIND, VIEWS, changes_since, keep_watching

PAGE_SECONDS = 1.5
"""How long a page waits for its answer before it says that it is being asked [s]."""
API_SECONDS = 120.0
"""How long a program waits for its answer [s]."""
START_PLACES = 8
"""How many places the start page asks about."""
QUESTIONS_A_MINUTE = 60
"""How many new questions one client may ask in a minute."""

_EXPORTED = [one for one in FORMATS if one.name != "json"]
"""Formats that the page sends under the address of a view; JSON has addresses of its own."""
Pairs = list[tuple[str, str]]


class TooOftenError(WxflyError):
    """One client asks too often."""


class Server:
    """State that the handlers share.

    Parameters
    ----------
    forecast_path : Path or None
        The forecast file of `where`.
    """

    def __init__(self, forecast_path: Path | None) -> None:
        self.views = views(forecast_path)
        self.jobs = JobQueue()
        self.secret = FormSecret()
        self.allowance = Allowance(QUESTIONS_A_MINUTE)

    def job(self, view: View, pairs: Pairs, client: str) -> Job:
        """Return the job of an address.

        Raises
        ------
        WxflyError
            For an address that is no question.
        """
        given = read_given(view, pairs)
        check_complete(view, given, pairs)
        key = _key(view.name, pairs)
        if not self.jobs.has(key) and not self.allowance.take(client):
            raise TooOftenError(f"more than {QUESTIONS_A_MINUTE} questions in a minute; wait a moment")
        return self.jobs.ask(key, given.places or ("",), lambda progress: view.answer(given, progress))

    def stored(self, names: Sequence[str], plan: str) -> Job:
        """Return the job that judges places from what is stored of them."""
        key: Hashable = ("map", tuple(names), plan, _state_of_files())
        return self.jobs.ask(key, (), lambda progress: from_store(names, plan, progress))

    def asked_again(self, name: str, pairs: Pairs) -> AnswerFacts:
        """Answer a watched question, as its page does; called in a thread of its own."""
        facts = self.job(self.views[name], pairs, "the watch").future.result().facts
        assert isinstance(facts, AnswerFacts)
        return facts


def _key(name: str, pairs: Pairs) -> Hashable:
    """Return what is equal for equal questions, while nothing has changed in the pilot's files."""
    return name, tuple(pairs), _state_of_files()


def _state_of_files() -> tuple[int, ...]:
    paths = (config_file(), sites_file(), plans_file(), own_aircraft_file(), own_rules_file())
    return tuple(path.stat().st_mtime_ns if path.is_file() else 0 for path in paths)


def _status_of(fault: Exception) -> int:
    if isinstance(fault, TooOftenError):
        return 429
    return 503 if isinstance(fault, NotAskedError | BusyError) else 400


def _fault_of(job: Job) -> WxflyError | None:
    """Return the pilot's fault of a job that has ended; a fault of the program is raised."""
    fault = job.future.exception()
    if fault is None or isinstance(fault, WxflyError):
        return fault
    raise fault


def _words(fault: Exception) -> str:
    return " ".join(rendering.without_folders(str(fault)).split())


def _pairs(request: Request) -> Pairs:
    return read_pairs(request.url.query.encode("ascii", "replace"))


def _client(request: Request) -> str:
    return request.client.host if request.client else ""


def _server(request: Request) -> Server:
    server: Server = request.app.state.server
    return server


# --- questions -------------------------------------------------------------------------------------------------


def _question(view: View) -> Callable[[Request], Any]:
    async def answer(request: Request) -> Response:
        server, raw = _server(request), request.url.query
        pairs: Pairs = []
        try:
            pairs = _pairs(request)
            if raw != urlencode(pairs) and any(not part.partition("=")[2] for part in raw.split("&") if part):
                return RedirectResponse(_address(view.name, pairs), 303)  # the form's empty fields are left out
            if not is_asked(view, pairs):
                read_given(view, pairs)
                return await _page_of(view, pairs)
            job = await run_in_threadpool(server.job, view, pairs, _client(request))
        except WxflyError as fault:
            return await _page_of(view, pairs, fault)
        if not await job.wait(PAGE_SECONDS):
            return _waiting(request, view, pairs, job)
        fault_of_job = _fault_of(job)
        if fault_of_job is not None:
            return await _page_of(view, pairs, fault_of_job)
        if not job.page:
            job.page = await run_in_threadpool(_question_page, view, pairs, job.future.result(), None)
        return HTMLResponse(job.page, headers={"x-wxfly-keep": "yes"})

    return answer


def _address(name: str, pairs: Pairs) -> str:
    return f"/{name}?{urlencode(pairs)}" if pairs else f"/{name}"


def _in_words(pairs: Sequence[tuple[str, str]]) -> str:
    return ", ".join(
        value if name in ("place", "date") else f"{name.replace('_', ' ')} {value}" for name, value in pairs
    )


async def _page_of(view: View, pairs: Pairs, fault: WxflyError | None = None) -> Response:
    """Return the form of a question, with what is wrong with what it says."""
    page = await run_in_threadpool(_question_page, view, pairs, None, fault)
    return HTMLResponse(page, 200 if fault is None else _status_of(fault))


def _question_page(view: View, pairs: Pairs, shown: Shown | None, fault: WxflyError | None) -> str:
    links = _links(view, pairs) if shown is not None and shown.asked is not None else []
    return rendering.render(
        "answer.html",
        title=view.title if shown is None else shown.title,
        style="answer.css" if shown is None else shown.style,
        here=f"/{view.name}",
        view=view,
        fault=None if fault is None else _words(fault),
        first_step="" if fault is not None else " ".join(FIRST_STEPS[name] for name in view.needs),
        asked=_in_words(pairs),
        form=form_fields(view, pairs),
        places=known_places(),
        parts=None if shown is None else shown.parts,
        charts=None if shown is None else shown.parts.charts,
        links=links,
    )


def _links(view: View, pairs: Pairs) -> list[tuple[str, str]]:
    """Return the same answer in other forms, and the same question asked otherwise."""
    query = f"?{urlencode(pairs)}" if pairs else ""
    names = {option.key for option in view.options} | {"place"}
    others = [
        (_address(other, [pair for pair in pairs if pair[0] in names and pair[0] not in left_out]), words)
        for other, words, left_out in (
            ("week", "The week", ("date", "hours")), ("brief", "The flight brief", ("hours",)),
            ("check", "A reading on the spot", ("date", "days", "hours")),
        )
        if other != view.name and view.most_places == 1
    ]  # fmt: skip
    return [
        *others,
        *([(f"/watched?{urlencode({'address': f'/{view.name}{query}'})}", "Watch this answer")] * (view.name in VIEWS)),
        *((f"/{view.name}.{one.name}{query}", one.link or one.name) for one in reversed(_EXPORTED)),
        (f"{api.ROOT}/{view.name}{query}", "JSON"),
    ]


def _waiting(request: Request, view: View, pairs: Pairs, job: Job) -> Response:
    session = _session(request)
    page = rendering.render(
        "waiting.html", title=view.title, here=f"/{view.name}", asked=_in_words(pairs), progress=job.progress,
        again=_address(view.name, pairs), csrf=_server(request).secret.token(session),
    )  # fmt: skip
    return _with_session(HTMLResponse(page, 202), session)


def _session(request: Request) -> str:
    return request.cookies.get(SESSION_COOKIE) or secrets.token_urlsafe(24)


def _with_session(response: Response, session: str) -> Response:
    response.set_cookie(SESSION_COOKIE, session, httponly=True, samesite="strict")
    return response


async def _break_off(request: Request) -> Response:
    given, fault, status = await _form(request)
    if fault is not None:
        return _plain_page("Not broken off", _words(fault), status)
    name, _, query = given.get("address", "").lstrip("/").partition("?")
    try:
        pairs = read_pairs(query.encode("ascii", "replace"))
    except WxflyError as mistake:
        return _plain_page("Not broken off", _words(mistake), 400)
    _server(request).jobs.break_off(_key(name, pairs))
    return RedirectResponse("/", 303)


def _export(view: View, written: Format) -> Callable[[Request], Any]:
    """Return what answers with a format of the answer, such as the calendar that programs subscribe to."""
    name = written.name

    async def export(request: Request) -> Response:
        result, words, status = await _awaited(view, request)
        if result is None:
            return PlainTextResponse(f"{words}\n", status)
        headers = {
            "content-disposition": f'{"inline" if name == "ics" else "attachment"}; filename="{view.name}.{name}"'
        }
        content = await run_in_threadpool(written.write, result.asked)
        return Response(content, 200, headers, written.media_type)

    return export


def _api(view: View) -> Callable[[Request], Any]:
    async def answer(request: Request) -> Response:
        result, words, status = await _awaited(view, request)
        if result is None:
            return JSONResponse({"error": words}, status)
        return _facts(await run_in_threadpool(to_json, result.facts))

    return answer


async def _awaited(view: View, request: Request) -> tuple[Any, str, int]:
    """Return the answer to a question that a program asks; or else None, why there is none, and the status."""
    try:
        pairs = _pairs(request)
        job = await run_in_threadpool(_server(request).job, view, pairs, _client(request))
        if not await job.wait(API_SECONDS):
            return None, "the answer takes too long; ask again, it goes on", 504
        fault = _fault_of(job)
    except WxflyError as refused:
        fault = refused
    if fault is not None:
        return None, _words(fault), _status_of(fault)
    return job.future.result(), "", 200


def _facts(text: str) -> Response:
    return Response(f"{text}\n".encode("utf-8", "backslashreplace"), media_type="application/json")


def _list(make: Callable[[], Any]) -> Callable[[Request], Any]:
    async def listed(request: Request) -> Response:
        return _facts(await run_in_threadpool(lambda: to_json(make())))

    return listed


async def _openapi(request: Request) -> Response:
    return JSONResponse(await run_in_threadpool(api.openapi, _server(request).views))


# --- the start -------------------------------------------------------------------------------------------------


async def _start(request: Request) -> Response:
    server = _server(request)
    try:
        given = typed(_pairs(request))
    except WxflyError:
        given = {}
    asked = Asked(given.get("around", ""), given.get("within", ""), given.get("plan", ""))
    try:
        rows, others = await run_in_threadpool(_start_rows, server, asked.plan, _client(request))
        stored = server.stored(others[: MOST_ON_MAP - START_PLACES], asked.plan) if others else None
    except WxflyError as fault:
        return _plain_page("A file cannot be read", _words(fault), 400)
    jobs = [row["job"] for row in rows if row["job"] is not None]
    jobs += [] if stored is None else [stored]
    for job in jobs:
        await job.wait(PAGE_SECONDS / max(1, len(jobs)))
    for row in rows:
        _fill(row)
    try:
        page, is_refused = await run_in_threadpool(_start_page, server, rows, others, stored, asked)
    except WxflyError as fault:
        return _plain_page("A file cannot be read", _words(fault), 400)
    return HTMLResponse(page, 400 if is_refused else 200, headers={} if is_refused else {"x-wxfly-keep": "yes"})


def _start_rows(server: Server, plan: str, client: str) -> tuple[list[dict[str, Any]], list[str]]:
    """Return a row of the start page for each place, the pilot's home first, and the places that have none."""
    names, home = known_places(), load_settings().home
    names = sorted(names, key=lambda name: name != home)
    with_plan = [("plan", plan)] if plan else []
    rows = []
    for name in names[:START_PLACES]:
        pairs = [("place", name), *with_plan]
        row: dict[str, Any] = {"name": name, "href": _address("best", pairs), "job": None, "fault": ""}
        row["links"] = [(_address(other, pairs), other) for other in ("now", "week", "brief", "check")]
        row["links"].append((f"/week.ics?{urlencode(pairs)}", "calendar"))
        try:
            row["job"] = server.job(server.views["best"], pairs, client)
        except WxflyError as fault:
            row["fault"] = _words(fault)
        rows.append(row)
    return rows, names[START_PLACES:]


def _fill(row: dict[str, Any]) -> None:
    """Write what is known of a place into its row."""
    job: Job | None = row["job"]
    row["line"], row["progress"] = "", ""
    if job is None:
        return
    if not job.future.done():
        row["progress"] = job.progress or "being asked"
        return
    fault = _fault_of(job)
    if fault is not None:
        row["fault"] = _words(fault)
    else:
        row["line"] = job.future.result().facts.verdict.first_line


def _on_map(rows: list[dict[str, Any]], others: list[str], stored: Job | None) -> dict[str, Found]:
    """Return what the map shows: the answers of the rows, and of the others what is stored."""
    found: dict[str, Found] = {}
    for row in rows:
        is_answered = bool(row["line"])
        found[row["name"]] = row["job"].future.result().facts if is_answered else row["fault"] or row["progress"]
    is_judged = stored is not None and stored.future.done()
    found |= stored.future.result() if stored is not None and is_judged else dict.fromkeys(others, "being judged")
    return dict(list(found.items())[:MOST_ON_MAP])


def _start_page(
    server: Server, rows: list[dict[str, Any]], others: list[str], stored: Job | None, asked: Asked
) -> tuple[str, bool]:
    """Return the start page, and whether the address says something wrong about the map."""
    plan, on_map = asked.plan, map_of(_on_map(rows, others, stored), asked)
    plans = [(name, f"/?{urlencode({'plan': name})}") for name in read_plans(plans_file())]
    best = server.views["best"]
    page = rendering.render(
        "start.html",
        title="Start",
        here="/",
        header=shell.header("Whether, when and how high to fly", set_aside_notes()),
        footer=shell.footer("Mind", [], CAUTIONS),
        changes=changes_since(utc_now()),
        rows=rows,
        waits=any(row["progress"] for row in rows) or (stored is not None and not stored.future.done()),
        others=len(others),
        left_out=max(0, len(rows) + len(others) - MOST_ON_MAP),
        on_map=on_map,
        plan=plan,
        plans=plans,
        names=known_places(),
        form=[one for one in form_fields(best, [("plan", plan)] if plan else []) if one.is_front],
    )
    return page, on_map is not None and bool(on_map.fault)


# --- own things ------------------------------------------------------------------------------------------------


def _own(kind: OwnKind) -> Callable[[Request], Any]:
    async def answer(request: Request) -> Response:
        if request.method == "POST":
            return await _kept(request, kind.path, kind.keep, kind.show)
        try:
            given = typed(_pairs(request))
        except WxflyError as fault:
            return await _own_page(request, kind.path, lambda: kind.show({}), fault=fault)
        done = given.pop("done", "")
        return await _own_page(request, kind.path, lambda: kind.show(given), done=done)

    return answer


async def _new_place(request: Request) -> Response:
    try:
        given = typed(_pairs(request))
        page = new_place(given)
    except WxflyError as fault:
        return await _own_page(request, "/places", lambda: new_place({}), fault=fault)
    return await _own_page(request, "/places", lambda: page)


_TAKE_OVER = "/settings/import"


async def _export_own(request: Request) -> Response:
    text = await run_in_threadpool(export_text)
    named = {"content-disposition": f'attachment; filename="{FILE_NAME}"'}
    return Response(text, media_type="application/json", headers=named)


async def _import_own(request: Request) -> Response:
    """Ask for a text, show what it would bring, and keep it after a yes."""
    given: dict[str, str] = {}
    fault: WxflyError | None = None
    status = 200
    if request.method == "POST":
        given, fault, status = await _form(request, long="text")
    text = given.get("text", "")
    taken = None
    if text and fault is None:
        try:
            taken = await run_in_threadpool(read_export, text)
            if given.get("yes"):
                done = await run_in_threadpool(keep_taken, taken)
                return RedirectResponse(f"/settings?{urlencode({'done': done})}", 303)
        except WxflyError as refused:
            fault, status = refused, 400

    def show() -> OwnPage:
        if taken is not None and fault is None:
            return OwnPage(
                "Take over own things", button="Take these over", action=_TAKE_OVER, question="Take these over?",
                entries=[Entry("", line) for line in taken.lines()], hidden=(("text", text), ("yes", "1")),
                back="/settings",
            )  # fmt: skip
        hint = f"The text of {FILE_NAME} from another machine. You see what it brings before it is kept."
        field = FormField("text", "Own things", hint, text, is_front=True, is_needed=True, is_long=True)
        return OwnPage(
            "Take over own things", "Places, plans, aircraft, rules and settings of another machine", "Show",
            _TAKE_OVER, form=[field],
        )  # fmt: skip

    return await _own_page(request, "/settings", show, fault=fault, status=status)


async def _form(request: Request, *, long: str = "") -> tuple[dict[str, str], WxflyError | None, int]:
    """Return the form of a request, with what is wrong with it."""
    try:
        given = typed(read_pairs(await request.body(), long=long))
    except WxflyError as fault:
        return {}, fault, 400
    token = given.pop("csrf", "")
    if not _server(request).secret.is_right(request.cookies.get(SESSION_COOKIE, ""), token):
        return given, WxflyError("this form is of an earlier start of the program; look at it and send it again"), 403
    return given, None, 200


async def _kept(
    request: Request, path: str, keep: Callable[[dict[str, str]], str], show: Callable[[dict[str, str]], OwnPage]
) -> Response:
    """Do what a form asks, and go to the page that says what was done; or else show the form with what is wrong."""
    given, fault, status = await _form(request)
    if fault is None:
        try:
            done = await run_in_threadpool(keep, given)
            return RedirectResponse(f"{path}?{urlencode({'done': done})}", 303)
        except WxflyError as refused:
            fault, status = refused, 400
    return await _own_page(request, path, lambda: show(given), fault=fault, status=status)


def _removing(kind: OwnKind) -> Callable[[Request], Any]:
    remove = kind.remove
    assert remove is not None

    def take_out(given: dict[str, str]) -> str:
        name = given.get("name", "")
        remove(name)
        return f"removed {name}"

    def ask(given: dict[str, str]) -> OwnPage:
        return removal(kind, given.get("name", ""))

    async def answer(request: Request) -> Response:
        if request.method == "POST":
            return await _kept(request, kind.path, take_out, ask)
        try:
            given = typed(_pairs(request))
        except WxflyError as fault:
            return await _own_page(request, kind.path, lambda: kind.show({}), fault=fault)
        return await _own_page(request, kind.path, lambda: ask(given))

    return answer


async def _own_page(
    request: Request,
    path: str,
    show: Callable[[], OwnPage],
    *,
    done: str = "",
    fault: WxflyError | None = None,
    status: int = 200,
) -> Response:
    session = _session(request)

    def page() -> str:
        own = show()
        return rendering.render(
            "own.html",
            title=own.title,
            own=own,
            here=path,
            done=done,
            fault=None if fault is None else _words(fault),
            csrf=_server(request).secret.token(session),
            places=known_places(),
        )

    try:
        text = await run_in_threadpool(page)
    except WxflyError as unreadable:  # a file that cannot be read at all
        return _plain_page("A file cannot be read", _words(unreadable), 400)
    return _with_session(HTMLResponse(text, status if fault is None or status != 200 else 400), session)


# --- the rest --------------------------------------------------------------------------------------------------


def _plain_page(title: str, words: str, status: int) -> Response:
    page = rendering.render("plain.html", title=title, here="", words=words)
    return HTMLResponse(page, status)


async def _static(request: Request) -> Response:
    found = await run_in_threadpool(
        rendering.static_file,
        request.path_params["name"],
        request.path_params["digest"],
        takes_gzip="gzip" in request.headers.get("accept-encoding", ""),
    )
    if found is None:
        return PlainTextResponse("there is no such file\n", 404)
    return Response(found[0], 200, found[1])


async def _worker(request: Request) -> Response:
    script = await run_in_threadpool(rendering.worker_script)
    return Response(script, 200, {"cache-control": "no-cache"}, "text/javascript")


async def _manifest(request: Request) -> Response:
    return Response(await run_in_threadpool(rendering.manifest), 200, {}, "application/manifest+json")


async def _not_found(request: Request, fault: Exception) -> Response:
    if request.url.path.startswith("/api/"):
        names = [*_server(request).views, *api.LISTS, "openapi.json"]
        name = request.url.path.removeprefix(f"{api.ROOT}/")
        return JSONResponse({"error": _words(unknown_name("address", name, names))}, 404)
    names = [*_server(request).views, *(path[1:] for path in KINDS_OF_OWN)]
    known = unknown_name("page", request.url.path.strip("/"), names)
    return _plain_page("There is no such page", _words(known), 404)


async def _refused_method(request: Request, fault: Exception) -> Response:
    headers = (fault.headers if isinstance(fault, HTTPException) else None) or {}  # RFC 9110, 15.5.6: the methods
    return PlainTextResponse(f"this address is asked with {headers.get('Allow', 'another method')}\n", 405, headers)


async def _own_fault(request: Request, fault: Exception) -> Response:
    words = f"this is a fault of wxfly itself ({type(fault).__name__}); the terminal of the server shows more"
    if request.url.path.startswith("/api/"):
        return JSONResponse({"error": words}, 500)
    return PlainTextResponse(f"{words}\n", 500)


def make_app(door: Door | None = None, *, forecast_path: Path | None = None) -> Guard:
    """Return the application.

    Parameters
    ----------
    door : Door, optional
        Where it is served, and what opens it; by default on this machine alone.
    forecast_path : Path, optional
        The forecast file of `where`.
    """
    server = Server(forecast_path)
    routes = [Route("/", _start)]
    for view in server.views.values():
        routes.append(Route(f"/{view.name}", _question(view)))
        routes.append(Route(f"{api.ROOT}/{view.name}", _api(view)))
        if view.schema == "answer":
            routes += [Route(f"/{view.name}.{one.name}", _export(view, one)) for one in _EXPORTED]
    routes += [Route(f"{api.ROOT}/{name}", _list(make)) for name, (_, make) in api.LISTS.items()]
    routes.append(Route(f"{api.ROOT}/openapi.json", _openapi))
    routes.append(Route("/places/new", _new_place))
    for kind in (*KINDS_OF_OWN.values(), KIND):
        routes.append(Route(kind.path, _own(kind), methods=["GET", "POST"]))
        if kind.remove is not None:
            routes.append(Route(f"{kind.path}/remove", _removing(kind), methods=["GET", "POST"]))
    routes += [
        Route("/break-off", _break_off, methods=["POST"]),
        Route("/settings/export", _export_own),
        Route(_TAKE_OVER, _import_own, methods=["GET", "POST"]),
        Route("/static/{digest}/{name}", _static),
        Route("/worker.js", _worker),
        Route("/manifest.webmanifest", _manifest),
    ]

    @contextlib.asynccontextmanager
    async def until_the_end(_: Starlette) -> AsyncIterator[None]:
        watching = asyncio.create_task(keep_watching(server.asked_again))
        yield
        watching.cancel()
        server.jobs.close()

    app = Starlette(
        routes=routes,
        lifespan=until_the_end,
        middleware=[Middleware(GZipMiddleware, minimum_size=1000)],
        exception_handlers={404: _not_found, 405: _refused_method, Exception: _own_fault},
    )
    app.state.server = server
    return Guard(app, door or Door())  # outside what answers a fault of the program, so that it guards that as well


def address_of(host: str, port: int, door: Door) -> str:
    """Return the address that a pilot opens."""
    name = f"[{host}]" if ":" in host else host
    return f"http://{name}:{port}/" + (f"?token={quote(door.token)}" if door.token else "")
