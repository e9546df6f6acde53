"""Faults of the forecast service, one by one, and the words that the pilot must find in the one line."""

import gzip
import json
import zlib
from functools import cache

from tests.server import Fault

SECRET_HOST = "https://elsewhere.example.org/v1/forecast"


def refused(reason, status=400):
    return Fault(status=status, body=json.dumps({"error": True, "reason": reason}).encode())


def changed(change):
    """Change the proper reply as a document."""

    def apply(body):
        document = json.loads(body)
        return json.dumps(change(document) or document).encode()

    return Fault(change=apply)


def column(name, values):
    """Put other values in a column of the reply."""

    def apply(document):
        hours = len(document["hourly"]["time"])
        document["hourly"][name] = values(document["hourly"][name], hours)

    return changed(apply)


def unit(name, text):
    return changed(lambda document: document["hourly_units"].update({name: text}))


def without(*path):
    def apply(document):
        node = document
        for key in path[:-1]:
            node = node[key]
        del node[path[-1]]

    return changed(apply)


@cache
def _bomb():
    packer = zlib.compressobj(9, wbits=31)
    return b"".join(packer.compress(b" " * 1_000_000) for _ in range(100)) + packer.flush()


def _swapped(times, _):
    return [times[1], times[0], *times[2:]]


def _repeated(times, _):
    return [times[0], *times[:-1]]


PACKED = {"Content-Encoding": "gzip"}
PAGE = {"Content-Type": "text/html"}

# Seconds of patience for faults that end by patience alone; all others are answered at once.
PATIENCE = {"silence": 1.0, "a body that drips": 1.0, "too many in this minute": 3.0}

# name -> (fault, words that the line must hold)
FAULTS = {
    # the connection
    "the connection is dropped": (Fault(drop=True), "the connection broke"),
    "the body is cut short": (Fault(cut=400), "the connection broke"),
    "silence": (Fault(delay=2.5), "no answer in time"),
    "a body that drips": (Fault(drip=0.05), "did not end within|no answer in time"),
    # refusals
    "bad request": (refused("Parameter 'x' is wrong"), "refused (Parameter 'x' is wrong)"),
    "no data for the place": (
        refused("No data is available for this location"),
        "No data is available for this location",
    ),
    "unauthorised": (refused("no key", 401), "the service refuses us (no key); if you have a key for it, is it right?"),
    "forbidden": (Fault(status=403, body=b"<html>", headers=PAGE), "the service refuses us (status 403)"),
    "not found": (Fault(status=404, body=b""), "refused (status 404)"),
    "gone": (Fault(status=410, body=b""), "refused (status 410)"),
    "too many in this minute": (
        refused("Minutely API request limit exceeded. Please try again in one minute.", 429),
        "try again in a minute",
    ),
    "too many in this hour": (
        refused("Hourly API request limit exceeded. Please try again in the next hour.", 429),
        "try again in the next hour",
    ),
    "too many today": (
        refused("Daily API request limit exceeded. Please try again tomorrow.", 429),
        "try again tomorrow (UTC)",
    ),
    "too many at once": (refused("Too many concurrent requests", 429), "too many requests"),
    "server error": (refused("Something went wrong.", 500), "the service has trouble (Something went wrong.)"),
    "bad gateway": (Fault(status=502, body=b"<html>", headers=PAGE), "the service has trouble (status 502)"),
    "overloaded": (refused("The service is overloaded", 503), "the service has trouble (The service is overloaded)"),
    "gateway timeout": (Fault(status=504, body=b"<html>", headers=PAGE), "the service has trouble (status 504)"),
    "not modified though not asked": (Fault(status=304, body=b""), "refused (status 304)"),
    "nothing with 204": (Fault(status=204, body=b""), "refused (status 204)"),
    "a redirect elsewhere": (
        Fault(status=302, body=b"", headers={"Location": SECRET_HOST}),
        "refused to contact elsewhere.example.org",
    ),
    "redirects without end": (
        Fault(status=302, body=b"", headers={"Location": "/v1/forecast"}),
        "redirected too often",
    ),
    # bodies that are no reply
    "an empty body": (Fault(body=b""), "an empty body"),
    "a sign-in page with status 200": (
        Fault(body=b"<html>Welcome to the hotel</html>", headers=PAGE),
        "a web page came back",
    ),
    "half of the JSON": (Fault(change=lambda body: body[: len(body) // 2]), "not whole JSON"),
    "an error in the middle": (
        Fault(change=lambda body: body[:500] + b"Unexpected error while streaming data: x"),
        "failed while it was sending",
    ),
    "bare nan": (Fault(body=b'{"latitude":nan,"longitude":nan,"generationtime_ms":0.1}'), "does not cover the place"),
    "an error with status 200": (
        Fault(body=b'{"error":true,"reason":"not today"}'),
        "the reply is an error (not today)",
    ),
    "JSON of something else": (Fault(body=b'{"results":[]}'), "latitude is missing"),
    "a number": (Fault(body=b"17"), "not a reply of the forecast service"),
    "damaged gzip": (Fault(body=b"\x1f\x8b\x08\x00junkjunkjunk", headers=PACKED), "packed body"),
    "gzip cut short": (
        Fault(change=lambda body: gzip.compress(body)[:-20], headers=PACKED),
        "the packed body was cut short",
    ),
    "a packing that was not asked for": (Fault(headers={"Content-Encoding": "br"}), "packed as 'br'"),
    "100 MB out of 100 kB": (Fault(change=lambda _: _bomb(), headers=PACKED), "larger than 60 MB"),
    "nesting without end": (Fault(body=b"[" * 200_000), "not whole JSON"),
    # replies that are wrong
    "km/h in place of m/s": (unit("wind_speed_10m", "km/h"), "wind_speed_10m came in 'km/h', wanted 'm/s'"),
    "an unknown unit": (unit("temperature_2m", "gas mark"), "temperature_2m came in 'gas mark', wanted '°C'"),
    "a unit missing": (without("hourly_units", "visibility"), "visibility came in 'None', wanted 'm'"),
    "local times": (unit("time", "iso8601"), "time came as 'iso8601', wanted unixtime"),
    "a variable missing": (without("hourly", "wind_gusts_10m"), "wind_gusts_10m was asked for and did not come"),
    "no hours at all": (without("hourly"), "no hourly values"),
    "a column too short": (column("precipitation", lambda v, n: v[:-1]), "precipitation has 143 values for 144 hours"),
    "text in a column": (column("cape", lambda v, n: ["high", *v[1:]]), "cape holds something that is not a number"),
    "hours repeated": (column("time", _repeated), "time does not increase"),
    "hours out of order": (column("time", _swapped), "time does not increase"),
    "an hour left out": (column("time", lambda v, n: [*v[:5], *(t + 3600 for t in v[5:])]), "time is not hourly"),
    "hours off the full hour": (column("time", lambda v, n: [t + 600 for t in v]), "not on the full hour"),
    "hours of last year": (column("time", lambda v, n: [t - 365 * 86400 for t in v]), "not for the days to come"),
    "hours of next year": (column("time", lambda v, n: [t + 365 * 86400 for t in v]), "not for the days to come"),
    "a wind of 500 m/s": (column("wind_speed_80m", lambda v, n: [500.0, *v[1:]]), "wind_speed has the value 500 m s-1"),
    "colder than ice can be": (
        column("temperature_2m", lambda v, n: [-400.0, *v[1:]]),
        "air_temperature has the value",
    ),
    "rain below nothing": (
        column("precipitation", lambda v, n: [-3.0, *v[1:]]),
        "precipitation_amount has the value -3",
    ),
    "a pressure in Pa called hPa": (
        column("surface_pressure", lambda v, n: [x * 100 for x in v]),
        "surface_air_pressure has the value",
    ),
    "values that have no unit": (unit("wind_gusts_10m", "undefined"), "wind_gusts_10m has values and no unit"),
    "another place": (changed(lambda d: d.update(latitude=48.1)), "the answer is for a place 468 km away"),
    "another model in the names": (
        changed(
            lambda d: {
                **d,
                "hourly": {k if k == "time" else f"{k}_icon_d2": v for k, v in d["hourly"].items()},
                "hourly_units": {k if k == "time" else f"{k}_icon_d2": v for k, v in d["hourly_units"].items()},
            }
        ),
        "it is of the model icon_d2, not of icon_eu",
    ),
    "an ensemble": (
        changed(lambda d: d["hourly"].update(temperature_2m_member01=d["hourly"]["temperature_2m"])),
        "an ensemble reply",
    ),
    "two places in place of one": (
        changed(lambda d: [d, {**d, "location_id": 1}]),
        "1 places were asked for and 2 came",
    ),
}
