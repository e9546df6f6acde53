"""The page in a real browser: drawn, silent, asking nobody, and readable on a phone."""

import re
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


@pytest.mark.thorough
def test_a_box_gives_more_contrast_for_bright_sun_without_script_too(show):
    for script in (True, False):
        page, told = show(brief(), 390, java_script_enabled=script, color_scheme="dark")
        colours = "() => [getComputedStyle(document.body).backgroundColor, getComputedStyle(document.body).color]"
        if script:
            page.wait_for_selector(DRAWN, timeout=30_000)
        assert page.evaluate(colours) != ["rgb(255, 255, 255)", "rgb(0, 0, 0)"]
        page.check("#sunlight")
        assert page.evaluate(colours) == ["rgb(255, 255, 255)", "rgb(0, 0, 0)"]
        if script:
            page.wait_for_function("() => document.querySelector('.chart').dataset.drawn.endsWith('sun')")
        assert told == []


@pytest.mark.thorough
@pytest.mark.parametrize(("name", "pages"), [("best", 2), ("week", 6), ("compare three", 8)])
def test_paper_shows_tables_and_whole_charts_on_few_pages(show, name, pages):
    page, told = show(every_question()[name] if name != "best" else brief(), 1280)
    page.wait_for_selector(DRAWN, timeout=30_000)
    printed = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) <= pages
    page.emulate_media(media="print")
    page.evaluate("() => window.dispatchEvent(new Event('beforeprint'))")
    heights = page.evaluate(
        "() => [...document.querySelectorAll('.chart')].map((c) => c.getBoundingClientRect().height)"
    )
    assert max(heights) < 1039  # pixels of A4 between the margins
    assert page.locator("details.table table").last.is_visible()
    assert told == []


@pytest.mark.thorough
@pytest.mark.parametrize("width", WIDTHS.values())
def test_no_text_is_smaller_than_12_pixels(show, width):
    page, _ = show(every_question()["compare three"], width)
    page.locator(".chart").first.scroll_into_view_if_needed()
    page.wait_for_selector(DRAWN, timeout=30_000)
    sizes = page.evaluate(
        """() => [...document.querySelectorAll('body *')].filter((e) => e.textContent.trim()
            && !['SCRIPT', 'STYLE'].includes(e.tagName) && e.getClientRects().length)
            .map((e) => parseFloat(getComputedStyle(e).fontSize))"""
    )
    assert min(size for size in sizes if size) >= 12


@pytest.mark.thorough
def test_words_on_the_chart_of_wind_touch_neither_each_other_nor_an_arrow(show):
    for width in WIDTHS.values():
        page, _ = show(brief("compare", sites=[MEADOW, RANCH]), width)
        for box in page.locator(".chart").all():
            box.scroll_into_view_if_needed()
            box.locator(".main-svg").first.wait_for(timeout=30_000)
        touching = page.evaluate(
            """() => [...document.querySelectorAll('.chart')].flatMap((chart) => {
                const marks = [...chart.querySelectorAll('.annotation-text, .textpoint text, .points path')]
                    .filter((m) => getComputedStyle(m).opacity !== '0');
                const at = marks.map((m) => m.getBoundingClientRect());
                const found = [];
                at.forEach((a, i) => at.slice(i + 1).forEach((b, k) => {
                    if (a.left + 1 < b.right && b.left + 1 < a.right && a.top + 3 < b.bottom && b.top + 3 < a.bottom) {
                        const other = marks[i + 1 + k];
                        if (marks[i].textContent || other.textContent) {
                            found.push([marks[i].textContent, other.textContent]);
                        }
                    }
                }));
                return found;
            })"""
        )
        assert touching == []


@pytest.mark.thorough
def test_forced_colours_leave_the_charts_their_own(show):
    page, told = show(brief(), 1280, forced_colors="active")
    page.wait_for_selector(DRAWN, timeout=30_000)
    fills = page.evaluate(
        "() => [...document.querySelectorAll('.chart .xtick text')].map((t) => getComputedStyle(t).fill)"
    )
    assert set(fills) == {"rgb(42, 10, 28)"}
    assert told == []
