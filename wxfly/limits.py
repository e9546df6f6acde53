"""Limits: what each element is held against, gathered from aircraft, rule and pilot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from wxfly.aircraft import Aircraft
from wxfly.elements import NAMES, REQUIRED_BY_DEFAULT
from wxfly.errors import WxflyError, unknown_name


@dataclass(frozen=True)
class Limits:
    """The limits of one answer, SI.

    Attributes
    ----------
    maximum_wind, maximum_gust, maximum_wind_difference : float
        [m s-1]; the difference over 30 m of height.
    maximum_precipitation : float
        [mm h-1]
    minimum_temperature, maximum_temperature : float
        [K]
    maximum_density_altitude : float or None
        [m]; None when the aircraft gives none.
    minimum_visibility : float
        [m]
    cloud_separation : float
        Height that must stay free between aircraft and cloud base [m].
    maximum_kp : float or None
        None takes the limit that follows from the place's geomagnetic latitude.
    height_ceiling : float
        Highest flight above ground [m].
    daylight_rule : str
        ``civil_twilight``, ``half_hour`` or ``sun_up``.
    reserve : float
        Share of a limit that the pilot wants left; an hour with less is *narrow*.
    required : tuple of str
        Elements without which an hour is *not known*; the others are advised.
    sources : mapping
        Where each limit is from.
    """

    maximum_wind: float
    maximum_gust: float
    maximum_wind_difference: float
    maximum_precipitation: float
    minimum_temperature: float
    maximum_temperature: float
    maximum_density_altitude: float | None
    minimum_visibility: float = 5000.0
    cloud_separation: float = 150.0
    maximum_kp: float | None = None
    height_ceiling: float = 120.0
    daylight_rule: str = "civil_twilight"
    reserve: float = 0.2
    required: tuple[str, ...] = REQUIRED_BY_DEFAULT
    sources: Mapping[str, str] = field(default_factory=dict, compare=False)

    def __post_init__(self) -> None:
        for name in self.required:
            if name not in NAMES:
                raise unknown_name("element", name, NAMES)
        if not 0 <= self.reserve < 1:
            raise WxflyError(f"a reserve of {self.reserve} is not a share; wanted 0 to below 1, such as 0.2")

    @property
    def advised(self) -> tuple[str, ...]:
        """The elements that are not required."""
        return tuple(name for name in NAMES if name not in self.required)


def limits_for(
    aircraft: Aircraft, *, reserve: float = 0.2, required: tuple[str, ...] = REQUIRED_BY_DEFAULT
) -> Limits:
    """Gather the limits of an aircraft with the default rules.

    The defaults are common practice or guidance, and local rules prevail: 120 m above ground, 5 km visibility
    (EASA guidance for the open category), 150 m below cloud (500 ft, 14 CFR 107.51(d)), civil twilight.
    """
    return Limits(
        maximum_wind=aircraft.maximum_wind,
        maximum_gust=aircraft.maximum_gust,
        maximum_wind_difference=aircraft.maximum_wind_difference,
        maximum_precipitation=aircraft.maximum_precipitation,
        minimum_temperature=aircraft.minimum_temperature,
        maximum_temperature=aircraft.maximum_temperature,
        maximum_density_altitude=aircraft.maximum_takeoff_altitude,
        reserve=reserve,
        required=required,
        sources={
            **aircraft.sources,
            "height_ceiling": "120 m / 400 ft above ground: (EU) 2019/947 UAS.OPEN.010, 14 CFR 107.51(b)",
            "minimum_visibility": "5 km: EASA guidance for the open category",
            "cloud_separation": "500 ft below cloud: 14 CFR 107.51(d)(1)",
            "daylight_rule": "civil twilight, sun 6 degrees below the horizon: common practice, no source",
        },
    )


def check_height(height: float, limits: Limits) -> None:
    """Refuse a flight height that no rule in force allows.

    Raises
    ------
    WxflyError
        For a height that is not above zero or above the ceiling.
    """
    if not height > 0:
        raise WxflyError(f"a flight height of {height:g} m is not above the ground; wanted more than 0 m")
    if height > limits.height_ceiling + 1e-6:
        raise WxflyError(
            f"a flight height of {height:g} m is above the ceiling of {limits.height_ceiling:g} m; "
            "give a lower --height"
        )
