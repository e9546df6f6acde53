"""Every view against WCAG 2.2 A and AA, by axe-core and by measuring: in every light, on a phone, a laptop and paper.

The views are those of the application's own routes, so that a new one is looked at without being named here.
References: W3C, Web Content Accessibility Guidelines 2.2 (2023): 1.4.4, 1.4.10, 2.5.5 with its exception of targets in
a sentence, 2.5.8.
"""

from pathlib import PurePosixPath
from urllib.parse import urlencode

import pytest
from starlette.routing import Route

from tests.server import Fault
from tests.web.serving import HEATH, MOOR, WHERE, WIDTHS, fits, open_page
from wxfly.web.app import make_app
from wxfly.web.questions import views

pytestmark = pytest.mark.browser
thorough = pytest.mark.thorough

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


def quick(*some):
    """Give a test every view; all but some are of the thorough half."""
    return pytest.mark.parametrize("view", [v if v in some else pytest.param(v, marks=thorough) for v in VIEWS])


LEVELS = [f"wcag2{minor}{level}" for minor in ("", "1", "2") for level in ("a", "aa")]
STANDARD = {"runOnly": {"type": "tag", "values": LEVELS}}
WITHOUT_CHARTS = {"exclude": [[".main-svg"]]}
LIGHTS = ("light", "dark", "sun", "still", "print")


@pytest.fixture(scope="module")
def axe():
    """Return axe-core, which a package of the registry brings."""
    return pytest.importorskip("axe_playwright_python.sync_playwright", reason="the extra dev brings it").Axe()


@pytest.fixture
def tab(chromium):
    """Open tabs of a size; they are closed afterwards."""
    contexts = []

    def opened(width, height=844, scale=1):
        contexts.append(chromium.new_context(viewport={"width": width, "height": height}, device_scale_factor=scale))
        return contexts[-1].new_page()

    yield opened
    for context in contexts:
        context.close()


def look(page, address):
    """Open a view with all that is folded, and wait for its first chart."""
    reply = open_page(page, address)
    assert reply.headers["content-type"].startswith("text/html"), address
    assert reply.status < 500
    page.evaluate("() => document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    if page.locator(".chart").count():
        page.locator(".chart").first.scroll_into_view_if_needed()
        page.wait_for_selector(".chart .main-svg", timeout=60_000)


def shine(page, light):
    """Turn a page to a light, to less motion, or to paper."""
    page.emulate_media(
        color_scheme="dark" if light == "dark" else "light", media="print" if light == "print" else "screen",
        reduced_motion="reduce" if light == "still" else "no-preference",
    )  # fmt: skip
    box = page.locator("#sunlight")
    if box.count() and box.is_checked() != (light == "sun"):
        page.evaluate("() => document.getElementById('sunlight').click()")


def violations(axe, page, context=None):
    found = axe.run(page, context=context, options=STANDARD).response
    assert found["passes"]
    return [
        f"{one['id']}: {node['html'][:120]}: {node['failureSummary']}"
        for one in found["violations"]
        for node in one["nodes"]
    ]


def test_axe_finds_what_is_wrong(axe, tab, address):
    """The standard is looked for: a picture without words, a field without a label, grey on white, a small target."""
    page = tab(390)
    look(page, f"{address}/places")
    page.evaluate(
        """() => {
        const main = document.querySelector("main");
        main.append(Object.assign(new Image(), { src: "/static/x" }), document.createElement("input"));
        const pale = Object.assign(document.createElement("p"), { textContent: "pale" });
        pale.style.color = "#aaa";
        main.append(pale);
        for (const word of ["a", "b"]) {
          const small = Object.assign(document.createElement("button"), { textContent: word });
          small.style.cssText = "min-height: 0; width: 9px; height: 9px; padding: 0; display: block";
          main.append(small);
        }
        }"""
    )
    found = {one.partition(":")[0] for one in violations(axe, page)}
    assert {"image-alt", "label", "color-contrast", "target-size"} <= found


@quick("/places")
@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_breaks_the_standard_in_any_light(axe, tab, address, view, width):
    page = tab(width)
    look(page, f"{address}{view}")
    found = []
    for light in LIGHTS:
        shine(page, light)
        # Charts are large, and the same in each light but for their colours, whose contrast has a test of its own.
        told = violations(axe, page, None if light == "light" else WITHOUT_CHARTS)
        found += [f"{light}: {one}" for one in told]
    assert found == []


@thorough
@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_breaks_the_standard_while_a_question_is_asked(axe, tab, address, weather, width):
    page = tab(width)
    weather.always["forecast"] = Fault(delay=6)
    try:
        page.goto(f"{address}/best?place=52.4,6.{width}")
        assert page.get_by_role("button", name="Break off").is_visible()
        assert violations(axe, page) == []
        assert small_targets(page) == []
    finally:
        weather.always.clear()


def small_targets(page):
    """Return the controls that are less than 44 px wide or high, apart from links in a sentence."""
    return page.evaluate(
        """() => [...document.querySelectorAll("a[href], button, input, select, textarea, summary")].filter((one) => {
        if (!one.checkVisibility() || one.type === "hidden") return false;
        const told = one.parentElement.textContent.trim(), own = one.textContent.trim();
        if (getComputedStyle(one).display === "inline" && told.length > own.length) return false;
        const box = (one.type === "checkbox" ? one.closest("label") : one).getBoundingClientRect();
        return box.width < 43.9 || box.height < 43.9;
        }).map((one) => one.outerHTML.slice(0, 120))"""
    )


@quick(f"/best?place={HEATH}")
def test_targets_are_large_and_nothing_scrolls_sideways(tab, address, view):
    """At 390 px targets of 44 px; at 320 px, at a zoom of 200 per cent and with letters twice as large, all fits."""
    page = tab(390)
    look(page, f"{address}{view}")
    assert small_targets(page) == []
    assert fits(page)
    page.set_viewport_size({"width": 320, "height": 640})
    page.wait_for_function("() => document.documentElement.scrollWidth <= innerWidth")
    zoomed = tab(640, 422, scale=2)  # 1280 px at 200 per cent
    look(zoomed, f"{address}{view}")
    assert fits(zoomed)
    wide = tab(1280)
    look(wide, f"{address}{view}")
    wide.evaluate("() => { document.documentElement.style.fontSize = '200%'; }")
    wide.wait_for_function("() => document.documentElement.scrollWidth <= innerWidth")
