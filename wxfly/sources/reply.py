"""Replies of services: their content, their faults, cautious reading, and the precision of the coordinates sent.

A forecast service answers with the nearest cell of the model's mesh. So coordinates are rounded to the precision that
its answer depends on, unless the service derives the height of the ground from them because none is sent.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn, TypeGuard

import numpy as np
import numpy.typing as npt

from wxfly.errors import NotAskedError, WxflyError
from wxfly.pilot.site import Site

SAME_GROUND = 5.0
"""A forecast is for a site if their ground heights differ by no more than this [m]."""


class SourceError(NotAskedError):
    """A service did not send what was requested. Its reply may be quoted, so it is made safe to print."""

    def __init__(self, message: str) -> None:
        super().__init__(" ".join("".join(c if c.isprintable() else " " for c in message).split()))


class OtherModelError(SourceError):
    """A reply is of another model than the one named, or of several and none is named."""


class PassingError(SourceError):
    """A fault that another try may overcome.

    Attributes
    ----------
    wait_seconds : float or None
        Wait that the service asks for [s]; None where it states none.
    """

    def __init__(self, message: str, wait_seconds: float | None = None) -> None:
        super().__init__(message)
        self.wait_seconds = wait_seconds


class UnreachableError(PassingError):
    """No answer: there is no connection, or no server."""


class LateError(PassingError):
    """The answer, or the rest of it, did not arrive in time."""


@dataclass(frozen=True)
class Reply:
    """The answer of a service.

    Attributes
    ----------
    status : int
        HTTP status.
    headers : mapping of str
        Headers, with names in lower case.
    body : bytes
        Body, unpacked.
    """

    status: int
    headers: Mapping[str, str]
    body: bytes


def sendable(header: str) -> str:
    """Return the text of a header if it can be sent back unchanged, else an empty text.

    A text with a byte above 127 cannot be sent back: a request with it would fail on this machine.
    """
    return header if header.isascii() and header.isprintable() and len(header) <= 200 else ""


def reason_of(reply: Reply) -> str:
    """Return the service's own words for an error, short and safe to print; empty when it has none."""
    try:
        document = json.loads(reply.body.decode("utf-8"))
        reason = document.get("reason") or document.get("error") or document.get("message")
    except (ValueError, AttributeError, RecursionError):
        return ""
    if not isinstance(reason, str):
        return ""
    clean = " ".join("".join(c if c.isprintable() else " " for c in reason).split())
    return clean[:160]


def parse_json(body: bytes, what: str) -> Any:
    """Read JSON from a service that may send something else under status 200.

    Raises
    ------
    PassingError
        When the body is cut short, is an HTML page or has the service's note of an error while sending.
    SourceError
        When it has a bare ``nan`` (not JSON): the model does not cover the place.
    """

    def refuse(constant: str) -> NoReturn:
        raise SourceError(f"{what}: it sent {constant}; the model may not cover the place")

    if not body.strip():
        raise PassingError(f"{what}: an empty body; try again")
    if body.lstrip()[:1] == b"<":
        raise PassingError(f"{what}: a web page came back in place of data; is there a sign-in page on this network?")
    try:
        return json.loads(body.decode("utf-8"), parse_constant=refuse)
    except (ValueError, RecursionError):
        if b"Unexpected error while streaming" in body:
            raise PassingError(f"{what}: the service failed while it was sending; try again") from None
        if b":nan" in body.replace(b" ", b""):
            raise SourceError(f"{what}: the model does not cover the place") from None
        raise PassingError(f"{what}: the body is not whole JSON; try again") from None


def is_number(value: Any) -> TypeGuard[int | float]:
    """Return whether a value is a number of a size that a forecast may have; NaN and a truth value are none."""
    return type(value) in (int, float) and abs(value) < 1e9


def is_unix_time(value: Any) -> TypeGuard[int]:
    """Return whether a value is a whole number of seconds since 1970, up to the year 2200."""
    return type(value) is int and 0 < value < 7_258_118_400


def read_column(values: Any, size: int, what: str) -> npt.NDArray[np.float64]:
    """Return a column of a table, a list or an array, as numbers; NaN for null.

    Raises
    ------
    SourceError
        When it does not have `size` values, or one of them is not a number.
    """
    if not isinstance(values, list | np.ndarray) or len(values) != size:
        length = len(values) if isinstance(values, list) else "no list"
        raise SourceError(f"{what} has {length} values for {size} hours")
    if isinstance(values, list) and not set(map(type, values)) <= {int, float, type(None)}:
        raise SourceError(f"{what} holds something that is not a number")
    try:
        return np.array(values, dtype=float)
    except OverflowError:
        raise SourceError(f"{what} holds a number beyond all measure") from None


def read_moment(text: Any, what: str) -> np.datetime64:
    """Read a stamp in UTC, such as ``2026-10-02T15:00:00``; with a blank, parts of a second or a Z too [s].

    Raises
    ------
    SourceError
        When it is of another form, or not on the calendar.
    """
    if not isinstance(text, str) or not re.fullmatch(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(\.\d+)?Z?", text):
        raise SourceError(f"{what}: the time '{str(text)[:30]}' is not of the form 2026-10-02T15:00:00")
    try:
        return np.datetime64(text[:19].replace(" ", "T"), "s")
    except ValueError:
        raise SourceError(f"{what}: the time '{text}' is not on the calendar") from None


def retrieved_stamp(retrieved: datetime | None) -> str:
    """Return a time of retrieval as a cube states it, UTC; "not known" for None."""
    return f"{retrieved.astimezone(UTC):%Y-%m-%dT%H:%M:%SZ}" if retrieved else "not known"


def read_saved(path: Path) -> bytes:
    """Return a reply that was saved in a file.

    Raises
    ------
    WxflyError
        When it cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror})") from None


COARSE_KM = 5.0
"""Mesh width from which a place is sent to 0.01 degrees (0.6 km off at most); for a finer one to 0.001 (60 m) [km]."""


def sent_coordinates(
    places: Sequence[tuple[float, float]], resolution_km: float, *, ground_known: bool
) -> tuple[str, str]:
    """Return latitudes and longitudes [degree] as they are sent, joined by commas.

    Parameters
    ----------
    places : sequence of (float, float)
        Latitude and longitude [degree].
    resolution_km : float
        Mesh width of the model [km].
    ground_known : bool
        Whether the height of the ground is sent too, or the answer does not depend on it; else the service looks it up
        on a mesh of 90 m.
    """
    decimals = 4 if not ground_known else 2 if resolution_km >= COARSE_KM else 3
    latitudes, longitudes = ([f"{value:.{decimals}f}" for value in axis] for axis in zip(*places, strict=True))
    return ",".join(latitudes), ",".join(longitudes)


def are_known(altitudes: Sequence[float] | None) -> bool:
    """Return whether the height of the ground [m] is known for every place."""
    return altitudes is not None and all(math.isfinite(a) for a in altitudes)


@dataclass(frozen=True)
class PlaceReply:
    """The reply of a service for one place.

    Attributes
    ----------
    service : str
        The service, which decides the reader: the `kept_as` of its row in `wxfly.pilot.services`.
    model : str
        The one requested model.
    site : str
        The pilot's name for the place.
    latitude, longitude : float
        The place, not the model's cell [degree].
    surface_altitude : float
        Requested height of the ground [m]; NaN when unknown.
    asked : tuple of str
        Requested names; empty where the service takes none, or sends all that it has.
    retrieved : datetime
        Time of retrieval.
    run : datetime or None
        The run of the model, from a separate reply; None when unknown.
    body : bytes
        The unchanged reply; for members, the bytes from `wxfly.sources.open_meteo.ensemble.MembersAtPlace.pack`.
    """

    service: str
    model: str
    site: str
    latitude: float
    longitude: float
    surface_altitude: float
    asked: tuple[str, ...]
    retrieved: datetime
    run: datetime | None
    body: bytes

    @classmethod
    def at(
        cls, site: Site, body: bytes, *, service: str, model: str, retrieved: datetime, run: datetime | None,
        asked: tuple[str, ...] = (),
    ) -> PlaceReply:  # fmt: skip
        """Return the reply for a site."""
        return cls(
            service, model, site.name, site.latitude, site.longitude, site.surface_altitude, asked, retrieved, run, body
        )

    @property
    def place(self) -> Site:
        """Return the requested place."""
        is_known = math.isfinite(self.surface_altitude)
        return Site(self.site, self.latitude, self.longitude, self.surface_altitude if is_known else math.nan)

    @property
    def what(self) -> str:
        """Return source and place for errors, the place rounded to about a kilometre."""
        return f"{self.model} for {self.latitude:.2f}, {self.longitude:.2f}"


def split_places(body: bytes) -> list[bytes]:
    """Split a reply into one for each place, without changing a byte.

    Parameters
    ----------
    body : bytes
        Valid JSON: an object for one place, or a list of objects.
    """
    text = body.decode("utf-8").strip()
    if not text.startswith("["):
        return [body]
    read = json.JSONDecoder().raw_decode
    parts, position = [], 1
    while True:
        position = _after_space(text, position)
        end = read(text, position)[1]
        parts.append(text[position:end].encode())
        position = _after_space(text, end)
        if text[position] == "]":
            return parts
        position += 1  # the comma


def _after_space(text: str, position: int) -> int:
    while text[position] in " \t\r\n":
        position += 1
    return position
