"""Faults of the services beside the forecast's, and what each must end in.

A fault that any service may have is played to all; then come replies that are wrong for one of them.
"""

import json
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from tests.faults.table import PACKED, PAGE, SECRET_HOST, changed, refused
from tests.server import Fault

NOTE = "answered, and told in a note"
REFUSAL = "one line and exit code 1; with a forecast in the store, that one and a note"
OWN_GROUND = "answered for the ground of the forecast"

PLACE = "52.31,6.84"


@dataclass(frozen=True)
class Service:
    """One service: the question that asks it, how its fault must end, and how the line about it begins."""

    question: tuple[str, ...]
    ends_in: str
    line: str
    kept: str  # the folder of replies, or of forecasts, in which nothing may be left


KP = "Kp is not known in full: NOAA Space Weather Prediction Center"
FETCH = ("fetch", PLACE, "--model", "icon_eu")
SERVICES = {
    "metadata": Service(FETCH, NOTE, "when the model ran is not known", "replies/metadata"),
    "kp": Service(FETCH, NOTE, KP, "replies/space_weather"),
    "outlook": Service(FETCH, NOTE, KP, "replies/space_weather"),
    "elevation": Service(FETCH, OWN_GROUND, "", "replies/ground"),
    "geocoding": Service(("fetch", "Oldermoor"), REFUSAL, "place search for 'Oldermoor'", "replies/places"),
    "met_norway": Service(
        ("fetch", PLACE, "--model", "met_norway"), REFUSAL, "MET Norway for 52.31, 6.84", "forecasts/met_norway"
    ),
    "aviation_weather": Service(
        ("observed", PLACE, "--model", "icon_eu"), REFUSAL, "Aviation Weather Center", "replies/reports"
    ),
    "aerodrome_forecasts": Service(
        ("observed", PLACE, "--model", "icon_eu"), NOTE, "No airport's own forecast is available: Aviation Weather",
        "replies/aerodrome_forecasts",
    ),
}  # fmt: skip

EVERYWHERE = {
    "the connection is dropped": (Fault(drop=True), "the connection broke"),
    "forbidden": (Fault(status=403, body=b"<html>", headers=PAGE), "refuses us (status 403)"),
    "too many today": (
        refused("Daily API request limit exceeded. Please try again tomorrow.", 429),
        "try again tomorrow",
    ),
    "server error": (Fault(status=500, body=b"<html>", headers=PAGE), "the service has trouble (status 500)"),
    "a redirect elsewhere": (
        Fault(status=302, body=b"", headers={"Location": SECRET_HOST}),
        "refused to contact elsewhere.example.org",
    ),
    "a sign-in page with status 200": (
        Fault(body=b"<html>Welcome to the hotel</html>", headers=PAGE),
        "a web page came back|no line ':Issued:'",
    ),
    "half of the reply": (Fault(change=lambda body: body[: len(body) // 2]), "not whole JSON|cannot be read"),
    "damaged gzip": (Fault(body=b"\x1f\x8b\x08\x00junkjunkjunk", headers=PACKED), "packed body"),
    "nesting without end": (Fault(body=b"[" * 200_000), "not whole JSON|larger than|no line ':Issued:'"),
}


def met_norway(start=timedelta(0), updated=timedelta(hours=-1), units=None, latitude=52.31, wind=3.0):
    """Play a forecast of MET Norway of two days, from the present hour on but for `start`."""
    now = datetime.now(UTC)
    first = now.replace(minute=0, second=0, microsecond=0) + start
    details = {"air_temperature": 4.0, "wind_speed": wind, "wind_from_direction": 200.0}
    steps = [
        {
            "time": f"{first + timedelta(hours=h):%Y-%m-%dT%H:%M:%SZ}",
            "data": {"instant": {"details": details}},
        }
        for h in range(48)
    ]
    known = {"air_temperature": "celsius", "wind_speed": "m/s", "wind_from_direction": "degrees"} | (units or {})
    meta = {"updated_at": f"{now + updated:%Y-%m-%dT%H:%M:%SZ}", "units": known}
    document = {"geometry": {"coordinates": [6.84, latitude, 20]}, "properties": {"meta": meta, "timeseries": steps}}
    return Fault(body=json.dumps(document).encode())


def _first(key, value):
    """Put another value into the first row, or the first group of the first row."""

    def apply(document):
        row = document[0]["fcsts"][0] if "fcsts" in document[0] else document[0]
        row[key] = value

    return changed(apply)


def _later(keys, days):
    return changed(lambda document: document.update({key: document[key] + days * 86_400 for key in keys}))


_RUN = ("last_run_initialisation_time", "last_run_availability_time")
_SWAPPED = changed(lambda rows: [rows[1], rows[0], *rows[2:]])

OF_ONE = {
    "metadata: a run of next year": ("metadata", _later(_RUN, 365), ""),
    "metadata: two months between runs": (
        "metadata", changed(lambda d: d.update(update_interval_seconds=60 * 86_400)), ""
    ),
    "metadata: a run that was there before it started": ("metadata", _later(_RUN[:1], 1), ""),
    "metadata: a text for a time": ("metadata", changed(lambda d: d.update({_RUN[0]: "today"})), ""),
    "Kp: 12": ("kp", _first("kp", 12), "Kp '12' is not between 0 and 9"),
    "Kp: out of order": ("kp", _SWAPPED, "the times of Kp are not in order"),
    "Kp: a time in words": ("kp", _first("time_tag", "noon"), "the time 'noon' is not of the form"),
    "Kp: nothing but nulls": ("kp", changed(lambda rows: [r | {"kp": None} for r in rows]), "no value of Kp in it"),
    "outlook: no time of issue": (
        "outlook", Fault(change=lambda body: body.replace(b":Issued:", b":Was:")), "no line ':Issued:'"
    ),
    "outlook: a row too short": (
        "outlook", Fault(change=lambda body: body.replace(b"          12 ", b" ")), "cannot be read"
    ),
    "MET Norway: nine days old": (
        "met_norway", met_norway(timedelta(days=-9), timedelta(days=-9)), "not for the days to come"
    ),
    "MET Norway: renewed tomorrow": ("met_norway", met_norway(updated=timedelta(days=1)), "which is in the future"),
    "MET Norway: wind in knots": (
        "met_norway", met_norway(units={"wind_speed": "knots"}), "wind_speed came in 'knots', wanted 'm/s'"
    ),
    "MET Norway: another place": ("met_norway", met_norway(latitude=48.1), "the answer is for 48.10, 6.84"),
    "MET Norway: a wind of 500 m/s": ("met_norway", met_norway(wind=500.0), "wind_speed has the value 500"),
    "MET Norway: nothing new, though nothing was there": (
        "met_norway", Fault(status=304, body=b""), "nothing new, though nothing was there before"
    ),
    "report: 900 °C": ("aviation_weather", _first("temp", 900), "temp '900' is not between"),
    "report: a wind in words": ("aviation_weather", _first("wspd", "calm"), "wspd 'calm' is not between"),
    "airport's forecast: 900 kt": ("aerodrome_forecasts", _first("wspd", 900), "wspd '900' is not between"),
    "airport's forecast: a group for no time": (
        "aerodrome_forecasts", _first("timeTo", 0), "a group does not state its validity"
    ),
    "place: off the Earth": (
        "geocoding", changed(lambda d: d["results"][0].update(latitude=95)), "not on Earth"
    ),
    "place: a text for a coordinate": (
        "geocoding", changed(lambda d: d["results"][0].update(longitude="east")), "of a result is not a number"
    ),
    "ground: higher than any": ("elevation", Fault(body=b'{"elevation":[99999.0]}'), ""),
    "ground: of two places": ("elevation", Fault(body=b'{"elevation":[1.0,2.0]}'), ""),
    "ground: not known": ("elevation", Fault(body=b'{"elevation":[nan]}'), ""),
}  # fmt: skip

FAULTS = {
    f"{service}: {name}": (service, fault, words) for service in SERVICES for name, (fault, words) in EVERYWHERE.items()
} | OF_ONE
"""Name -> the service, the fault, and the words that the line must hold: any of those between bars."""
