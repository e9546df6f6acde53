"""The reply of a service for one place, with everything needed to read it again later."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import datetime

from wxfly.pilot.site import Site


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
        The unchanged reply; for members, the bytes from `wxfly.sources.open_meteo.members.MembersAtPlace.pack`.
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
