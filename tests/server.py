"""A server on this machine that plays the open services over a real socket, faithful to their published contracts.

It answers the forecast, run metadata, place search, ground height and Kp services with invented weather, keeps a
log of what it was asked, and plays faults on demand. Use the fixture ``server`` of ``tests/conftest.py``, or run
``python -m tests.server`` and set the environment that it prints.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import math
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

# What the played models carry: mesh [degree], native wind heights, temperature heights, and what they lack.
MODELS = {
    "ncep_gfs_global": (0.25, {10, 80, 100}, {80, 100}, {"roughness_length"}),
    "icon_eu": (
        0.0625,
        {10, 80, 120, 180},
        {80, 120, 180},
        {"lifted_index", "boundary_layer_height", "roughness_length"},
    ),
    "icon_d2": (
        0.02,
        {10, 80, 120, 180},
        {80, 120, 180},
        {"lifted_index", "boundary_layer_height", "roughness_length"},
    ),
    "ecmwf_ifs025": (0.25, {10, 100}, set(), {"lifted_index", "visibility", "roughness_length"}),
    "icon_global": (
        0.125,
        {10, 80, 120, 180},
        {80, 120, 180},
        {
            "lifted_index",
            "boundary_layer_height",
            "roughness_length",
            "visibility",
        },
    ),
    "ecmwf_ifs": (
        0.1,
        {10, 100, 200},
        set(),
        {
            "cape",
            "lifted_index",
            "freezing_level_height",
            "roughness_length",
            "precipitation_probability",
            "convective_inhibition",
        },
    ),
    "meteofrance_arome_france": (
        0.025,
        {10, 20, 50, 100, 150, 200},
        {20, 50, 100, 150, 200},
        {
            "visibility",
            "lifted_index",
            "boundary_layer_height",
            "roughness_length",
            "freezing_level_height",
        },
    ),
    "metno_nordic": (0.01, {10}, set(), {"cape", "lifted_index", "visibility", "boundary_layer_height"}),
}
UNITS = {
    "wind_speed": "km/h", "wind_gusts": "km/h", "wind_direction": "°", "temperature": "°C", "dew_point": "°C",
    "relative_humidity": "%", "surface_pressure": "hPa", "pressure_msl": "hPa", "precipitation_probability": "%",
    "precipitation": "mm", "weather_code": "wmo code", "cloud_cover": "%", "visibility": "m", "cape": "J/kg",
    "convective_inhibition": "J/kg",
    "lifted_index": "", "freezing_level_height": "m", "boundary_layer_height": "m", "roughness_length": "m",
}  # fmt: skip
PLACES = [  # invented
    {"id": 1, "name": "Oldermoor", "latitude": 52.31, "longitude": 6.84, "elevation": 31.0, "country": "Inventia",
     "country_code": "XX", "admin1": "Lowmark", "timezone": "Europe/Amsterdam", "population": 1200},
    {"id": 2, "name": "Oldermoor Heath", "latitude": 52.41, "longitude": 6.74, "country": "Inventia"},
    {"id": 3, "name": "Nullpoint", "timezone": "Africa/Accra"},  # zero coordinates are left out of a reply
]  # fmt: skip


@dataclass
class Fault:
    """What to do in place of a proper answer.

    Attributes
    ----------
    status, body, headers
        Sent as they are; a `body` of None keeps the proper one.
    change : callable or None
        Turns the proper body into the one that is sent.
    cut : int or None
        Bytes of the body after which the connection is closed, though more were announced.
    drop : bool
        Close the connection without an answer.
    delay, drip : float
        Seconds before the answer, and between its bytes.
    """

    status: int = 200
    body: bytes | None = None
    headers: dict = field(default_factory=dict)
    change: object = None
    cut: int | None = None
    drop: bool = False
    delay: float = 0.0
    drip: float = 0.0


@dataclass
class Asked:
    """One request as it came."""

    service: str
    path: str
    query: dict
    headers: dict
    started: float
    ended: float = 0.0


class WeatherServer:
    """Plays the services until it is closed.

    Attributes
    ----------
    log : list of Asked
        Every request.
    once : dict of list
        Faults by service, each played once, in order.
    always : dict
        A fault by service, played after those.
    now : datetime or None
        The moment the server believes it is; None for the present.
    down : dict
        Models and ensembles that are refused, with the reason.
    days : dict
        How far models reach from their newest run [d]; without an entry as far as they are asked for.
    lost : dict
        By model the name of a variable and the hours after the start of today at which it has none.
    delay : float
        Seconds that every answer takes.
    sent : int
        Bytes of all bodies so far, as they went over the wire.
    gather : int
        So many requests must have come before the first is answered, or ten seconds pass.
    """

    def __init__(self) -> None:
        self.log: list[Asked] = []
        self.once: dict[str, list[Fault]] = {}
        self.always: dict[str, Fault] = {}
        self.now: datetime | None = None
        self.run_delay = timedelta(hours=4)
        self.down: dict[str, str] = {}
        self.days: dict[str, float] = {}
        self.lost: dict[str, tuple[str, list[int]]] = {}
        self.delay = 0.0
        self.gather = 0
        self.sent = 0
        self._lock = threading.Lock()
        outer = self

        class Handler(_Handler):
            server_of_weather = outer

        self._http = _Quiet(("127.0.0.1", 0), Handler)
        self._http.daemon_threads = True
        self.port = self._http.server_address[1]
        self.address = f"http://127.0.0.1:{self.port}"
        self._thread = threading.Thread(target=self._http.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._http.shutdown()
        self._http.server_close()
        self._thread.join()

    def environment(self) -> dict[str, str]:
        """Return the variables that turn wxfly to this server."""
        return {
            "WXFLY_FORECAST_URL": f"{self.address}/v1/forecast",
            "WXFLY_ENSEMBLE_URL": f"{self.address}/v1/ensemble",
            "WXFLY_PREVIOUS_RUNS_URL": f"{self.address}/v1/previous-runs",
            "WXFLY_METADATA_URL": f"{self.address}/data",
            "WXFLY_GEOCODING_URL": f"{self.address}/v1/search",
            "WXFLY_ELEVATION_URL": f"{self.address}/v1/elevation",
            "WXFLY_SPACE_WEATHER_URL": f"{self.address}/swpc",
            "WXFLY_GFZ_URL": f"{self.address}/app/json",
            "WXFLY_MET_NORWAY_URL": f"{self.address}/locationforecast/2.0/complete",
            "WXFLY_AVIATION_WEATHER_URL": f"{self.address}/api/data",
            "WXFLY_PATIENCE": "20",
            "WXFLY_MODEL": "ncep_gfs_global",
            "WXFLY_ENSEMBLE": "none",
        }

    def asked(self, service: str) -> list[Asked]:
        """Return the requests of one service."""
        return [a for a in self.log if a.service == service]

    def body_of(self, service: str) -> bytes:
        """Return what a service without parameters would answer now."""
        return {"kp": _kp, "outlook": _outlook}[service](self, "", {}, {})[2]

    def moment(self) -> datetime:
        return self.now or datetime.now(UTC)

    def next_fault(self, service: str) -> Fault | None:
        with self._lock:
            waiting = self.once.get(service)
            return waiting.pop(0) if waiting else self.always.get(service)

    def note(self, asked: Asked) -> None:
        with self._lock:
            self.log.append(asked)


class _Quiet(ThreadingHTTPServer):
    """Says nothing of a client that went away."""

    def handle_error(self, request, client_address):
        import sys

        if not isinstance(sys.exception(), ConnectionError):
            super().handle_error(request, client_address)


class _Handler(BaseHTTPRequestHandler):
    server_of_weather: WeatherServer
    protocol_version = "HTTP/1.1"

    def log_message(self, *_: object) -> None:
        pass

    def do_GET(self) -> None:
        weather = self.server_of_weather
        parts = urlsplit(self.path)
        query = {k: v[-1] for k, v in parse_qs(parts.query, keep_blank_values=True).items()}
        service, make = _route(parts.path)
        if service == "forecast" and _is_of_cells(query):
            service = "cells"
        asked = Asked(service, parts.path, query, {k.lower(): v for k, v in self.headers.items()}, time.monotonic())
        weather.note(asked)
        time.sleep(weather.delay)
        end = time.monotonic() + 10.0
        while len(weather.log) < weather.gather and time.monotonic() < end:
            time.sleep(0.01)
        try:
            status, headers, body = make(weather, parts.path, query, asked.headers)
        except (KeyError, ValueError) as missing:
            status, headers, body = _error(f"Parameter {missing} is missing or cannot be read")
        fault = weather.next_fault(service)
        try:
            if fault is None:
                self._send(status, headers, body)
            else:
                self._play(fault, headers, body)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True
        asked.ended = time.monotonic()

    def _send(self, status: int, headers: dict, body: bytes) -> None:
        if "gzip" in self.headers.get("Accept-Encoding", "") and len(body) > 500:
            body, headers = gzip.compress(body, mtime=0), headers | {"Content-Encoding": "gzip"}
        self.send_response(status)
        for name, value in ({"Content-Type": "application/json; charset=utf-8"} | headers).items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        self.server_of_weather.sent += len(body)

    def _play(self, fault: Fault, headers: dict, body: bytes) -> None:
        time.sleep(fault.delay)
        if fault.drop:
            self.close_connection = True
            self.connection.close()
            return
        if fault.change is not None:
            body = fault.change(body)
        if fault.body is not None:
            body = fault.body
        headers = {"Content-Type": "application/json; charset=utf-8"} | headers | fault.headers
        self.send_response(fault.status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        if fault.drip:
            for k in range(len(body)):
                self.wfile.write(body[k : k + 1])
                self.wfile.flush()
                time.sleep(fault.drip)
        elif fault.cut is not None:
            self.wfile.write(body[: fault.cut])
            self.close_connection = True
        else:
            self.wfile.write(body)


def _route(path: str):
    unknown = "unknown", lambda *_: (404, {}, b'{"error":true,"reason":"Not Found"}')
    return next((row for begin, row in ROUTES.items() if path.startswith(begin)), unknown)


def _json(document: object, status: int = 200):
    return status, {}, json.dumps(document, separators=(",", ":"), ensure_ascii=False).encode()


def _error(reason: str, status: int = 400):
    return _json({"error": True, "reason": reason}, status)


def _forecast(weather: WeatherServer, path: str, query: dict, headers: dict):
    latitudes = [float(x) for x in query["latitude"].split(",")]
    longitudes = [float(x) for x in query["longitude"].split(",")]
    if len(latitudes) != len(longitudes):
        return _error("Parameter 'latitude' and 'longitude' must have the same number of elements")
    for latitude in latitudes:
        if abs(latitude) > 90:
            return _error(f"Latitude must be in range of -90 to 90°. Given: {latitude}.")
    if len(latitudes) > 1000:
        return _error("Only up to 1000 locations can be requested at once")
    elevations = query["elevation"].split(",") if "elevation" in query else None
    if elevations is not None and len(elevations) != len(latitudes):
        return _error("Parameter 'elevation' must have the same number of elements as coordinates")
    model = query.get("models", "best_match")
    if model in weather.down:
        return _error(weather.down[model])
    if model not in MODELS:
        return _error(f"Cannot initialize MultiDomains from invalid String value {model}.")
    if model == "icon_d2" and not all(43 < a < 58 and -4 < b < 20 for a, b in zip(latitudes, longitudes, strict=True)):
        return _error("No data is available for this location")
    start = weather.moment().replace(hour=0, minute=0, second=0, microsecond=0)
    hours = 24 * int(query.get("forecast_days", 7))
    places = []
    for position, (latitude, longitude) in enumerate(zip(latitudes, longitudes, strict=True)):
        place = _place(model, latitude, longitude, start, hours, query)
        _cut(weather, model, place, start)
        if elevations is not None:
            if elevations[position] == "nan":
                place.pop("elevation")
            else:
                place["elevation"] = float(elevations[position])
        if position:
            place = {**{k: place[k] for k in list(place)[:6]}, "location_id": position, **place}
        places.append(place)
    return _json(places if len(places) > 1 else places[0])


def _cut(weather: WeatherServer, model: str, place: dict, start: datetime) -> None:
    """Take out what lies past a model's range, and what it has lost."""
    if "hourly" not in place:
        return
    columns = place["hourly"]
    reach = len(columns["time"])
    if model in weather.days:
        end = _newest_run(weather) + timedelta(days=weather.days[model])
        reach = max(int((end - start) / timedelta(hours=1)) + 1, 0)
    for name in columns:
        if name != "time":
            columns[name] = columns[name][:reach] + [None] * (len(columns[name]) - reach)
    name, hours = weather.lost.get(model, ("", []))
    for hour in (h for h in hours if h < len(columns["time"])):
        columns[name][hour] = None


def _is_of_cells(query: dict) -> bool:
    """Tell a request for wind and gust of the cells around from that for a whole forecast; both go to one address."""
    return query.get("cell_selection") == "nearest" and "temperature_2m" not in query.get("hourly", "")


# What the played ensembles are made from, and how many members they have.
ENSEMBLES = {
    "icon_eu_eps": ("icon_eu", 40), "icon_d2_eps": ("icon_d2", 20), "ncep_gefs025": ("ncep_gfs_global", 31),
    "ecmwf_ifs025_ensemble": ("ecmwf_ifs025", 51),
}  # fmt: skip


def _ensemble(weather: WeatherServer, path: str, query: dict, headers: dict):
    """Members of one ensemble: the forecast of the single model with every wind and gust a little different."""
    name = query.get("models", "")
    if name in weather.down:
        return _error(weather.down[name])
    if name not in ENSEMBLES:
        return _error(f"Cannot initialize MultiDomains from invalid String value {name}.")
    model, count = ENSEMBLES[name]
    status, _, body = _forecast(weather, path, query | {"models": model}, headers)
    if status != 200:
        return status, {}, body
    document = json.loads(body)
    for place in document if isinstance(document, list) else [document]:
        columns, units = place["hourly"], place["hourly_units"]
        for key in [k for k in columns if k != "time"]:
            for member in range(1, count):
                factor = 0.7 + 0.6 * member / count if key.startswith("wind_") and "direction" not in key else 1.0
                marked = f"{key}_member{member:02d}"
                columns[marked] = [v if v is None or factor == 1 else round(v * factor, 2) for v in columns[key]]
                units[marked] = units[key]
    return _json(document)


def _previous_runs(weather: WeatherServer, path: str, query: dict, headers: dict):
    """What was forecast days before: the same weather, with more wind the longer before."""
    names = query["hourly"].split(",")
    plain = list(dict.fromkeys(n.rpartition("_previous_day")[0] for n in names))
    start = weather.moment().replace(hour=0, minute=0, second=0, microsecond=0)
    past = int(query.get("past_days", 0))
    place = _place(
        query["models"],
        float(query["latitude"]),
        float(query["longitude"]),
        start - timedelta(days=past),
        24 * (past + int(query.get("forecast_days", 7))),
        query | {"hourly": ",".join(plain)},
    )
    columns, units = place["hourly"], place["hourly_units"]
    for name in names:
        stem, _, day = name.rpartition("_previous_day")
        factor = 1 + 0.05 * int(day) if stem.startswith("wind_") and "direction" not in stem else 1.0
        columns[name] = [v if v is None else round(v * factor, 2) for v in columns[stem]]
        units[name] = units[stem]
    for stem in plain:
        del columns[stem], units[stem]
    return _json(place)


def _single(value: float) -> float:
    """Return a number as single precision prints it."""
    import struct

    return struct.unpack("f", struct.pack("f", value))[0]


def _place(model: str, latitude: float, longitude: float, start: datetime, hours: int, query: dict) -> dict:
    step, winds, temperatures, lacking = MODELS[model]
    cell = round(round(latitude / step) * step, 4), round(round(longitude / step) * step, 4)
    seed = int(hashlib.sha256(f"{model}{cell}".encode()).hexdigest()[:8], 16) / 2**32
    names = query["hourly"].split(",")
    unix = query.get("timeformat") == "unixtime"
    seconds = [int((start + timedelta(hours=h)).timestamp()) for h in range(hours)]
    stamps = seconds if unix else [f"{start + timedelta(hours=h):%Y-%m-%dT%H:%M}" for h in range(hours)]
    units, columns = {"time": "unixtime" if unix else "iso8601"}, {"time": stamps}
    for name in names:
        stem, _, tail = name.rpartition("_")
        height = int(tail[:-1]) if tail.endswith("m") and tail[:-1].isdigit() else None
        key = stem if height is not None else name
        if key.startswith("cloud_cover"):
            key = "cloud_cover"
        if key not in UNITS:
            return {
                "error": True,
                "reason": f"Data corrupted at path ''. Cannot initialize from invalid String value {name}.",
            }
        known = name not in lacking
        if key in ("wind_speed", "wind_direction"):
            known = height in winds
        if key == "temperature" and height != 2:
            known = height in temperatures
        if not known:
            units[name], columns[name] = "undefined", [None] * hours
            continue
        unit = UNITS[key]
        factor = 1.0
        if unit == "km/h":
            factor, unit = {"ms": (1.0, "m/s"), "kn": (1.94384, "kn")}.get(
                query.get("wind_speed_unit", ""), (3.6, "km/h")
            )
        units[name] = unit
        columns[name] = list(_column(name, key, height, seconds[0], hours, seed, latitude, factor, unit))
    return {
        "latitude": _single(cell[0]), "longitude": _single(cell[1]), "generationtime_ms": 0.4,
        "utc_offset_seconds": 0, "timezone": "GMT", "timezone_abbreviation": "GMT",
        "elevation": round(20 + 30 * seed, 0), "hourly_units": units, "hourly": columns,
    }  # fmt: skip


@lru_cache(4096)
def _column(
    name: str,
    key: str,
    height: int | None,
    first: int,
    hours: int,
    seed: float,
    latitude: float,
    factor: float,
    unit: str,
) -> tuple:
    """Return the values of consecutive hours; many tests ask for the same."""
    return tuple(
        _round(_weather(name, key, height, first + 3600 * h, seed, latitude) * factor, unit) for h in range(hours)
    )


def _round(value: float, unit: str) -> float | int:
    digits = {"°C": 1, "km/h": 1, "kn": 1, "hPa": 1, "J/kg": 1, "m/s": 2, "mm": 2, "m": 2, "": 2}.get(unit, 0)
    return round(value, digits) if digits else round(value)


def _humidity(temperature: float, dew_point: float) -> float:
    """Return the relative humidity of air [%], by the Magnus form: the columns of the invented weather agree."""
    pressure = [math.exp(17.62 * t / (243.12 + t)) for t in (dew_point, temperature)]
    return 100 * pressure[0] / pressure[1]


def _weather(name: str, key: str, height: int | None, second: int, seed: float, latitude: float) -> float:
    """Invent weather: a daily cycle over a slow one, with a neutral profile of wind."""
    hour = second / 3600
    day = math.cos(2 * math.pi * (hour - 14) / 24)
    slow = math.sin(2 * math.pi * (hour / 97 + seed))
    wind10 = max(0.3, 4.0 + 1.5 * day + 2.5 * slow)
    temperature = 12.0 + 6.0 * day + 4.0 * slow - 0.1 * abs(latitude)
    wet = max(0.0, slow - 0.6)
    if key == "wind_speed":
        return wind10 * math.log(height / 0.03) / math.log(10 / 0.03)
    if key == "wind_direction":
        return (220 + 60 * slow + height / 20) % 360
    if key == "temperature":
        return temperature - 0.0098 * (height - 2)
    values = {
        "wind_gusts": 1.6 * wind10 + 0.5, "dew_point": temperature - 4 + 2 * slow,
        "relative_humidity": _humidity(temperature, temperature - 4 + 2 * slow),
        "surface_pressure": 1009 - 8 * slow, "pressure_msl": 1013 - 8 * slow, "precipitation": 3 * wet,
        "precipitation_probability": 100 * min(1.0, 2 * wet + 0.05), "weather_code": 61 if wet > 0 else 2,
        "cloud_cover": 50 + 40 * slow, "visibility": 24000 - 9000 * wet, "cape": max(0.0, 200 * day),
        "convective_inhibition": 20.0, "lifted_index": 4 - 2 * day, "freezing_level_height": 2200 + 300 * slow,
        "boundary_layer_height": 700 + 500 * day,
        "roughness_length": 0.1,
    }  # fmt: skip
    return values[key]


def _reports(weather: WeatherServer, path: str, query: dict, headers: dict):
    """Report from an invented airport in the middle of the box, half an hour ago, what `ncep_gfs_global` forecasts."""
    if "ids" in query:
        return _past_reports(weather, query)
    south, west, north, east = (float(x) for x in query["bbox"].split(","))
    latitude, longitude = round((south + north) / 2, 2), round((west + east) / 2, 2)
    observed = weather.moment() - timedelta(minutes=30)
    place = _place("ncep_gfs_global", latitude, longitude, observed.replace(minute=0), 1, {
        "hourly": "wind_speed_10m,wind_direction_10m,temperature_2m,dew_point_2m", "wind_speed_unit": "kn",
    })["hourly"]  # fmt: skip
    row = {
        "icaoId": "XXAA", "name": "Inventia Airfield", "lat": latitude, "lon": longitude, "elev": 31,
        "obsTime": int(observed.timestamp()), "temp": place["temperature_2m"][0], "dewp": place["dew_point_2m"][0],
        "wspd": round(place["wind_speed_10m"][0]), "wdir": place["wind_direction_10m"][0], "visib": "10+",
        "clouds": [{"cover": "FEW", "base": 3000}], "rawOb": "METAR XXAA (invented)",
    }  # fmt: skip
    return _json([row])


def _past_reports(weather: WeatherServer, query: dict):
    """Report from that airport every hour, without gusts, 0.8 of the wind that `icon_eu` has at the meadow."""
    hours = int(float(query["hours"]))
    start = weather.moment().replace(minute=0, second=0, microsecond=0) - timedelta(hours=hours)
    place = _place("icon_eu", 52.1, 6.9, start, hours, {
        "hourly": "wind_speed_10m,wind_direction_10m,temperature_2m", "wind_speed_unit": "kn", "timeformat": "unixtime",
    })["hourly"]  # fmt: skip
    rows = [
        {
            "icaoId": query["ids"], "name": "Inventia Airfield", "lat": 52.2, "lon": 7.0, "elev": 31,
            "obsTime": int(second), "temp": temperature, "wspd": round(wind * 0.8), "wdir": direction,
        }
        for second, wind, direction, temperature in zip(
            place["time"], place["wind_speed_10m"], place["wind_direction_10m"], place["temperature_2m"], strict=True
        )
    ]  # fmt: skip
    return _json([] if query["ids"] == "XXNO" else rows)


def _aerodrome_forecasts(weather: WeatherServer, path: str, query: dict, headers: dict):
    """The invented airport's own forecast of a day: what `ncep_gfs_global` forecasts, every hour anew."""
    south, west, north, east = (float(x) for x in query["bbox"].split(","))
    latitude, longitude = round((south + north) / 2, 2), round((west + east) / 2, 2)
    begin = weather.moment().replace(minute=0, second=0, microsecond=0)
    place = _place("ncep_gfs_global", latitude, longitude, begin, 25, {
        "hourly": "wind_speed_10m,wind_direction_10m,weather_code", "wind_speed_unit": "kn",
    })["hourly"]  # fmt: skip
    first = int(begin.timestamp())
    groups = [
        {"timeFrom": first + 3600 * k, "timeTo": first + 3600 * (k + 1), "timeBec": None,
         "fcstChange": "FM" if k else None, "probability": None, "wdir": place["wind_direction_10m"][k],
         "wspd": round(place["wind_speed_10m"][k]), "visib": "6+",
         "wxString": "-RA" if place["weather_code"][k] == 61 else None, "clouds": []}
        for k in range(24)
    ]  # fmt: skip
    return _json([{
        "icaoId": "XXAA", "name": "Inventia Airfield", "lat": latitude, "lon": longitude, "elev": 31,
        "issueTime": f"{begin - timedelta(minutes=30):%Y-%m-%dT%H:%M:%S}.000Z", "validTimeFrom": first,
        "validTimeTo": first + 86400, "rawTAF": "TAF XXAA (invented)", "fcsts": groups,
    }])  # fmt: skip


def _newest_run(weather: WeatherServer) -> datetime:
    moment = weather.moment() - weather.run_delay
    return moment.replace(hour=moment.hour // 6 * 6, minute=0, second=0, microsecond=0)


def _metadata(weather: WeatherServer, path: str, query: dict, headers: dict):
    run = int(_newest_run(weather).timestamp())
    available = run + int(weather.run_delay.total_seconds()) - 1200
    return _json({
        "chunk_time_length": 121, "crs_wkt": "GEOGCRS[\"WGS 84\"]", "data_end_time": run + 16 * 86400,
        "last_run_availability_time": available, "last_run_initialisation_time": run,
        "last_run_modification_time": available, "temporal_resolution_seconds": 3600,
        "update_interval_seconds": 21600,
    })  # fmt: skip


def _search(weather: WeatherServer, path: str, query: dict, headers: dict):
    name = query.get("name", "").casefold()
    found = [p for p in PLACES if len(name) > 2 and p["name"].casefold().startswith(name)]
    return _json(({"results": found} if found else {}) | {"generationtime_ms": 0.14})


def _elevation(weather: WeatherServer, path: str, query: dict, headers: dict):
    count = len(query["latitude"].split(","))
    return _json({"elevation": [float(20 + k) for k in range(count)]})


def _kp(weather: WeatherServer, path: str, query: dict, headers: dict):
    now = weather.moment()
    start = now.replace(hour=now.hour // 3 * 3, minute=0, second=0, microsecond=0)
    rows = []
    for k in range(-56, 24):
        moment = start + timedelta(hours=3 * k)
        kp = round((2 + 1.5 * math.sin(k / 5)) * 3) / 3
        kind = "observed" if k < -1 else "estimated" if k < 2 else "predicted"
        rows.append(
            {"time_tag": f"{moment:%Y-%m-%dT%H:%M:%S}", "kp": round(kp, 2), "observed": kind, "noaa_scale": None}
        )
    return _json(rows)


def _gfz(weather: WeatherServer, path: str, query: dict, headers: dict):
    start, end = (datetime.strptime(query[k], "%Y-%m-%dT%H:%M:%SZ") for k in ("start", "end"))
    moment = start.replace(hour=start.hour // 3 * 3, minute=0, second=0)
    moments = []
    while moment <= end:
        moments.append(moment)
        moment += timedelta(hours=3)
    kp = [round((1 + k % 5) * 3) / 3 for k in range(len(moments) - 1)] + [None]
    stamps = [f"{m:%Y-%m-%dT%H:%M:%SZ}" for m in moments]
    return _json({"meta": {"license": "CC BY 4.0"}, "datetime": stamps, "Kp": kp, "status": ["pre"] * len(kp)})


def _outlook(weather: WeatherServer, path: str, query: dict, headers: dict):
    today = weather.moment()
    lines = [
        ":Product: 27-day Space Weather Outlook Table 27DO.txt", f":Issued: {today:%Y %b %d} 0012 UTC", "#",
        "#   UTC      Radio Flux   Planetary   Largest", "#  Date       10.7 cm      A Index    Kp Index",
    ]  # fmt: skip
    for k in range(27):
        lines.append(f"{today + timedelta(days=k):%Y %b %d}     110          12          {2 + k % 4}")
    return 200, {"Content-Type": "text/plain"}, ("\n".join(lines) + "\n").encode()


ROUTES = {
    "/v1/forecast": ("forecast", _forecast), "/v1/ensemble": ("ensemble", _ensemble),
    "/v1/previous-runs": ("previous_runs", _previous_runs), "/data/": ("metadata", _metadata),
    "/v1/search": ("geocoding", _search), "/v1/elevation": ("elevation", _elevation),
    "/swpc/products/noaa-planetary-k-index-forecast.json": ("kp", _kp),
    "/swpc/text/27-day-outlook.txt": ("outlook", _outlook), "/app/json/": ("gfz", _gfz),
    "/locationforecast/": (
        "met_norway", lambda *_: _error("no forecast of its own: play one as a fault", 404)
    ),
    "/api/data/taf": ("aerodrome_forecasts", _aerodrome_forecasts), "/api/data/": ("aviation_weather", _reports),
}  # fmt: skip
"""By the beginning of the path: the service in the log, and what answers. The cells around are logged as "cells"."""


class FileServer:
    """Serves a folder by ranges of bytes, until it is closed.

    Attributes
    ----------
    log : list of tuple
        Path, range as asked (empty without one), and bytes sent, of every request.
    knows_ranges : bool
        Whether it answers ranges; without, whole files.
    """

    def __init__(self, folder) -> None:
        self.folder, self.log, self.knows_ranges = folder, [], True
        outer = self

        class Handler(_FileHandler):
            server_of_files = outer

        self._http = _Quiet(("127.0.0.1", 0), Handler)
        self._http.daemon_threads = True
        self.address = f"http://127.0.0.1:{self._http.server_address[1]}"
        threading.Thread(target=self._http.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()

    def close(self) -> None:
        self._http.shutdown()
        self._http.server_close()


class _FileHandler(BaseHTTPRequestHandler):
    server_of_files: FileServer

    def log_message(self, *_: object) -> None:
        pass

    def do_GET(self) -> None:
        files = self.server_of_files
        path = files.folder / urlsplit(self.path).path.lstrip("/")
        asked = self.headers.get("Range", "")
        body, status = (path.read_bytes(), 200) if path.is_file() else (b"", 404)
        self.send_response(206 if status == 200 and asked and files.knows_ranges else status)
        if status == 200 and asked and files.knows_ranges:
            first, _, last = asked.removeprefix("bytes=").partition("-")
            begin, end = int(first), min(int(last) + 1, len(body)) if last else len(body)
            self.send_header("Content-Range", f"bytes {begin}-{end - 1}/{len(body)}")
            body = body[begin:end]
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        files.log.append((urlsplit(self.path).path, asked, len(body)))


def main() -> None:
    """Serve until interrupted, printing the environment to set."""
    server = WeatherServer()
    for name, value in server.environment().items():
        print(f"export {name}={value}", flush=True)
    try:
        threading.Event().wait()
    except KeyboardInterrupt:
        server.close()


if __name__ == "__main__":
    main()
