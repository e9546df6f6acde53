"""What a view of the page costs the browser, as ratios to an almost empty page of the same server.

    python tests/benchmarks/page.py [--times 5]

It needs playwright and a chromium. It prints one JSON object: by view the median of the largest paint and of the time
in scripts, both divided by those of the page that says that there is no such page. Each view is opened in a browser
that keeps nothing yet.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
from pathlib import Path
from statistics import median
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.web.serving import asked, serving

EMPTY = "/no-such-page"
VIEWS = ("/", "/best?place=Kelderness", "/week?place=Valdrenna", "/compare?place=Kelderness&place=Valdrenna", "/plans")
_PAINT = """() => new Promise((told) => new PerformanceObserver(
    (list) => told(list.getEntries().at(-1).startTime)
).observe({ type: "largest-contentful-paint", buffered: true }))"""


def costs(browser: Any, address: str) -> tuple[float, float]:
    """Return the largest paint of a page and the time in its scripts [ms]."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, service_workers="block")
    page = context.new_page()
    session = context.new_cdp_session(page)
    session.send("Performance.enable")
    page.goto(address)
    paint = page.evaluate(_PAINT)  # of what is seen at first
    if page.locator(".chart").count():
        page.locator(".chart").first.scroll_into_view_if_needed()
        page.wait_for_selector(".chart .main-svg")
    metrics = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    context.close()
    return paint, 1000 * metrics["ScriptDuration"]


def main() -> None:
    """Print the figures."""
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=5)
    times = parser.parse_args().times
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as started:
        own = {"WXFLY_CONFIG": f"{folder}/config", "WXFLY_CACHE": f"{folder}/cache"}
        browser = started.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        with serving(environment=own) as (address, _):
            found: dict[str, list[tuple[float, float]]] = {view: [] for view in (EMPTY, *VIEWS)}
            for _ in range(times):
                for view, each in found.items():
                    asked(address, view)  # so that its answer is there
                    each.append(costs(browser, f"{address}{view}"))
        browser.close()
    middle = {view: [median(column) for column in zip(*each, strict=True)] for view, each in found.items()}
    ratios = {
        view: {
            "largest_paint_to_empty": round(paint / middle[EMPTY][0], 2),
            "scripts_to_empty": round(script / middle[EMPTY][1], 2),
        }
        for view, (paint, script) in middle.items()
        if view != EMPTY
    }
    print(json.dumps(ratios))


if __name__ == "__main__":
    main()
