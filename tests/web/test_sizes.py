"""What a view costs of a phone's connection, as the browser counts it: small before the charts, small ever after."""

import pytest

from tests.web.serving import HEATH, open_page
from tests.web.views import VIEWS

pytestmark = pytest.mark.browser

BEFORE_CHARTS, WITH_CHARTS, SECOND = 150_000, 1_600_000, 100_000
"""Most of a first view before the chart library, of all that it loads, and of any view after it [byte]."""
QUICK = (f"/best?place={HEATH}",)


@pytest.fixture
def counted(chromium):
    """Open a tab that keeps nothing yet; give it and the bytes that came over the connection, by address."""
    context = chromium.new_context(viewport={"width": 390, "height": 844}, service_workers="block")
    page = context.new_page()
    counts, addresses = {}, {}
    session = context.new_cdp_session(page)
    session.send("Network.enable")
    session.on("Network.requestWillBeSent", lambda said: addresses.update({said["requestId"]: said["request"]["url"]}))

    def count(said):
        address = addresses.get(said["requestId"], "")
        counts[address] = counts.get(address, 0) + said["encodedDataLength"]

    session.on("Network.loadingFinished", count)
    yield page, counts
    context.close()


def load(page, address):
    open_page(page, address)
    if page.locator(".chart").count():
        page.locator(".chart").first.scroll_into_view_if_needed()
        page.wait_for_selector(".chart .main-svg", timeout=60_000)


@pytest.mark.parametrize("view", [v if v in QUICK else pytest.param(v, marks=pytest.mark.thorough) for v in VIEWS])
def test_a_first_and_a_second_view_are_small(address, counted, view):
    page, counts = counted
    load(page, f"{address}{view}")
    of_library = sum(size for name, size in counts.items() if "plotly" in name)
    first = sum(counts.values())
    assert 1000 < first - of_library < BEFORE_CHARTS
    assert first < WITH_CHARTS
    assert bool(of_library) == bool(page.locator(".chart").count())
    counts.clear()
    load(page, f"{address}{view}")
    assert 500 < sum(counts.values()) < SECOND
