"""The elements: each thing that can stop a flight, described completely in one row.

A new element needs a row of `ELEMENTS`, its physics and its test. A row must have a family and figures of error;
without them its hours would be reported as certain.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, StrEnum
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.physics.wind.profile import DIFFERENCE_DEPTH, DIFFERENCE_LOWEST
from wxfly.pilot.limit_rules import LIMIT_RULES, LimitRule, LimitSense

Array = npt.NDArray[np.float64]


class ErrorKind(StrEnum):
    """How the error of an element is distributed, as ``data/forecast_error.toml`` names and explains it."""

    NORMAL = "normal"
    LOGARITHMIC = "logarithmic"
    SQUARE_ROOT = "square_root"
    CATEGORY = "category"


class Family(Enum):
    """Elements with correlated errors; errors of different families are treated as independent."""

    WIND = "wind"
    WATER = "precipitation, icing and storms"
    SIGHT = "sight and cloud"
    WARMTH = "temperature and density"
    GEOMAGNETISM = "geomagnetism"
    RETURN_LEG = "return leg"
    KNOWN = "known beforehand"


@dataclass(frozen=True)
class LimitOf:
    """The source of an element's limit: the first of these that is given.

    Attributes
    ----------
    pilot : str
        Field of `wxfly.pilot.limits.Limits`; where that field is None, `condition` is used if there is one.
    adds_flight_height : bool
        Whether the flight height is added to the pilot's limit.
    condition : str
        Condition of the hour; the smaller value of its two edges is the limit.
    fixed : float
        A limit that is the same for everyone.
    """

    pilot: str = ""
    adds_flight_height: bool = False
    condition: str = ""
    fixed: float = float("nan")


@dataclass(frozen=True)
class Element:
    """One element of suitability.

    Attributes
    ----------
    name : str
        Name in data and in files.
    title : str
        Name in reports.
    sense : str
        How demand and limit compare: a key of `wxfly.pilot.limit_rules.LIMIT_RULES`.
    units : str
        SI unit of demand and limit.
    quantity : str
        Key of its display unit in `wxfly.units.SYSTEMS`; empty for a bare number.
    wording : str
        Wording of the demand; ``{height}`` is the flight height, ``{where}`` is that height or near the ground.
    condition : str
        The condition of an hour that is its demand (`wxfly.assessment.conditions`).
    limit : LimitOf
        The limit of that condition.
    family : Family
        Family of its error.
    inputs : tuple of str
        Variables of the cube from which it is computed: in an hour that has lost one of them the element is unknown.
    is_required : bool
        Whether an hour is *not known* without it, where the pilot says nothing else.
    chance : str
        Of a risk, the condition of the hour that is its chance; empty where only its grade is reported.
    stand_in : str
        Condition that counts where the element is unknown and this one is over the limit; empty for none.
    changes_with_height : bool
        Whether another flight height gives another demand or limit.
    needs_levels_to : float
        Height above ground up to which it needs the levels of its inputs, however low the flight [m].
    errors : mapping
        Figures of the forecast's error, explained in ``data/forecast_error.toml``; by default its table of this
        name. Empty for elements known beforehand, and for the return leg, which has its own uncertainty.

    Raises
    ------
    ValueError
        For an unknown sense, and for an element without figures of error: it would be reported as certain.
    """

    name: str
    title: str
    sense: str
    units: str
    quantity: str
    wording: str
    condition: str
    limit: LimitOf
    family: Family
    inputs: tuple[str, ...] = ()
    is_required: bool = False
    chance: str = ""
    stand_in: str = ""
    changes_with_height: bool = False
    needs_levels_to: float = 0.0
    errors: Mapping[str, Any] = field(default_factory=dict, compare=False)

    def __post_init__(self) -> None:
        if self.sense not in LIMIT_RULES:
            raise ValueError(f"the element '{self.name}' has the sense '{self.sense}'; wanted {', '.join(LIMIT_RULES)}")
        if self.sense == LimitSense.WITHIN and self.name != "temperature":
            raise ValueError(f"the element '{self.name}' has a band, and only temperature has one so far")
        if not isinstance(self.family, Family):
            raise ValueError(f"the element '{self.name}' has no family of errors; it would be reported as certain")
        if self.family in (Family.KNOWN, Family.RETURN_LEG):
            return
        errors = self.errors or shipped_figures().get(self.name)
        if not errors:
            raise ValueError(f"the element '{self.name}' has no figures of error; it would be reported as certain")
        check_figures(self.name, errors, len(shipped_figures()["lead_hours"]))
        object.__setattr__(self, "errors", errors)

    @property
    def rule(self) -> LimitRule:
        """How demand and limit compare."""
        return LIMIT_RULES[self.sense]

    def margin(self, demand: npt.ArrayLike, limit: Any) -> Array:
        """Return the margin that a demand leaves of a limit, by the rule of the element."""
        return self.rule.margin(demand, limit)


@cache
def shipped_figures() -> dict[str, Any]:
    """Read ``data/forecast_error.toml``."""
    return tomllib.loads((files("wxfly") / "data" / "forecast_error.toml").read_text(encoding="utf-8"))


def check_figures(name: str, errors: Mapping[str, Any], leads: int) -> None:
    """Refuse figures of error that are not above 0 at every lead time.

    Raises
    ------
    ValueError
        States the element.
    """
    key = "missed" if errors.get("kind") == ErrorKind.CATEGORY else "error"
    if not all(value > 0 for value in errors.get(key, (0,))) or len(errors[key]) != leads:
        raise ValueError(f"the element '{name}' has no {key} above 0 at every lead")


_WIND = ("wind_speed",)
_TEMPERATURE = ("air_temperature", "air_temperature_aloft")
_HUMIDITY = ("relative_humidity", "dew_point_temperature")
_RAIN = ("precipitation_amount", "weather_code")
_ANY_RISK = LimitOf(fixed=1.0)

ELEMENTS: tuple[Element, ...] = (
    Element(
        "wind", "wind", "at_most", "m s-1", "wind", "wind at {height}",
        "largest_wind_speed", LimitOf("maximum_wind"), Family.WIND, _WIND, is_required=True, changes_with_height=True,
    ),
    Element(
        "gust", "gust", "at_most", "m s-1", "wind", "gust at {height}",
        "largest_gust", LimitOf("maximum_gust"), Family.WIND, (*_WIND, "wind_speed_of_gust"), is_required=True,
        changes_with_height=True,
    ),
    Element(
        "wind_difference", "wind difference with height", "at_most", "m s-1", "wind", "wind difference over 30 m",
        "wind_difference", LimitOf("maximum_wind_difference"), Family.WIND, (*_WIND, "wind_from_direction"),
        changes_with_height=True, needs_levels_to=DIFFERENCE_LOWEST + DIFFERENCE_DEPTH,
    ),
    Element(
        "precipitation", "precipitation", "at_most", "mm h-1", "precipitation", "precipitation",
        "precipitation_rate", LimitOf("maximum_precipitation"), Family.WATER, _RAIN, is_required=True,
    ),
    Element(
        "temperature", "temperature", "within", "K", "temperature", "temperature {where}",
        "air_temperature", LimitOf(), Family.WARMTH, _TEMPERATURE, is_required=True, changes_with_height=True,
    ),
    Element(
        "density_altitude", "density altitude", "at_most", "m", "height", "density altitude",
        "density_altitude", LimitOf("maximum_density_altitude"), Family.WARMTH,
        (*_TEMPERATURE, *_HUMIDITY, "surface_air_pressure"), changes_with_height=True,
    ),
    Element(
        "icing", "icing", "grade", "1", "", "icing at {height}",
        "icing_risk", _ANY_RISK, Family.WATER, (*_TEMPERATURE, *_HUMIDITY, *_RAIN, "precipitation_probability"),
        chance="icing_chance", is_required=True, changes_with_height=True,
    ),
    Element(
        "visibility", "visibility", "at_least", "m", "visibility", "visibility",
        "visibility_in_air", LimitOf("minimum_visibility"), Family.SIGHT, ("visibility_in_air", "weather_code"),
    ),
    Element(
        "fog", "fog", "grade", "1", "", "fog",
        "fog_risk", _ANY_RISK, Family.SIGHT, ("air_temperature", *_HUMIDITY, *_RAIN),
        chance="fog_chance",
    ),
    Element(
        "cloud_base", "cloud base", "at_least", "m", "height", "cloud base above ground",
        "cloud_base_height", LimitOf("cloud_separation", adds_flight_height=True), Family.SIGHT,
        ("cloud_base_altitude", "low_type_cloud_area_fraction", "air_temperature", *_HUMIDITY),
        changes_with_height=True,
    ),
    Element(
        "thunderstorm", "thunderstorm", "grade", "1", "", "thunderstorm",
        "thunderstorm_risk", _ANY_RISK, Family.WATER,
        (*_RAIN, "atmosphere_convective_available_potential_energy", "lifted_index"), chance="thunderstorm_chance",
    ),
    Element(
        "kp", "Kp", "at_most", "1", "", "Kp",
        "kp_index", LimitOf("maximum_kp", condition="kp_limit"), Family.GEOMAGNETISM, ("kp_index",),
        stand_in="kp_index_of_outlook",
    ),
    Element(
        "daylight", "daylight", "lit", "min", "", "daylight",
        "minutes_of_light", _ANY_RISK, Family.KNOWN, is_required=True,
    ),
)  # fmt: skip

RETURN_LEG = Element(
    "return_leg", "way back", "at_most", "1", "", "way back", "", _ANY_RISK, Family.RETURN_LEG
)  # fmt: skip
"""Judged only when a sortie is asked for, together with the others (`wxfly.flight.return_leg`)."""

NAMES: tuple[str, ...] = tuple(element.name for element in ELEMENTS)
BY_NAME: dict[str, Element] = {element.name: element for element in (*ELEMENTS, RETURN_LEG)}
ROW: dict[str, int] = {name: row for row, name in enumerate(BY_NAME)}
"""Position of every element in an assessment; the return leg comes after the others, where it is judged."""
GRAVEST: tuple[str, ...] = ("thunderstorm", "icing", "fog")
"""Hazards that are named before other elements that are equally near their limits. Common practice, no source."""

REQUIRED_BY_DEFAULT: tuple[str, ...] = tuple(element.name for element in ELEMENTS if element.is_required)
