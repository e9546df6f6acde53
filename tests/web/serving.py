"""The server as a process of its own, a pilot who has places and zones, and a browser that looks at the pages."""

import json
import os
import re
import signal
import subprocess
import sys
import time
from contextlib import contextmanager

import httpx

from tests.cubes import WINDY, save_grid

WIDTHS = (390, 1280)
HEATH, MOOR = "heath", "moor"
"""Saved places: zones lie near the first."""
SITES = {HEATH: (52.0, 6.0), MOOR: (52.2, 6.3)}
WHERE = {"place": "52.0,6.0", "date": "2026-06-10", "as_of": "2026-06-10T05:00Z"}
"""A question to the grid that the server ranks."""


@contextmanager
def serving(*arguments, environment=None):
    """Run ``wxfly serve`` on a free port; give its address and its process, and see that it ends without a fault."""
    port = () if "--port" in arguments else ("--port", "0")
    with subprocess.Popen(
        [sys.executable, "-m", "wxfly", "serve", *port, *arguments], text=True, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, env={**os.environ, **(environment or {})},
    ) as process:  # fmt: skip
        try:
            yield re.search(r"http://\S+", process.stdout.readline())[0].rstrip("/"), process
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
            process.wait(timeout=30)
            err = process.stderr.read()
    assert "Traceback" not in err


def asked(address, path):
    """Ask until the answer is there."""
    for _ in range(600):
        reply = httpx.get(f"{address}{path}", timeout=60)
        if reply.status_code != 202 and b"data-ask-again" not in reply.content:
            return reply
        time.sleep(0.1)
    raise AssertionError(f"{path} was not answered")


def zone(name, kind, geometry):
    return {"type": "Feature", "properties": {"name": name, "type": kind}, "geometry": geometry}


def circle(longitude, latitude, radius):
    return {"type": "Point", "coordinates": [longitude, latitude], "extent": {"subType": "Circle", "radius": radius}}


def box(west, south, east, north):
    corners = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    return {"type": "Polygon", "coordinates": [corners]}


ZONES = [
    zone("Range", "PROHIBITED", circle(6.02, 52.01, 900)),
    zone("Field", "REQ_AUTHORISATION", box(6.03, 51.97, 6.09, 52.0)),
    zone("Reserve", "CONDITIONAL", box(5.93, 51.98, 6.005, 52.03)),
]


def pilot(folder, sites=SITES):
    """Save places and zones in a folder; return the variables that turn wxfly to it, and the file of a grid."""
    config = folder / "config"
    config.mkdir(parents=True)
    zones = folder / "zones.json"
    zones.write_text(json.dumps({"type": "FeatureCollection", "features": ZONES}), encoding="utf-8")
    (config / "config.toml").write_text(f"zones = {json.dumps(str(zones))}\n", encoding="utf-8")
    lines = [
        f'[{name}]\nlatitude = {place[0]}\nlongitude = {place[1]}\nsurface_altitude = 30.0\n'
        'time_zone = "Europe/Amsterdam"\n'
        for name, place in sites.items()
    ]  # fmt: skip
    (config / "sites.toml").write_text("\n".join(lines), encoding="utf-8")
    return {"WXFLY_CONFIG": str(config), "WXFLY_CACHE": str(folder / "cache")}, save_grid(folder, WINDY)


def open_page(page, address):
    """Open an address, and wait until its answer has come."""
    reply = page.goto(address)
    page.wait_for_function("() => !document.querySelector('[data-ask-again]')", timeout=60_000)
    return reply


def faults_of(page):
    """Return the list to which the page adds whatever it complains of, apart from replies that say what is wrong."""
    told = []

    def note(message):
        if message.type in ("error", "warning") and "the server responded with a status of" not in message.text:
            told.append(message.text)

    page.on("console", note)
    page.on("pageerror", lambda fault: told.append(str(fault)))
    return told


def fits(page):
    """Return whether the page needs no scrolling sideways."""
    return page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
