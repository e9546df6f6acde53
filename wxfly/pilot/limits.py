"""Limits: the values that the elements are compared with, gathered from aircraft, rules and pilot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.aircraft import FIGURES, Aircraft
from wxfly.pilot.elements import NAMES, REQUIRED_BY_DEFAULT
from wxfly.pilot.rules import DEFAULT as DEFAULT_RULES
from wxfly.pilot.rules import RuleSet, find_rules
from wxfly.units import QuantityError

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
        ``civil_twilight``, ``half_hour`` or ``sun_up``.
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
