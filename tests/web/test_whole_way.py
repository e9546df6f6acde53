"""The whole job in a browser, against the running server, on a phone and on a laptop: one test for each step."""

import re
from urllib.parse import urlencode

import pytest

from tests.web.serving import HEATH, MOOR, WHERE, WIDTHS, asked, faults_of, fits, open_page, pilot, serving
from wxfly.web.api import ROOT

pytestmark = pytest.mark.browser
PHONE = WIDTHS[0]
thorough = pytest.mark.thorough


@pytest.fixture(params=[PHONE, *(pytest.param(width, marks=thorough) for width in WIDTHS[1:])])
def page(request, chromium):
    """Open a tab of a width; what the page complains of, or what does not fit it, fails the step."""
    is_phone = request.param < 700
    context = chromium.new_context(
        viewport={"width": request.param, "height": 844}, has_touch=is_phone, is_mobile=is_phone
    )
    tab = context.new_page()
    told = faults_of(tab)
    yield tab
    too_wide = not fits(tab)
    context.close()
    assert told == []
    assert not too_wide


def fill(page, **values):
    """Type values into the fields of the form that is open."""
    for name, value in values.items():
        page.locator(f"[name={name}]:visible").first.fill(value)


def press(page, name):
    """Press a button or follow a link, by the words on it, and wait for what it leads to."""
    page.get_by_role("button", name=name, exact=True).or_(page.get_by_role("link", name=name, exact=True)).first.click()
    page.wait_for_load_state()
    page.wait_for_function("() => !document.querySelector('[data-ask-again]')", timeout=60_000)


def plain(text):
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{WORD JOINER}", "")


def heading(page):
    return plain(page.locator("h1").inner_text())


def is_drawn(page, chart):
    """Wait for a chart; its table must be there."""
    box = page.locator(f"#{chart}")
    box.scroll_into_view_if_needed()
    page.wait_for_selector(f"#{chart} .main-svg", timeout=60_000)
    assert page.locator("table").count() >= 1


def test_from_the_start_to_an_answer_and_on_to_the_week(address, page):
    """Start, best, week and check: two taps lead to the answer, a third to the next question."""
    open_page(page, f"{address}/")
    page.locator(".answer-link", has_text=HEATH).first.click()
    page.wait_for_url(f"**/best?place={HEATH}")
    page.wait_for_function("() => document.querySelector('dl')", timeout=60_000)
    told = page.request.get(f"{address}{ROOT}/best?place={HEATH}").json()["verdict"]["first_line"]
    assert HEATH in told
    assert heading(page) == told
    assert page.locator("section.answer > dl > dt").count() >= 3
    is_drawn(page, "chart0")
    press(page, "The week")
    assert f"/week?place={HEATH}" in page.url
    is_drawn(page, "chart0")


@thorough
def test_set_up(address, page):
    """A place, a plan and a setting, saved by forms; the start page has the place, and the plan can be asked with."""
    name, plan = f"meadow-{page.viewport_size['width']}", f"roof-{page.viewport_size['width']}"
    open_page(page, f"{address}/places")
    fill(page, name=name, at="52.31,6.84")
    press(page, "Save")
    assert f"saved {name}" in page.get_by_role("status").inner_text()
    open_page(page, f"{address}/plans")
    fill(page, name=plan, duration="30min")
    press(page, "Save")
    assert f"saved plan {plan}" in page.get_by_role("status").inner_text()
    open_page(page, f"{address}/settings")
    fill(page, home=HEATH)
    press(page, "Save")
    assert re.search("saved home|nothing was changed", page.get_by_role("status").inner_text())
    open_page(page, f"{address}/?plan={plan}")
    assert HEATH in page.locator(".answer-link").first.inner_text()
    page.locator(".answer-link", has_text=name).first.click()
    page.wait_for_url(f"**/best?place={name}&plan={plan}")
    open_page(page, f"{address}/places/remove?name={name}")
    press(page, "Remove it")
    assert f"removed {name}" in page.get_by_role("status").inner_text()


@thorough
def test_a_mistake_is_told_and_what_was_typed_stays(address, page):
    open_page(page, f"{address}/places")
    fill(page, name="hill", at="152,6")
    page.get_by_role("button", name="Save").click()
    page.wait_for_selector("[role=alert]")
    assert "latitude" in page.get_by_role("alert").inner_text()
    assert page.locator("[name=name]:visible").input_value() == "hill"


@thorough
def test_best_asked_by_the_form(address, page):
    open_page(page, f"{address}/")
    fill(page, place=HEATH, height="70m")
    press(page, "Ask for the best hour")
    assert f"/best?place={HEATH}&height=70m" in page.url
    assert HEATH in heading(page)
    is_drawn(page, "chart0")
    page.locator("details.table summary, details summary", has_text="Table").first.click()
    assert page.locator("table").first.is_visible()


@thorough
def test_compare(address, page):
    open_page(page, f"{address}/compare")
    for place, at in zip((HEATH, MOOR), page.locator("[name=place]:visible").all(), strict=False):
        at.fill(place)
    press(page, "Ask")
    assert f"place={HEATH}&place={MOOR}" in page.url
    assert {HEATH, MOOR} <= set(re.findall(r"\w+", page.locator("main").inner_text()))
    is_drawn(page, "chart0")


@thorough
def test_week_by_its_menu(address, page):
    open_page(page, f"{address}/")
    page.get_by_label("Pages").get_by_role("link", name="Week").click()
    page.wait_for_load_state()
    page.wait_for_function("() => !document.querySelector('[data-ask-again]')", timeout=60_000)
    page.locator(".ask summary").first.click()
    fill(page, place=MOOR, days="3")
    press(page, "Ask")
    assert f"/week?place={MOOR}&days=3" in page.url
    is_drawn(page, "chart0")
    assert page.locator("main h3").count() == 3


@thorough
def test_why_an_hour_that_is_asked_in_words(address, page):
    open_page(page, f"{address}/why")
    fill(page, place=HEATH, hour="tomorrow 15:00")
    press(page, "Ask")
    assert "hour=tomorrow+15%3A00" in page.url
    assert "15:00" in heading(page)
    assert page.locator("section.answer table tbody tr").count() >= 5


@thorough
def test_where(address, page):
    open_page(page, f"{address}/where?{urlencode(WHERE)}")
    assert "best 49 km SSW" in heading(page)
    is_drawn(page, "chart0")
    control = page.get_by_role("slider", name="Hour of the map")
    told = page.locator(".hour .said")
    first = plain(told.inner_text())
    assert re.match(r"Wed 10 Jun \d\d:00–\d\d:00 CEST: \d+ of \d+ cells with room", first)
    box = control.bounding_box()
    assert box["height"] >= 44
    page.mouse.click(box["x"] + 0.9 * box["width"], box["y"] + box["height"] / 2)
    page.wait_for_function("(was) => document.querySelector('.hour .said').textContent !== was", arg=first)


@thorough
def test_the_hour_of_where_is_chosen_by_keyboard(address, page):
    """The control has a name and says the hour in words; the map follows it, also on paper and in another light."""
    open_page(page, f"{address}/where?{urlencode(WHERE)}")
    is_drawn(page, "chart0")
    control = page.get_by_role("slider", name="Hour of the map")
    page.locator(".sunlight input").focus()
    for _ in range(60):
        page.keyboard.press("Tab")
        if control.evaluate("(one) => one === document.activeElement"):
            break
    assert control.evaluate("(one) => one === document.activeElement && one.matches(':focus-visible')")

    def drawn():
        return page.locator("#chart0").get_attribute("data-drawn")

    last = control.get_attribute("max")
    for key, wanted in (("Home", "0"), ("ArrowRight", "1"), ("ArrowRight", "2"), ("ArrowLeft", "1"), ("End", last)):
        page.keyboard.press(key)
        assert control.input_value() == wanted
        said = control.get_attribute("aria-valuetext")
        assert said == page.locator(".hour .said").text_content()
        row = page.locator("details.table tbody tr").nth(int(wanted)).locator("th")
        span = plain(row.text_content()).replace("\N{WORD JOINER}", "")
        assert said.startswith(f"{span}: ")
        assert drawn().startswith(f"{wanted} ")
        assert span in page.evaluate("() => document.getElementById('chart0').data[2].customdata[0]")
    page.check("#sunlight")
    page.wait_for_function("() => document.querySelector('#chart0').dataset.drawn.endsWith('sun')")
    assert drawn().startswith(f"{last} ")
    page.emulate_media(media="print")
    page.evaluate("() => window.dispatchEvent(new Event('beforeprint'))")
    assert drawn().startswith(f"{last} 1000 ")
    assert page.locator(".hour .said").is_visible()


@thorough
def test_the_brief(address, page):
    open_page(page, f"{address}/best?place=Kelderness")
    press(page, "The flight brief")
    assert "/brief?place=Kelderness" in page.url
    assert "Launch" in page.locator("main").inner_text()


@thorough
def test_the_field_check(address, page):
    open_page(page, f"{address}/best?place=Kelderness")
    press(page, "A reading on the spot")
    fill(page, mean="3m/s", gust="5m/s")
    press(page, "Ask")
    assert "mean=3m" in page.url
    told = page.locator("section.answer").first.inner_text().replace("\N{NO-BREAK SPACE}", " ")
    assert "mean 3.0, gust 5.0 m/s at 2 m" in told
    assert page.locator("section.answer dt").count() >= 2


@thorough
def test_zones_on_the_maps_and_in_the_answer(address, page):
    open_page(page, f"{address}/?around={HEATH}&within=8km")
    is_drawn(page, "map")
    said = page.locator("#map-table").inner_text()
    for name in ("Range", "Field", "Reserve"):
        assert name in said
    drawn = page.evaluate("() => document.getElementById('map').data.filter((one) => one.name === 'zone').length")
    assert drawn == 3
    assert {"Z1", "Z2", "Z3"} <= set(page.locator("#map .textpoint").all_text_contents())
    open_page(page, f"{address}/best?place={HEATH}")
    assert heading(page).startswith("In a zone")
    assert "Reserve" in page.locator("header .notice", has_text="Zones: ").inner_text()
    open_page(page, f"{address}/where?{urlencode(WHERE)}")
    is_drawn(page, "chart0")
    drawn = page.evaluate("() => document.getElementById('chart0').data.filter((one) => one.name === 'zone').length")
    assert drawn == 3
    assert {"Range", "Field", "Reserve"} <= set(re.findall(r"\w+", page.locator(".zones").inner_text()))


@thorough
def test_by_keyboard_alone(address, page):
    """The start leads to the answer, and that to the next question, without a mouse: skip, the first place, a form."""
    open_page(page, f"{address}/")
    page.keyboard.press("Tab")
    assert page.evaluate("() => document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    for _ in range(6):
        page.keyboard.press("Tab")
        if page.evaluate("() => document.activeElement.className") == "answer-link":
            break
    assert page.evaluate("() => getComputedStyle(document.activeElement).outlineWidth") == "3px"
    page.keyboard.press("Enter")
    page.wait_for_url("**/best?place=*")
    page.wait_for_function("() => document.querySelector('section.answer')", timeout=60_000)
    for _ in range(40):  # to the form that is folded above the verdict
        page.keyboard.press("Tab")
        if page.evaluate("() => document.activeElement.matches('.ask > details > summary')"):
            break
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("() => document.activeElement.name") == "place"
    page.keyboard.press("Control+A")
    page.keyboard.type(MOOR)
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/best?place={MOOR}*")
    page.wait_for_function("() => document.querySelector('section.answer')", timeout=60_000)
    assert MOOR in heading(page)


@thorough
def test_again_without_the_server(weather, page, tmp_path):
    """The last answer opens with its age in the first line; what was never opened says what to do."""
    environment, _ = pilot(tmp_path / "pilot")
    with serving(environment=weather.environment() | environment) as (address, process):
        asked(address, f"/best?place={HEATH}")
        open_page(page, f"{address}/")
        page.evaluate("() => navigator.serviceWorker.ready")
        page.wait_for_function("() => navigator.serviceWorker.controller")
        open_page(page, f"{address}/best?place={HEATH}")
        said = heading(page)
        process.terminate()
        process.wait(timeout=30)
        page.reload()
        assert re.search(r"Kept answer, \d+ min old", page.locator("body > p").first.inner_text())
        assert heading(page) == said
        is_drawn(page, "chart0")
        assert fits(page)
        told = page.goto(f"{address}/week").status
        assert told == 503 and "does not answer" in heading(page)
