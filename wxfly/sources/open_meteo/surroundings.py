"""Wind and gust of the model cells around places: three by three points, one mesh width apart, in one request.

They are asked apart from the forecast because they need another choice of cell. A forecast is of a land cell of similar
height near the site; of the cells around, those at sea and on the ridge are the point. The request has only wind and
gust, so each point costs one weighted call.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.pilot.settings import Settings
from wxfly.pilot.site import Site
from wxfly.sources.http import download
from wxfly.sources.open_meteo.forecast import LARGEST_REPLY, check_places, mesh, request_parameters
from wxfly.sources.open_meteo.models import Model, call_weight, find_model
from wxfly.sources.open_meteo.reply import SOURCE, parse_forecast
from wxfly.sources.reply import Reply, split_places

Array = npt.NDArray[np.float64]

ACROSS = 3
"""Points along each side of the square around a place."""
CELLS = ACROSS**2


@dataclass(frozen=True)
class Surroundings:
    """Wind and gust of the cells around one place.

    Attributes
    ----------
    time : ndarray
        Stamps, UTC, ``(time,)``.
    heights : ndarray
        Levels of the wind above ground, ``(height,)`` [m].
    wind_speed : ndarray
        ``(time, cell, height)`` [m s-1]; NaN where lost.
    wind_speed_of_gust : ndarray or None
        ``(time, cell)`` [m s-1]; None where the model has none.
    gust_covers_hours : tuple of float
        Span of a gust, in hours from its stamp.
    """

    time: npt.NDArray[np.datetime64]
    heights: Array
    wind_speed: Array
    wind_speed_of_gust: Array | None
    gust_covers_hours: tuple[float, float]

    def wind_spread(self, height: float) -> Array:
        """Return the standard deviation of the wind over the cells, the largest of 10 m up to a height; ``(time,)``.

        The levels up to the first at or above `height` [m] count. A stamp that lacks a cell is NaN.
        """
        reach = int(np.searchsorted(self.heights, height)) + 1
        return np.asarray(self.wind_speed[:, :, :reach].std(axis=1, ddof=1).max(axis=1))

    def gust_spread(self) -> Array | None:
        """Return the standard deviation of the gust at 10 m over the cells, ``(time,)`` [m s-1]."""
        return None if self.wind_speed_of_gust is None else np.asarray(self.wind_speed_of_gust.std(axis=1, ddof=1))


def names_asked(model: Model) -> list[str]:
    """Return the hourly names that are asked for: the wind at every level of the model, and its gust."""
    gust = ["wind_gusts_10m"] if model.provides_name("wind_gusts_10m") else []
    return [*(f"wind_speed_{height}m" for height in model.wind_heights), *gust]


def get_surroundings(sites: Sequence[Site], model: str, *, settings: Settings) -> list[bytes]:
    """Request the cells around places, and return one reply for each place, for `parse_surroundings`.

    Parameters
    ----------
    sites : sequence of Site
        One or more places.
    model : str
        Name of a model of `wxfly.sources.open_meteo.models.MODELS`.
    settings : Settings
        Address, User-Agent and patience.

    Raises
    ------
    WxflyError
        A `SourceError` states source, place (rounded) and fault; so does a place too near to the date line.
    """
    row = find_model(model)
    points = [point for site in sites for point in _points(site, row)]
    what = f"{SOURCE} {model}, the cells around {sites[0].latitude:.2f}, {sites[0].longitude:.2f}"
    parameters = request_parameters(
        points, row, cell_selection="nearest", elevation=",".join(["nan"] * len(points)),
        hourly=",".join(names_asked(row)),
    )  # fmt: skip

    def parse(reply: Reply) -> list[bytes]:
        cube = _cube(reply.body, model, len(points), datetime.now(UTC), what)
        check_places(cube, points, row, what)
        parts = split_places(reply.body)
        of_site = [parts[k : k + CELLS] for k in range(0, len(parts), CELLS)]
        return [b"[" + b",".join(_numbered(part) for part in enumerate(own)) + b"]" for own in of_site]

    return download(
        settings.addresses["forecast"], parameters, parse, settings=settings, what=what,
        maximum_bytes=LARGEST_REPLY, weight=call_weight(parameters),
    )  # fmt: skip


def parse_surroundings(body: bytes, model: str, *, retrieved: datetime) -> Surroundings:
    """Turn the reply for one place into its cells.

    Raises
    ------
    WxflyError
        When it is not a reply of nine cells of this model.
    """
    cube = _cube(body, model, CELLS, retrieved, f"{SOURCE} {model}, cells around a place")
    row = find_model(model)
    heights = np.array([float(h) for h in row.wind_heights])
    wind = cube["wind_speed"].reindex(height=heights).transpose("time", "site", "height")
    gust = cube["wind_speed_of_gust"].transpose("time", "site").values if "wind_speed_of_gust" in cube else None
    if gust is None and row.provides_name("wind_gusts_10m"):
        gust = np.full(wind.shape[:2], np.nan)
    return Surroundings(cube["time"].values, heights, wind.values, gust, row.gust_covers_hours)


def _points(site: Site, model: Model) -> list[tuple[float, float]]:
    latitudes, longitudes = mesh(site.latitude, site.longitude, model.resolution_km, ACROSS)
    return [(a, b) for a in latitudes for b in longitudes]


def _cube(body: bytes, model: str, points: int, retrieved: datetime, what: str) -> xr.Dataset:
    return parse_forecast(
        body, model=model, asked_units=True, retrieved=retrieved, names=[str(n) for n in range(points)],
        asked=names_asked(find_model(model)), what=what,
    )  # fmt: skip


def _numbered(part: tuple[int, bytes]) -> bytes:
    """Number a cell anew within its place; the service numbers all points of a request."""
    number, body = part
    return json.dumps({**json.loads(body), "location_id": number}).encode()
