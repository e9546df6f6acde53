"""An open file store on this machine: files with invented weather, served by ranges of bytes and counted."""

from __future__ import annotations

import json
import re
import threading
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import numpy as np

from wxfly.pilot.settings import Settings
from wxfly.sources.open_meteo.models import MODELS
from wxfly.sources.open_meteo.reply import NAMES as OUR_NAMES

REGULAR = (
    'GEOGCRS["Made up", DATUM["World Geodetic System 1984", ELLIPSOID["WGS 84",6378137,298.257223563]],'
    ' CS[ellipsoidal,2], AXIS["latitude",north], AXIS["longitude",east], ANGLEUNIT["degree",0.0174532925199433],'
    ' USAGE[SCOPE["grid"], BBOX[{},{},{},{}]]]'
)
LAMBERT = (
    'PROJCRS["Made up", BASEGEOGCRS["Sphere", DATUM["Sphere", ELLIPSOID["Sphere",6371229,0]]],'
    ' CONVERSION["Lambert", METHOD["Lambert Conic Conformal (1SP)"],'
    ' PARAMETER["Latitude of natural origin",48], PARAMETER["Longitude of natural origin",9],'
    ' PARAMETER["Scale factor at natural origin",1], PARAMETER["False easting",0], PARAMETER["False northing",0]],'
    ' CS[Cartesian,2], AXIS["x",east], AXIS["y",north], LENGTHUNIT["metre",1],'
    ' USAGE[SCOPE["grid"], BBOX[45,5,50.9,12.9]]]'
)
WORKED_OUT = ("dew_point_2m", "surface_pressure")  # by the service, from other files


def names_of(model: str) -> tuple[str, ...]:
    """Return the files that a run of a model has."""
    row = MODELS[model]
    at_ground = [n for n in OUR_NAMES if row.provides_name(n) and n not in WORKED_OUT]
    winds = [f"wind_{c}_component_{h}m" for h in row.wind_heights for c in "uv"]
    return (*at_ground, *winds, *(f"temperature_{h}m" for h in row.temperature_heights))


def values_of(name: str, shape: tuple[int, int, int]) -> np.ndarray:
    """Return values of a file in the units of the store: a quiet day, in which each cell and hour has its own."""
    row, column, hour = np.meshgrid(*map(np.arange, shape), indexing="ij")
    place = (row / 10 + column / 100) % 1.0 + np.sin(hour) / 2  # no two hours in a row are alike
    height = float(found[1]) if (found := re.search(r"_(\d+)m$", name)) else 10.0
    usual = {
        "temperature_2m": 12.0 + place, "relative_humidity_2m": 55.0 + place, "pressure_msl": 1015.0 + place,
        "cloud_cover": 30.0 + place, "cloud_cover_low": 5.0 + place, "visibility": 30_000.0 + place,
        "wind_gusts_10m": 5.0 + place, "freezing_level_height": 2500.0 + place, "weather_code": 1.0 + 0.0 * place,
        "lifted_index": 5.0 + place, "boundary_layer_height": 800.0 + place, "roughness_length": 0.1 + 0.0 * place,
    }  # fmt: skip
    if name in usual:
        values = usual[name]
    elif name.startswith("wind_"):
        values = 1.5 * (height / 10.0) ** 0.14 + place / 4
    elif name.startswith("temperature_"):
        values = 12.0 + place - 0.0065 * height
    else:  # precipitation, its probability, cape, cloud above: nearly none
        values = np.maximum(0.0 * place, 0.0)
    return np.round(values, 2).astype(np.float32)


def write_run(
    folder: Path,
    projection: str,
    *,
    model: str = "icon_d2",
    start: datetime,
    shape: tuple[int, int, int] = (60, 80, 13),
    change=lambda name, values: values,
    without: tuple[str, ...] = (),
) -> Path:
    """Write a run with its metadata; `change` gives other values of a file, `without` leaves files out."""
    import omfiles

    domain = folder / "data_run" / MODELS[model].domains[0]
    run = domain / f"{start:%Y/%m/%d/%H%M}Z"
    run.mkdir(parents=True, exist_ok=True)
    times = [f"{start + timedelta(hours=k):%Y-%m-%dT%H:%M}Z" for k in range(shape[2])]
    names = [n for n in names_of(model) if n not in without]
    meta = {"reference_time": times[0], "valid_times": times, "variables": names, "crs_wkt": projection}
    (domain / "latest.json").write_text(json.dumps(meta))
    for name in names:
        writer = omfiles.OmFileWriter(str(run / f"{name}.om"))
        values = change(name, values_of(name, shape)).astype(np.float32)
        writer.close(writer.write_array(values, chunks=[4, 4, shape[2]], scale_factor=100.0, name=""))
    return run


class FileStore(ThreadingHTTPServer):
    """Serve a folder by ranges, and count the bytes of each file that went out."""

    daemon_threads = True

    def __init__(self, folder: Path) -> None:
        self.folder, self.sent, self.knows_ranges = folder, {}, True
        super().__init__(("127.0.0.1", 0), _Handler)
        threading.Thread(target=self.serve_forever, daemon=True).start()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.server_port}"

    @property
    def settings(self) -> Settings:
        settings = Settings()
        settings.addresses["grids"] = self.address
        return settings

    @property
    def requests(self) -> int:
        return sum(map(len, self.sent.values()))

    def close(self) -> None:
        self.shutdown()
        self.server_close()


class _Handler(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        path = self.server.folder / self.path.lstrip("/")
        if not path.is_file():
            self.send_error(404)
            return
        body = path.read_bytes()
        wanted = re.fullmatch(r"bytes=(\d*)-(\d*)", self.headers.get("Range", ""))
        if wanted and self.server.knows_ranges:
            first, last = wanted.groups()
            begin = int(first) if first else max(len(body) - int(last), 0)
            end = min(int(last) + 1, len(body)) if first and last else len(body)
            self.send_response(206)
            self.send_header("Content-Range", f"bytes {begin}-{end - 1}/{len(body)}")
            body = body[begin:end]
        else:
            self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        self.server.sent.setdefault(path.name, []).append(len(body))

    def log_message(self, *_: object) -> None:
        pass
