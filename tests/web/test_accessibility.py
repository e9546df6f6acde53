"""Every view against WCAG 2.2 A and AA, by axe-core and by measuring: in every light, on a phone, a laptop and paper.

References: W3C, Web Content Accessibility Guidelines 2.2 (2023): 1.4.4, 1.4.10, 2.5.5 with its exception of targets in
a sentence, 2.5.8.
"""

import pytest

from tests.server import Fault
from tests.web.serving import HEATH, WIDTHS, fits, open_page
from tests.web.views import VIEWS

pytestmark = pytest.mark.browser
thorough = pytest.mark.thorough


def quick(*some):
    """Give a test every view; all but some are of the thorough half."""
    return pytest.mark.parametrize("view", [v if v in some else pytest.param(v, marks=thorough) for v in VIEWS])


LEVELS = [f"wcag2{minor}{level}" for minor in ("", "1", "2") for level in ("a", "aa")]
STANDARD = {"runOnly": {"type": "tag", "values": LEVELS}}
ON_PAPER = {**STANDARD, "rules": {"target-size": {"enabled": False}}}
PHONE, LAPTOP = WIDTHS
NARROWEST, ZOOMED = 320, LAPTOP // 2
LIGHTS = (
    (NARROWEST, "light"), (PHONE, "dark"), (PHONE, "sun"), (ZOOMED, "light"), (LAPTOP, "dark"), (LAPTOP, "print"),
)  # fmt: skip
"""Widths and lights. Nothing moves in the dark ones; paper has one width; half a laptop's is that at 200 per cent."""


@pytest.fixture(scope="module")
def axe():
    """Return axe-core, which a package of the registry brings."""
    return pytest.importorskip("axe_playwright_python.sync_playwright", reason="the extra dev brings it").Axe()


@pytest.fixture
def tab(chromium):
    """Open tabs of a size; they are closed afterwards."""
    contexts = []

    def opened(width):
        contexts.append(chromium.new_context(viewport={"width": width, "height": 844}))
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
    """Turn a page to a light, or to paper."""
    page.emulate_media(
        color_scheme="dark" if light == "dark" else "light", media="print" if light == "print" else "screen",
        reduced_motion="reduce" if light == "dark" else "no-preference",
    )  # fmt: skip
    box = page.locator("#sunlight")
    if box.count() and box.is_checked() != (light == "sun"):
        page.evaluate("() => document.getElementById('sunlight').click()")


def redrawn(page, light):
    """Wait until the charts that a page has drawn are those of a width and a light."""
    if light == "print":
        page.evaluate("() => window.dispatchEvent(new Event('beforeprint'))")
    page.wait_for_function(
        """(by) => [...document.querySelectorAll("[data-drawn]")].every((one) => one.dataset.drawn.endsWith(by)
        && (by !== " plain" || Math.abs(one.dataset.width - one.getBoundingClientRect().width) < 1))""",
        arg=" " + {"light": "plain", "print": "1000 plain"}.get(light, light),
    )


def violations(axe, page, options=STANDARD):
    found = axe.run(page, options=options).response
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


@quick()
def test_nothing_breaks_the_standard_in_any_light_and_width(axe, tab, address, view):
    page = tab(PHONE)
    look(page, f"{address}{view}")
    found = []
    for width, light in LIGHTS:
        page.set_viewport_size({"width": width, "height": 844})
        shine(page, light)
        redrawn(page, light)
        told = violations(axe, page, ON_PAPER if light == "print" else STANDARD)
        found += [f"{width} px, {light}: {one}" for one in told]
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


def cut_off(page):
    """Return the texts that leave the page at its right edge, where nothing scrolls to them, or that a box cuts off."""
    return page.evaluate(
        """() => [...document.querySelectorAll("body *")].filter((one) => {
        const own = [...one.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
        const elsewhere = "svg, nav, .unseen, .skip, caption, thead, script";
        if (!own || !one.checkVisibility() || one.closest(elsewhere)) return false;
        if (one.getBoundingClientRect().right > innerWidth + 1) return true;
        return getComputedStyle(one).overflowX !== "visible" && one.scrollWidth > one.clientWidth + 1;
        }).map((one) => one.outerHTML.slice(0, 120))"""
    )


@quick(f"/best?place={HEATH}")
def test_targets_are_large_and_nothing_scrolls_sideways(tab, address, view):
    """At 390 px targets of 44 px; at 320 px, at a zoom of 200 per cent and with letters twice as large, all fits."""
    page = tab(390)
    look(page, f"{address}{view}")
    assert small_targets(page) == []
    assert fits(page)
    for width in (NARROWEST, ZOOMED):
        page.set_viewport_size({"width": width, "height": 640})
        page.wait_for_function("() => document.documentElement.scrollWidth <= innerWidth")
    page.evaluate("() => { document.documentElement.style.fontSize = '200%'; }")
    for width in (LAPTOP, PHONE):
        page.set_viewport_size({"width": width, "height": 844})
        page.wait_for_function("() => document.documentElement.scrollWidth <= innerWidth")
        assert cut_off(page) == []
