"""Forecasts of one chosen model from the Open-Meteo forecast service, and the wind of the model's cells around places.

``get_forecast`` requests a forecast for places and ``read_forecast`` opens a saved reply; both use ``parse_forecast``,
which turns the bytes into a cube. The service's documentation (open-meteo.com/en/docs) is the source of names, units
and the meaning of stamps.

The cells around places, three by three points one mesh width apart, are asked apart from the forecast because they need
another choice of cell. A forecast is of a land cell of similar height near the site; of the cells around, those at sea
and on the ridge are the point. The request has only wind and gust, so each point costs one weighted call.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.cube.contract import describe_coordinates
from wxfly.errors import WxflyError
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import EARTH_RADIUS, Site, distance_km
from wxfly.sources.http import download
from wxfly.sources.open_meteo.models import Ensemble, Model, call_weight, find_model
from wxfly.sources.open_meteo.reply import SOURCE, hourly_names, parse_forecast
from wxfly.sources.reply import (
    SAME_GROUND,
    PlaceReply,
    Reply,
    SourceError,
    are_known,
    read_saved,
    sent_coordinates,
    split_places,
)
from wxfly.times import as_moment

Array = npt.NDArray[np.float64]
T = TypeVar("T")

SERVICE = SERVICES["forecast"].kept_as
"""Name of the service, stored with a kept reply."""
_LARGEST_REPLY = 60_000_000  # 1000 places, 16 days, 30 columns


def query_for(
    places: Sequence[tuple[float, float]],
    model: Model | Ensemble,
    names: Sequence[str],
    *,
    altitudes: Sequence[float] | None = None,
    ground_matters: bool = True,
) -> dict[str, str]:
    """Return what every request for hours of a model says: wind in m/s, true UTC seconds.

    Parameters
    ----------
    places : sequence of (float, float)
        Latitude and longitude [degree]; sent only as precisely as the answer depends on them (`sent_coordinates`).
    model : Model or Ensemble
        The one requested model.
    names : sequence of str
        The requested hourly names.
    altitudes : sequence of float, optional
        Ground above mean sea level [m], one for each place, for temperature and pressure at the true height; sent where
        all are known.
    ground_matters : bool, optional
        Whether the answer depends on the height of the ground.
    """
    known = are_known(altitudes)
    latitudes, longitudes = sent_coordinates(places, model.resolution_km, ground_known=known or not ground_matters)
    query = {
        "latitude": latitudes,
        "longitude": longitudes,
        "models": model.name,
        "hourly": ",".join(names),
        "forecast_days": str(min(16, math.ceil(model.range_days) + 1)),
        "timeformat": "unixtime",
        "timezone": "GMT",
        "wind_speed_unit": "ms",
    }
    if altitudes is not None and known:
        query["elevation"] = ",".join(f"{a:.0f}" for a in altitudes)
    return query


def request_parameters(
    places: Sequence[tuple[float, float]],
    model: Model,
    names: Sequence[str] | None = None,
    *,
    altitudes: Sequence[float] | None = None,
) -> dict[str, str]:
    """Return the query of the forecast service, as `query_for`; by default for all that a model provides."""
    units = {"temperature_unit": "celsius", "precipitation_unit": "mm"}
    return query_for(places, model, hourly_names(model) if names is None else names, altitudes=altitudes) | units


def ask(
    service: str,
    query: Mapping[str, str],
    parse: Callable[[Reply], T],
    *,
    settings: Settings,
    what: str,
    members: int = 1,
) -> T:
    """Send a query to one of the services that answer with hours of a model, and return what `parse` makes of it."""
    return download(
        settings.addresses[service], query, parse, settings=settings, what=what, maximum_bytes=_LARGEST_REPLY,
        weight=call_weight(query, members),
    )  # fmt: skip


def get_forecast(
    sites: Sequence[Site],
    model: str,
    *,
    settings: Settings,
    run: datetime | Callable[[], datetime | None] | None = None,
    keep: Callable[[list[PlaceReply]], object] | None = None,
) -> xr.Dataset:
    """Request the forecast of one model at one or more places, in one request.

    Parameters
    ----------
    sites : sequence of Site
        One or more places.
    model : str
        Name of a model of `wxfly.sources.open_meteo.models.MODELS`.
    settings : Settings
        Address, User-Agent and patience.
    run : datetime or callable, optional
        The model's run from its metadata, or what returns it once the reply is there; None when unknown.
    keep : callable, optional
        Called with the replies, one for each place, after all of them have been read.

    Returns
    -------
    xarray.Dataset
        A cube with the dimension ``site``, in the order requested, at the sites' own coordinates.

    Raises
    ------
    SourceError
        States source, place (rounded) and fault.
    """
    row = find_model(model)
    places = positions_of(sites)
    what = f"{SOURCE} {model} for {words_for(places)}"

    def parse(reply: Reply) -> xr.Dataset:
        now = datetime.now(UTC)
        started = run() if callable(run) else run
        cube = parse_forecast(
            reply.body, model=model, asked_units=True, retrieved=now, run=started, names=[s.name for s in sites],
            what=what,
        )  # fmt: skip
        check_span(cube, now, what)
        check_places(cube, places, row, what)
        check_ground(cube, sites, what)
        if keep is not None:
            asked = tuple(hourly_names(row))
            keep(
                [
                    PlaceReply.at(site, body, service=SERVICE, model=model, retrieved=now, run=started, asked=asked)
                    for site, body in zip(sites, split_places(reply.body), strict=True)
                ]
            )
        return at_sites(cube, sites)

    query = request_parameters(places, row, altitudes=[s.surface_altitude for s in sites])
    return ask("forecast", query, parse, settings=settings, what=what)


def parse_kept(reply: PlaceReply) -> xr.Dataset:
    """Turn a kept reply into the same cube as at its retrieval.

    Raises
    ------
    WxflyError
        When this wxfly no longer accepts it.
    """
    cube = parse_forecast(
        reply.body, model=reply.model, asked_units=True, retrieved=reply.retrieved, run=reply.run,
        names=[reply.site], asked=reply.asked, what=reply.what,
    )  # fmt: skip
    return at_sites(cube, [reply.place])


def read_forecast(path: Path, *, model: str | None = None, name: str | None = None) -> xr.Dataset:
    """Open a reply of the forecast service that was saved in a file.

    Known units are converted by the reply's own unit strings, unknown ones refused.

    Parameters
    ----------
    path : Path
        The unchanged reply, JSON.
    model : str, optional
        The requested model; needed when the reply has several. Without it the span of its gusts is unknown, and each
        gust counts for every hour it could belong to.
    name : str, optional
        Name for the place.
    """
    return parse_forecast(
        read_saved(path), model=model, asked_units=False, names=[name] if name else None, what=path.name
    )


def check_span(cube: xr.Dataset, now: datetime, what: str) -> None:
    """Refuse a new reply that is not for the present and the days to come."""
    today = as_moment(now)
    first, last = cube["time"].values[[0, -1]]
    if first > today + np.timedelta64(36, "h") or last < today or first < today - np.timedelta64(8, "D"):
        raise SourceError(f"{what}: it is for {str(first)[:10]} to {str(last)[:10]}, not for the days to come")


def at_sites(cube: xr.Dataset, sites: Sequence[Site]) -> xr.Dataset:
    """Replace the coordinates of the model's cells by those of the sites."""
    return describe_coordinates(
        cube.assign_coords(
            latitude=("site", np.array([s.latitude for s in sites])),
            longitude=("site", np.array([s.longitude for s in sites])),
        )
    )


def check_places(cube: xr.Dataset, places: Sequence[tuple[float, float]], model: Model | Ensemble, what: str) -> None:
    """Refuse an answer for a place other than the requested one."""
    reach = 3 * model.resolution_km + 5.0  # the service may choose a neighbouring cell of similar height
    cells = zip(cube["latitude"].values, cube["longitude"].values, strict=True)
    for place, cell in zip(places, cells, strict=True):
        away = distance_km(*place, float(cell[0]), float(cell[1]))
        if away > reach:
            raise SourceError(f"{what}: the answer is for a place {away:.0f} km away")


def check_ground(cube: xr.Dataset, sites: Sequence[Site], what: str) -> None:
    """Refuse an answer for another ground height than was sent: temperature and pressure would be for that height.

    Where any height is unknown, none is sent, and the service uses the height of its own map.
    """
    if not are_known([site.surface_altitude for site in sites]):
        return
    for site, ground in zip(sites, cube["surface_altitude"].values, strict=True):
        if not abs(float(ground) - site.surface_altitude) <= SAME_GROUND:
            at = "an unknown height" if math.isnan(ground) else f"{ground:.0f} m"
            raise SourceError(f"{what}: the answer is for ground at {at}, not {site.surface_altitude:.0f} m")


def positions_of(sites: Sequence[Site]) -> list[tuple[float, float]]:
    """Return latitude and longitude of sites [degree]."""
    return [(site.latitude, site.longitude) for site in sites]


def words_for(places: Sequence[tuple[float, float]]) -> str:
    """Return places for errors and logs, rounded to about a kilometre: where a pilot flies is private."""
    first = f"{places[0][0]:.2f}, {places[0][1]:.2f}"
    return first if len(places) == 1 else f"{first} and {len(places) - 1} more"


# --- the cells around places -----------------------------------------------------------------------------------

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


def _names_around(model: Model) -> list[str]:
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
    what = f"{SOURCE} {model}, the cells around {words_for(positions_of(sites[:1]))}"

    def parse(reply: Reply) -> list[bytes]:
        cube = _cells(reply.body, model, len(points), datetime.now(UTC), what)
        check_places(cube, points, row, what)
        parts = split_places(reply.body)
        of_site = [parts[k : k + CELLS] for k in range(0, len(parts), CELLS)]
        return [b"[" + b",".join(_numbered(part) for part in enumerate(own)) + b"]" for own in of_site]

    query = request_parameters(points, row, _names_around(row))
    query |= {"cell_selection": "nearest", "elevation": ",".join(["nan"] * len(points))}
    return ask("forecast", query, parse, settings=settings, what=what)


def parse_surroundings(body: bytes, model: str, *, retrieved: datetime) -> Surroundings:
    """Turn the reply for one place into its cells.

    Raises
    ------
    WxflyError
        When it is not a reply of nine cells of this model.
    """
    cube = _cells(body, model, CELLS, retrieved, f"{SOURCE} {model}, cells around a place")
    row = find_model(model)
    heights = np.array([float(h) for h in row.wind_heights])
    wind = cube["wind_speed"].reindex(height=heights).transpose("time", "site", "height")
    gust = cube["wind_speed_of_gust"].transpose("time", "site").values if "wind_speed_of_gust" in cube else None
    if gust is None and row.provides_name("wind_gusts_10m"):
        gust = np.full(wind.shape[:2], np.nan)
    return Surroundings(cube["time"].values, heights, wind.values, gust, row.gust_covers_hours)


def _points(site: Site, model: Model) -> list[tuple[float, float]]:
    """Return the points of the square around a place [degree], rounded as they are sent, row by row."""
    degree = math.pi * EARTH_RADIUS / 180
    north = model.resolution_km / degree
    east = north / max(math.cos(math.radians(site.latitude)), 0.02)
    latitudes = np.clip(site.latitude + np.linspace(-north, north, ACROSS), -89.9, 89.9)
    longitudes = site.longitude + np.linspace(-east, east, ACROSS)
    if longitudes[0] < -180 or longitudes[-1] > 180:
        raise WxflyError("a grid across the date line cannot be requested; move its centre or make it smaller")
    return [(round(float(a), 4), round(float(b), 4)) for a in latitudes for b in longitudes]


def _cells(body: bytes, model: str, points: int, retrieved: datetime, what: str) -> xr.Dataset:
    return parse_forecast(
        body, model=model, asked_units=True, retrieved=retrieved, names=[str(n) for n in range(points)],
        asked=_names_around(find_model(model)), what=what,
    )  # fmt: skip


def _numbered(part: tuple[int, bytes]) -> bytes:
    """Number a cell anew within its place; the service numbers all points of a request."""
    number, body = part
    return json.dumps({**json.loads(body), "location_id": number}).encode()
