"""Every view of the page, from the application's own routes: a new one is looked at without being named here."""

from pathlib import PurePosixPath
from urllib.parse import urlencode

from starlette.routing import Route

from tests.web.serving import HEATH, MOOR, WHERE
from wxfly.web.app import make_app
from wxfly.web.questions import views

NO_PAGES = ("/settings/export",)
"""Addresses that answer with a file; those of a kind of file are known by their ending."""
NEEDED = {"mean": "3m/s", "hour": "tomorrow 15:00"}
"""A value of each parameter without which a question is none."""


def addresses():
    """Return every address of a page: the answer of each question, each form, and what is told of a mistake."""
    questions = {f"/{view.name}": view for view in views().values()}
    found = []
    for route in make_app().app.routes:
        path = route.path
        is_page = isinstance(route, Route) and "GET" in route.methods and not PurePosixPath(path).suffix
        if not is_page or "{" in path or path.startswith("/api/") or path in NO_PAGES:
            continue
        if path == "/where":
            found += [path, f"{path}?{urlencode(WHERE)}"]
        elif path in questions:
            view = questions[path]
            places = [("place", place) for place in (HEATH, MOOR)[: max(1, view.least_places)]]
            found.append(f"{path}?{urlencode([*places, *((name, NEEDED[name]) for name in view.needs)])}")
            found += [path] if view.needs or view.least_places else []
        elif path.endswith("/remove"):
            found.append(f"{path}?name={HEATH}")
        else:
            found.append(path)
    answered = urlencode({"address": f"/best?place={HEATH}"})
    return [*found, f"/places?name={HEATH}", f"/watched?{answered}", "/best?place=heeth", "/?around=nowhere", "/weak"]


VIEWS = addresses()
