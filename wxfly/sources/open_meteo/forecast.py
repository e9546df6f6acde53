"""Forecasts of one chosen model from the Open-Meteo forecast service: the request, and the reading of the reply.

``get_forecast`` requests a forecast for places and ``read_forecast`` opens a saved reply; both use ``parse_forecast``,
which turns the bytes into a cube. The service's documentation (open-meteo.com/en/docs) is the source of names, units
and the meaning of stamps.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.cube.contract import describe_coordinates
from wxfly.errors import WxflyError
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.pilot.site import EARTH_RADIUS, Site, distance_km
from wxfly.sources.http import download
from wxfly.sources.open_meteo.models import Model, call_weight, find_model
from wxfly.sources.open_meteo.names import hourly_names
from wxfly.sources.open_meteo.reply import SOURCE, parse_forecast
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

__all__ = [
    "SERVICE", "get_forecast", "get_grid", "hourly_names", "parse_forecast", "parse_kept", "read_forecast",
    "request_parameters",
]  # fmt: skip

SERVICE = SERVICES["forecast"].kept_as
"""Name of the service, stored with a kept reply."""

LARGEST_REPLY = 60_000_000  # 1000 places, 16 days, 30 columns
MOST_CELLS = 400  # a request for more would use up an hour's allowance


def request_parameters(
    places: Sequence[tuple[float, float]], model: Model, *, altitudes: Sequence[float] | None = None, **more: str
) -> dict[str, str]:
    """Return the query for places of one model: SI where available, true UTC seconds.

    Parameters
    ----------
    places : sequence of (float, float)
        Latitude and longitude [degree]; sent only as precisely as the answer depends on them (`sent_coordinates`).
    model : Model
        The one requested model.
    altitudes : sequence of float, optional
        Ground above mean sea level [m], one for each place, for temperature and pressure at the true height.
    **more : str
        Further parameters of the service.
    """
    known = are_known(altitudes)
    latitudes, longitudes = sent_coordinates(places, model.resolution_km, ground_known=known)
    parameters = {
        "latitude": latitudes,
        "longitude": longitudes,
        "models": model.name,
        "hourly": ",".join(hourly_names(model)),
        "forecast_days": str(min(16, math.ceil(model.range_days) + 1)),
        "timeformat": "unixtime",
        "timezone": "GMT",
        "wind_speed_unit": "ms",
        "temperature_unit": "celsius",
        "precipitation_unit": "mm",
    }
    if altitudes is not None and known:
        parameters["elevation"] = ",".join(f"{a:.0f}" for a in altitudes)
    return parameters | more


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
    what = f"{SOURCE} {model} for {_places([(s.latitude, s.longitude) for s in sites])}"
    parameters = request_parameters(
        [(s.latitude, s.longitude) for s in sites], row, altitudes=[s.surface_altitude for s in sites]
    )

    def parse(reply: Reply) -> xr.Dataset:
        now = datetime.now(UTC)
        started = run() if callable(run) else run
        cube = parse_forecast(
            reply.body, model=model, asked_units=True, retrieved=now, run=started, names=[s.name for s in sites],
            what=what,
        )  # fmt: skip
        check_span(cube, now, what)
        check_places(cube, [(s.latitude, s.longitude) for s in sites], row, what)
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

    return download(
        settings.addresses["forecast"], parameters, parse, settings=settings, what=what,
        maximum_bytes=LARGEST_REPLY, weight=call_weight(parameters),
    )  # fmt: skip


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


def check_places(cube: xr.Dataset, places: Sequence[tuple[float, float]], model: Model, what: str) -> None:
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


def _places(places: Sequence[tuple[float, float]]) -> str:
    """Return places for errors and logs, rounded to about a kilometre: where a pilot flies is private."""
    first = f"{places[0][0]:.2f}, {places[0][1]:.2f}"
    return first if len(places) == 1 else f"{first} and {len(places) - 1} more"


def get_grid(
    latitude: float,
    longitude: float,
    *,
    half_width_km: float,
    cells: int,
    model: str,
    settings: Settings,
    run: datetime | None = None,
) -> xr.Dataset:
    """Request a small grid around a place: a mesh of points, each answered by the nearest cell of the model.

    Parameters
    ----------
    latitude, longitude : float
        Centre of the grid [degree].
    half_width_km : float
        Distance from the centre to each edge [km].
    cells : int
        Points along each side, 2 to 20.
    model, settings, run
        As in `get_forecast`.

    Returns
    -------
    xarray.Dataset
        A cube with the dimensions ``latitude`` and ``longitude``, both increasing, at the centres of the model's
        cells, each cell once. Where the model's own grid does not follow latitude and longitude, at the mesh's points.

    Raises
    ------
    SourceError
        States source, place (rounded) and fault.
    """
    row = find_model(model)
    if not 2 <= cells <= MOST_CELLS**0.5 or not 0 < half_width_km <= 500:
        raise WxflyError(
            f"a grid of {cells} by {cells} points over {half_width_km:g} km cannot be requested; "
            f"wanted 2 to {MOST_CELLS**0.5:.0f} points a side, over up to 500 km"
        )
    latitudes, longitudes = mesh(latitude, longitude, half_width_km, cells)
    points = [(a, b) for a in latitudes for b in longitudes]
    what = f"{SOURCE} {model} grid around {_places([(latitude, longitude)])}"
    parameters = request_parameters(points, row, cell_selection="nearest", elevation=",".join(["nan"] * len(points)))

    def parse(reply: Reply) -> xr.Dataset:
        now = datetime.now(UTC)
        cube = parse_forecast(
            reply.body, model=model, asked_units=True, retrieved=now, run=run,
            names=[str(n) for n in range(len(points))], what=what,
        )  # fmt: skip
        check_span(cube, now, what)
        check_places(cube, points, row, what)
        return to_grid(cube, latitudes, longitudes)

    return download(
        settings.addresses["forecast"], parameters, parse, settings=settings, what=what,
        maximum_bytes=LARGEST_REPLY, weight=call_weight(parameters),
    )  # fmt: skip


def mesh(latitude: float, longitude: float, half_width_km: float, cells: int) -> tuple[list[float], list[float]]:
    """Return the latitudes and longitudes [degree] of a square mesh, rounded as they are sent."""
    degree = math.pi * EARTH_RADIUS / 180
    north = half_width_km / degree
    east = half_width_km / (degree * max(math.cos(math.radians(latitude)), 0.02))
    latitudes = np.clip(latitude + np.linspace(-north, north, cells), -89.9, 89.9)
    longitudes = longitude + np.linspace(-east, east, cells)
    if longitudes[0] < -180 or longitudes[-1] > 180:
        raise WxflyError("a grid across the date line cannot be requested; move its centre or make it smaller")
    return [round(float(a), 4) for a in latitudes], [round(float(b), 4) for b in longitudes]


def to_grid(cube: xr.Dataset, latitudes: Sequence[float], longitudes: Sequence[float]) -> xr.Dataset:
    """Fold the points of a mesh, in the order of its rows, into latitude and longitude."""
    rows, columns = len(latitudes), len(longitudes)
    shape = (rows, columns)
    cell_latitude = np.round(cube["latitude"].values, 3).reshape(shape)  # the reply is in single precision
    cell_longitude = np.round(cube["longitude"].values, 3).reshape(shape)
    regular = (cell_latitude == cell_latitude[:, :1]).all() and (cell_longitude == cell_longitude[:1]).all()
    north = cell_latitude[:, 0] if regular else np.array(latitudes)
    east = cell_longitude[0] if regular else np.array(longitudes)
    folded = xr.Dataset(attrs=cube.attrs)
    for name, variable in {**cube.data_vars, "surface_altitude": cube["surface_altitude"]}.items():
        axis = variable.dims.index("site")
        dims = (*variable.dims[:axis], "latitude", "longitude", *variable.dims[axis + 1 :])
        values = variable.values.reshape(*variable.shape[:axis], *shape, *variable.shape[axis + 1 :])
        folded[str(name)] = (dims, values, variable.attrs)
    folded = folded.set_coords("surface_altitude").assign_coords(
        {str(k): c for k, c in cube.coords.items() if "site" not in c.dims and k != "site"}
    )
    folded = describe_coordinates(folded.assign_coords(latitude=north, longitude=east))
    first_row = np.unique(north, return_index=True)[1]
    first_column = np.unique(east, return_index=True)[1]
    return folded.isel(latitude=first_row, longitude=first_column)
