"""The elements: each thing that can stop a flight, how it is measured and in which unit it is shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Sense = Literal["at_most", "at_least", "within", "grade", "lit"]


@dataclass(frozen=True)
class Element:
    """One element of suitability.

    Attributes
    ----------
    name : str
        Name in data and in files.
    title : str
        What reports call it.
    sense : str
        How demand and limit compare. ``at_most``: the demand must not exceed the limit. ``at_least``: it must
        not fall short of it. ``within``: it must lie in a band. ``grade``: 0 none, 1 possible, 2 likely.
        ``lit``: minutes of light in the hour.
    units : str
        SI unit of demand and limit.
    quantity : str
        Key of the unit in `wxfly.units.SYSTEMS` by which it is shown; empty for a bare number.
    reading : str
        How the demand is phrased; ``{height}`` is the flight height, ``{where}`` is there or near the ground.
    """

    name: str
    title: str
    sense: Sense
    units: str
    quantity: str
    reading: str


ELEMENTS: tuple[Element, ...] = (
    Element("wind", "wind", "at_most", "m s-1", "wind", "wind at {height}"),
    Element("gust", "gust", "at_most", "m s-1", "wind", "gust at {height}"),
    Element(
        "wind_difference",
        "wind difference with height",
        "at_most",
        "m s-1",
        "wind",
        "wind difference over 30 m",
    ),
    Element("precipitation", "precipitation", "at_most", "mm h-1", "precipitation", "precipitation"),
    Element("temperature", "temperature", "within", "K", "temperature", "temperature {where}"),
    Element("density_altitude", "density altitude", "at_most", "m", "height", "density altitude"),
    Element("icing", "icing", "grade", "1", "", "icing at {height}"),
    Element("visibility", "visibility", "at_least", "m", "visibility", "visibility"),
    Element("fog", "fog", "grade", "1", "", "fog"),
    Element("cloud_base", "cloud base", "at_least", "m", "height", "cloud base above ground"),
    Element("thunderstorm", "thunderstorm", "grade", "1", "", "thunderstorm"),
    Element("kp", "Kp", "at_most", "1", "", "Kp"),
    Element("daylight", "daylight", "lit", "min", "", "daylight"),
)

RETURN_LEG = Element("return_leg", "way home", "at_most", "1", "", "way home")
"""Judged only when a sortie is asked for, and then beside the others (`wxfly.flight.return_leg`)."""

NAMES: tuple[str, ...] = tuple(element.name for element in ELEMENTS)
BY_NAME: dict[str, Element] = {element.name: element for element in (*ELEMENTS, RETURN_LEG)}
ROW: dict[str, int] = {name: row for row, name in enumerate(BY_NAME)}
"""Place of every element in an assessment; that of the way home is behind the others, where it is judged."""

REQUIRED_BY_DEFAULT: tuple[str, ...] = ("wind", "gust", "precipitation", "temperature", "icing", "daylight")

GRADES = ("none", "possible", "likely")
