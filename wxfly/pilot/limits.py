"""Limits: the values that the elements are compared with, gathered from aircraft, rules and pilot."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any

from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.aircraft import FIGURES, Aircraft
from wxfly.pilot.elements import BY_NAME, ELEMENTS, NAMES, REQUIRED_BY_DEFAULT, Element
from wxfly.pilot.limit_rules import LimitSense
from wxfly.pilot.rules import DEFAULT as DEFAULT_RULES
from wxfly.pilot.rules import RuleSet, find_rules
from wxfly.units import SYSTEMS, UNITS, QuantityError, is_bare, parse_quantity

HEIGHT_OF_LAUNCH = 2.0
"""Height above ground of the gust limit for launching and landing [m]: where a pilot holds an anemometer."""
HIGHEST_JUDGED = 300.0
"""Greatest height that the methods of wind extrapolation were made for [m]."""
HEIGHT_LIMIT_ROUNDING = 0.1
"""A height this little above the height limit counts as equal to it [m]: 394 ft is 120.09 m. No altimeter of a small
aircraft can resolve the difference."""


@dataclass(frozen=True)
class Limits:
    """The limits of one answer, in SI units.

    Attributes
    ----------
    maximum_wind, maximum_gust, maximum_wind_difference : float
        Wind, gust, and difference of wind over 30 m of height [m s-1].
    maximum_precipitation : float
        Rate of precipitation [mm h-1].
    minimum_temperature, maximum_temperature : float
        Air temperature [K].
    maximum_density_altitude : float or None
        Density altitude [m]; None when the aircraft has no such limit.
    minimum_visibility : float
        Visibility [m].
    cloud_separation : float
        Least vertical distance between aircraft and cloud base [m].
    height_limit : float
        Height limit, above ground [m].
    daylight_rule : str
        ``civil_twilight``, ``half_hour``, ``sun_up`` or ``any``.
    rules : str
        Name of the rule set that gave the limits of height, visibility, cloud and daylight.
    maximum_kp : float or None
        Limit of Kp; None takes the limit that follows from the place's geomagnetic latitude.
    reserve : float
        Share of a limit that the pilot wants left; an hour with less is *narrow*.
    confidence : float
        Probability that the height conversion does not underestimate wind and gust; 0.5 takes the estimate itself.
        The forecast's own error is not included.
    required : tuple of str
        Elements without which an hour is *not known*; the others are advised.
    sources : mapping
        The source of each limit.
    aircraft_light : str
        Light that the rules ask for on the aircraft, and when; empty for none.
    accepted : tuple of str
        Elements that the pilot made advised by name: an hour that has lost one takes its state from the others.
    maximum_gust_at_launch : float or None
        Largest gust `HEIGHT_OF_LAUNCH` above ground for launching and landing [m s-1]; None where there is no separate
        limit.
    """

    maximum_wind: float
    maximum_gust: float
    maximum_wind_difference: float
    maximum_precipitation: float
    minimum_temperature: float
    maximum_temperature: float
    maximum_density_altitude: float | None
    minimum_visibility: float
    cloud_separation: float
    height_limit: float
    daylight_rule: str
    rules: str = DEFAULT_RULES
    maximum_kp: float | None = None
    reserve: float = 0.2
    confidence: float = 0.5
    required: tuple[str, ...] = REQUIRED_BY_DEFAULT
    sources: Mapping[str, str] = field(default_factory=dict, compare=False)
    maximum_gust_at_launch: float | None = None
    aircraft_light: str = ""
    accepted: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in self.required:
            if name not in NAMES:
                raise unknown_name("element", name, NAMES)
        if not 0 <= self.reserve < 1 or self.reserve != self.reserve:
            raise WxflyError(f"a reserve of {self.reserve} is not a share; wanted 0 to below 1, such as 0.2")
        if not 0.5 <= self.confidence < 1:
            raise WxflyError(f"a confidence of {self.confidence} is not understood; wanted 0.5 to below 1, such as 0.9")

    @property
    def advised(self) -> tuple[str, ...]:
        """Return the elements that are not required."""
        return tuple(name for name in NAMES if name not in self.required)


def limits_for(
    aircraft: Aircraft,
    rules: RuleSet | None = None,
    *,
    reserve: float = 0.2,
    required: tuple[str, ...] = REQUIRED_BY_DEFAULT,
) -> Limits:
    """Gather the limits of an aircraft under a rule set.

    Parameters
    ----------
    aircraft : Aircraft
        The aircraft, with its operating limits.
    rules : RuleSet, optional
        Limits of height, visibility, distance from cloud and daylight; by default the shipped set of the pilot's own.
    reserve : float, optional
        Share of every limit to keep in reserve.
    required : tuple of str, optional
        Elements without which an hour is *not known*.
    """
    rules = rules or find_rules(DEFAULT_RULES)
    names = {field.name for field in fields(Limits)}
    given: dict[str, Any] = {key: getattr(aircraft, key) for key in FIGURES if key in names}
    given |= {key: limit.value for key, limit in rules.limits.items() if key in names}
    return Limits(
        **given,
        maximum_density_altitude=aircraft.maximum_takeoff_altitude,
        rules=rules.name,
        reserve=reserve,
        required=required,
        sources={**aircraft.sources, **{key: limit.source for key, limit in rules.limits.items()}},
    )


def is_above_height_limit(height: float, limits: Limits) -> bool:
    """Return whether a height [m] is above the height limit by more than `HEIGHT_LIMIT_ROUNDING`."""
    return height > limits.height_limit + HEIGHT_LIMIT_ROUNDING


def check_height(height: float, limits: Limits) -> None:
    """Refuse a flight height that the rules do not allow.

    Raises
    ------
    WxflyError
        For a height that is not above zero, or is above the height limit or `HIGHEST_JUDGED`.
    """
    if not height > 0:
        raise QuantityError(
            "a flight height of {height} is not above the ground; wanted more than {ground}",
            "height",
            height=height,
            ground=0.0,
        )
    if height > HIGHEST_JUDGED:
        raise QuantityError(
            "a flight height of {height} is above {highest}, the highest at which the wind is judged; "
            "give a lower height",
            "height",
            height=height,
            highest=HIGHEST_JUDGED,
        )
    if is_above_height_limit(height, limits):
        raise QuantityError(
            "a flight height of {height} is above the height limit of {limit}; give a lower height",
            "height",
            height=height,
            limit=limits.height_limit,
        )


# --- the pilot's own limits for today --------------------------------------------------------------------------


@dataclass(frozen=True)
class OwnLimit:
    """A limit that the pilot sets for one answer, in place of the maker's or the rule's.

    Attributes
    ----------
    element : str
        The element.
    values : mapping
        By field of `Limits`, in SI units; temperature has two.
    origin : str
        Where it is from, such as ``plan roof``; empty for the question itself.
    """

    element: str
    values: Mapping[str, float]
    origin: str = ""

    @property
    def since(self) -> str:
        """Return where the pilot set it, in words that follow "your limit"."""
        return f"from {self.origin}" if self.origin else "for today"

    def looser_fields(self, usual: Limits) -> tuple[str, ...]:
        """Return the fields in which this allows more than the usual limits, or may: one of them is not known."""
        return tuple(name for name, value in self.values.items() if _is_looser(name, value, getattr(usual, name)))

    def applied_to(self, limits: Limits, *, only_stricter: bool = False) -> Limits:
        """Return limits with this one in place of theirs.

        Parameters
        ----------
        limits : Limits
            The limits.
        only_stricter : bool, optional
            Whether a looser value changes nothing: it was meant for another aircraft.
        """
        looser = self.looser_fields(limits) if only_stricter else ()
        values: dict[str, Any] = {name: value for name, value in self.values.items() if name not in looser}
        return replace(limits, **values, sources={**limits.sources, **dict.fromkeys(values, f"yours {self.since}")})


def _is_looser(name: str, value: float, usual: float | None) -> bool:
    if usual is None:
        return name in _OF_PLACE  # the limit that follows from the place may be lower
    return value < usual if name in LEAST_LIMITS else value > usual


def limit_fields(element: Element) -> tuple[str, ...]:
    """Return the fields of `Limits` that are the limit of an element; none for one that a pilot cannot set."""
    if element.sense == LimitSense.WITHIN:
        return f"minimum_{element.name}", f"maximum_{element.name}"
    return (element.limit.pilot,) if element.limit.pilot else ()


LEAST_LIMITS = frozenset(
    field
    for element in ELEMENTS
    for field in limit_fields(element)[:1]
    if element.rule.is_least or element.sense == LimitSense.WITHIN
)
"""Fields of `Limits` that are a least value: the limit of an element that may not be below it, and the lower of two."""
_OF_PLACE = frozenset(element.limit.pilot for element in ELEMENTS if element.limit.condition)

SETTABLE: tuple[str, ...] = tuple(element.name for element in ELEMENTS if limit_fields(element))
"""Elements whose limit a pilot may set."""


def read_limit(text: str, units: str, origin: str = "") -> OwnLimit:
    """Read a limit as a pilot writes it.

    Parameters
    ----------
    text : str
        ``ELEMENT=VALUE``, such as ``gust=8m/s``, ``visibility=3km`` or ``temperature=5degC..30degC``. That of the cloud
        base is the distance kept below it.
    units : str
        Key of `wxfly.units.SYSTEMS`, of a number without a unit.
    origin : str, optional
        Where it is from.

    Raises
    ------
    WxflyError
        For an element without a limit to set, with the nearest one, and for a value that is no limit.
    """
    element, values = _parted(text)
    names = limit_fields(element)
    if len(values) != len(names):
        wanted = "both ends, such as temperature=5degC..30degC" if len(names) == 2 else f"one value, not '{text}'"
        raise WxflyError(f"the limit of {element.name} wants {wanted}")
    read = [_value(element, value, units) for value in values]
    least = -math.inf if element.quantity == "temperature" else 0.0
    zero_is_a_limit = element.name == "precipitation"
    if any(value < least or (value == 0 and not zero_is_a_limit and least == 0) for value in read):
        bound = "below zero" if zero_is_a_limit else "not above zero"
        raise WxflyError(f"a limit of '{text}' is {bound}; wanted a value such as gust=8m/s")
    if len(read) == 2 and not read[0] < read[1]:
        raise WxflyError(f"a limit of '{text}' has its ends exchanged; wanted the lower one first")
    return OwnLimit(element.name, dict(zip(names, read, strict=True)), origin)


def element_of_limit(text: str) -> str:
    """Return the element that a limit written as ``ELEMENT=VALUE`` is for."""
    return text.partition("=")[0].strip()


def limit_with_unit(text: str, units: str) -> str:
    """Return a limit with the unit that a bare number in it has."""
    element, values = _parted(text)
    unit = SYSTEMS[units].get(element.quantity, "")
    return f"{element.name}={'..'.join(f'{value}{unit}' if is_bare(value) else value for value in values)}"


def _parted(text: str) -> tuple[Element, list[str]]:
    name, equals, rest = text.partition("=")
    name = name.strip()
    if not equals or not rest.strip():
        raise WxflyError(f"a limit of '{text}' is not understood; wanted ELEMENT=VALUE, such as gust=8m/s")
    if name in NAMES and name not in SETTABLE:
        raise WxflyError(f"the limit of {name} cannot be set; one of: {', '.join(SETTABLE)}")
    if name not in SETTABLE:
        raise unknown_name("limit of", name, SETTABLE)
    return BY_NAME[name], [part.strip() for part in rest.split("..")]


def _value(element: Element, text: str, units: str) -> float:
    if not element.quantity:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise WxflyError(f"a limit of {element.name} of '{text}' is not a number")
        return value
    unit = SYSTEMS[units][element.quantity]
    return parse_quantity(text, UNITS[unit].quantity, unit)
