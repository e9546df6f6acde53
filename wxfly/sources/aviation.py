"""The data service of the US Aviation Weather Center: requests, and conversion of its rows and values to SI."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any, TypeGuard

from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.sources.http import download
from wxfly.sources.reply import Reply, SourceError, parse_json
from wxfly.units import UNITS

SOURCE, ATTRIBUTION = SERVICES["aviation_weather"].source, SERVICES["aviation_weather"].attribution

KNOT, _STATUTE_MILE, _FOOT = (UNITS[symbol].factor for symbol in ("kt", "mi", "ft"))
_CEILING = ("BKN", "OVC", "OVX", "VV")
_NONE = ("CLR", "SKC", "CAVOK", "NSC", "NCD", "FEW", "SCT")


def box_around(latitude: float, longitude: float, half_width_km: float) -> str:
    """Return a box of whole tenths of a degree around a place, south-west corner first; it is sent, not the place."""
    north = half_width_km / 111.2
    east = north / max(math.cos(math.radians(latitude)), 0.1)
    south, west = (math.floor(v * 10) / 10 for v in (max(latitude - north, -90), max(longitude - east, -180)))
    top, right = (math.ceil(v * 10) / 10 for v in (min(latitude + north, 90), min(longitude + east, 180)))
    return f"{south:.1f},{west:.1f},{top:.1f},{right:.1f}"


def ask_for(
    product: str, of: Mapping[str, str], parse: Callable[[bytes, str], object], settings: Settings, what: str
) -> str:
    """Request one product, check with `parse` that it can be read, and return the reply unchanged."""

    def check(reply: Reply) -> str:
        body = reply.body if reply.status == 200 and reply.body.strip() else b"[]"  # 204 means "none here"
        parse(body, what)
        return body.decode("utf-8")

    return download(
        f"{settings.addresses['aviation_weather']}/{product}",
        {**of, "format": "json"},
        check,
        settings=settings,
        what=what,
        accepted=(200, 204),
        maximum_bytes=3_000_000,
    )


def rows_of(body: bytes, what: str, kind: str) -> Iterator[tuple[dict[str, Any], str, tuple[float, float]]]:
    """Return each row, its source and airport for errors, and its place [degree]; one without a place is left out.

    Raises
    ------
    SourceError
        When it is not a list of rows, or a place is not on Earth.
    """
    document = parse_json(body, what)
    if not isinstance(document, list):
        raise SourceError(f"{what}: not a list of {kind}s")
    for row in document:
        if not isinstance(row, dict):
            raise SourceError(f"{what}: a {kind} is not an object")
        where = f"{what}: {str(row.get('icaoId', f'a {kind}'))[:8]}"
        place = number_of(row, "lat", where, -90, 90), number_of(row, "lon", where, -180, 180)
        if not any(map(math.isnan, place)):
            yield row, where, place


def number_of(row: dict[str, Any], key: str, what: str, lowest: float, highest: float) -> float:
    """Read a number; NaN where there is none."""
    value = row.get(key)
    if value is None:
        return math.nan
    if type(value) not in (int, float) or not lowest <= value <= highest:
        raise SourceError(f"{what}: {key} '{str(value)[:20]}' is not between {lowest:g} and {highest:g}")
    return float(value)


def is_moment(value: Any) -> TypeGuard[int]:
    """Return whether a value is a whole number of seconds since 1970, up to the year 2200."""
    return type(value) is int and 0 < value < 7_258_118_400


def visibility_of(value: Any, what: str) -> tuple[float, bool]:
    """Read statute miles, a number or ``10+``; return metres and whether it may be more."""
    if value is None or value == "":
        return math.nan, False
    text = str(value)
    if isinstance(value, bool) or not re.fullmatch(r"\d{1,2}(\.\d+)?\+?", text):
        raise SourceError(f"{what}: visib '{text[:20]}' is not a number of statute miles")
    return float(text.rstrip("+")) * _STATUTE_MILE, text.endswith("+")


def ceiling_of(row: dict[str, Any], what: str) -> float:
    """Read the lowest cloud that covers more than half of the sky [m]; infinite for none, NaN when not stated."""
    vertical = number_of(row, "vertVis", what, 0, 1e5)
    layers = row.get("clouds")
    if not isinstance(layers, list):
        return vertical * _FOOT
    bases = [] if math.isnan(vertical) else [vertical]
    for layer in layers:
        if not isinstance(layer, dict):
            raise SourceError(f"{what}: a cloud layer is not an object")
        if layer.get("cover") in _CEILING:
            base = number_of(layer, "base", what, 0, 1e5)
            if math.isnan(base):
                return math.nan  # broken or overcast at an unstated height
            bases.append(base)
    if bases:
        return min(bases) * _FOOT
    covers = [cover for cover in (row.get("cover"), *(layer.get("cover") for layer in layers)) if cover is not None]
    return math.inf if covers and all(cover in _NONE for cover in covers) else math.nan
