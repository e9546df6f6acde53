"""The page in a real browser: drawn, silent, asking nobody, and readable on a phone."""

from dataclasses import replace

import pytest

from tests.halves import spread
from tests.report.briefings import MEADOW, RANCH, brief, every_question, with_gaps
from tests.report.briefings import page as written

pytestmark = pytest.mark.browser

WIDTHS = {"desk": 1280, "phone": 390}
EVIL = "<script>alert(1)</script><img src=x onerror=alert(2)>"
DRAWN = ".js-plotly-plot .main-svg"


@pytest.fixture
def show(chromium, tmp_path):
    """Open a briefing's page from disk at a width; gives the page and what it said and asked for."""
    contexts = []

    def opened(briefing, width, **options):
        path = tmp_path / "page.html"
        path.write_text(written(briefing), encoding="utf-8")
        is_phone = width < 700
        context = chromium.new_context(
            viewport={"width": width, "height": 900}, has_touch=is_phone, is_mobile=is_phone, **options
        )
        contexts.append(context)
        page = context.new_page()
        told = []
        page.on("console", lambda message: told.append(message.text))
        page.on("pageerror", lambda fault: told.append(str(fault)))
        page.on("dialog", lambda dialog: (told.append(f"dialog {dialog.message}"), dialog.dismiss()))
        page.on("request", lambda r: None if r.url.startswith(("file:", "data:")) else told.append(r.url))
        page.goto(path.as_uri())
        return page, told

    yield opened
    for context in contexts:
        context.close()


def is_too_wide(page):
    return page.evaluate("() => document.documentElement.scrollWidth > window.innerWidth")


@pytest.mark.parametrize("width", spread(sorted(WIDTHS.values()), 2))
@pytest.mark.parametrize("name", spread(["best with gaps", "compare three", "week with gaps"], 3))
def test_a_page_draws_without_a_word_and_fits(show, name, width):
    page, told = show(every_question()[name], width)
    # Everything opened, so that every chart is drawn and every table is laid out.
    page.evaluate("() => document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    for box in page.locator(".chart").all():
        box.scroll_into_view_if_needed()
        box.locator(".main-svg").first.wait_for(timeout=30_000)
    assert told == []
    assert not is_too_wide(page)
    assert page.locator(".chart .main-svg").count() >= page.locator(".chart").count()


@pytest.mark.thorough
def test_a_cell_tells_its_values_by_mouse_and_by_touch(show):
    for width in WIDTHS.values():
        page, _ = show(brief(), width)
        page.wait_for_selector(DRAWN, timeout=30_000)
        page.evaluate("() => document.querySelector('.chart').scrollIntoView()")
        box = page.locator(".heatmaplayer image").first.bounding_box()
        at = (box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
        page.touchscreen.tap(*at) if width < 700 else page.mouse.move(*at)
        page.wait_for_selector(".hovertext", timeout=30_000)
        assert "margin" in page.locator(".hovertext").first.text_content()


@pytest.mark.thorough
def test_not_known_cells_are_hatched(show):
    page, _ = show(brief(cubes=[with_gaps()]), 1280)
    page.wait_for_selector(DRAWN, timeout=30_000)
    assert page.locator("pattern").count() >= 1
    assert page.locator(".bars .point text", has_text="?").count() >= 20


@pytest.mark.thorough
def test_cells_are_not_smeared(show):
    page, _ = show(brief(), 1280)
    page.wait_for_selector(DRAWN, timeout=30_000)
    rendering = "() => getComputedStyle(document.querySelector('.heatmaplayer image')).imageRendering"
    assert page.evaluate(rendering) == "pixelated"


@pytest.mark.thorough
def test_numbers_stay_legible_and_apart_on_a_phone(show):
    page, _ = show(brief(), 390)
    page.wait_for_selector(DRAWN, timeout=30_000)
    boxes = page.evaluate(
        """() => [...document.querySelectorAll('.heatmaplayer text')].map((t) => {
            const r = t.getBoundingClientRect();
            return [r.left, r.top, r.right, r.bottom, parseFloat(getComputedStyle(t).fontSize)];
        })"""
    )
    assert len(boxes) > 150
    assert all(size >= 12 for *_, size in boxes)
    overlapping = [
        (a, b)
        for i, a in enumerate(boxes)
        for b in boxes[i + 1 :]
        if a[0] < b[2] and b[0] < a[2] and a[1] + 3 < b[3] and b[1] + 3 < a[3]
    ]
    assert overlapping == []


@pytest.mark.thorough
@pytest.mark.parametrize("question", ["compare", "best"])
def test_a_script_in_a_name_is_shown_and_not_run(show, question):
    site = replace(MEADOW, name=EVIL)
    sites = [site, replace(RANCH, name="Ranch")] if question == "compare" else [site]
    page, told = show(brief(question, sites=sites), 1280)
    page.wait_for_selector(DRAWN, timeout=30_000)
    assert told == []
    assert EVIL in page.locator("h1").text_content()
    if question == "compare":
        assert "<script>alert(1)" in page.locator(".chart .main-svg").first.text_content()


@pytest.mark.thorough
def test_without_script_the_tables_are_there(show):
    page, told = show(brief(), 390, java_script_enabled=False)
    page.locator("details.table summary").first.click()
    assert page.locator("td", has_text="gust at 80 m, 5.0 of 10.7 m/s").first.is_visible()
    assert told == []


@pytest.mark.thorough
def test_turning_the_phone_draws_the_other_shape(show):
    page, _ = show(brief(), 390)
    page.wait_for_selector(DRAWN, timeout=30_000)
    tall = page.locator(".chart").first.bounding_box()["height"]
    page.set_viewport_size({"width": 844, "height": 390})
    page.wait_for_function("() => document.querySelector('.chart').dataset.width > 700", timeout=30_000)
    assert page.locator(".chart").first.bounding_box()["height"] < tall
    assert not is_too_wide(page)
