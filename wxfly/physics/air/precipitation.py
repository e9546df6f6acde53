"""Precipitation: its kind, the words for its rate, and the least rate that a weather code tells of.

References
----------
[WMO-306] WMO-No. 306, Manual on Codes, code table 4677.
[Met-Office] Met Office classes of rain and showers, as printed in The Independent, 5 January 1998.
[AMS] American Meteorological Society, Glossary of Meteorology: rain.
[Sloughter-2007] Sloughter, J. M. et al. (2007): Probabilistic quantitative precipitation forecasting using Bayesian
    model averaging. Mon. Weather Rev. 135, 3209-3220 (from memory): errors of amounts are taken on roots of them.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Literal

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.weather_code import FALLING, FREEZING, MIXED, SHOWERS, SOLID, told_by_code
from wxfly.physics.arrays import floating

Array = npt.NDArray[np.float64]

_HAIL = (79, 87, 88, 89, 90, 96, 99)
_DRIZZLE = tuple(range(50, 60))

# Upper bounds of the classes [mm h-1]; what lies above the last is of the last name.
RateSystem = Literal["met_office_rain", "met_office_shower", "ams"]
RATE_CLASSES: dict[RateSystem, tuple[tuple[float, str], ...]] = {
    "met_office_rain": ((0.5, "slight"), (4.0, "moderate"), (np.inf, "heavy")),
    "met_office_shower": ((2.0, "slight"), (10.0, "moderate"), (50.0, "heavy"), (np.inf, "violent")),
    "ams": ((2.5, "light"), (7.6, "moderate"), (np.inf, "heavy")),
}
"""Class systems: what the Met Office calls moderate rain, the AMS calls light. Say which is meant."""

# The codes of a class, and its lower bound [mm h-1]. Where a code stands for two classes ("moderate or heavy") the
# lower one's. Rain, freezing rain and showers: [Met-Office], above. Snow has published classes by visibility only,
# so melted it is held to those of rain: common practice, no source. Heavy drizzle: 0.5 mm/h, WMO-No. 8, from memory.
# Hail is taken as no less than a moderate shower, a heavy thunderstorm as a heavy one: common practice, no source.
# Slight rain, snow and showers, and moderate drizzle, count as twice the least measured, so that they are never taken
# for a trace: common practice, no source.
_LEAST_RATES: tuple[tuple[tuple[int, ...], float], ...] = (
    ((*range(21, 28), 52, 53, 57, *range(58, 76), 79, *range(80, 100)), 0.2),
    ((54, 55), 0.5),
    ((62, 63, 67, 69, 72, 73, 92, 94), 0.5),
    ((64, 65, 74, 75), 4.0),
    ((81, 84, 86, 88, 90, 96), 2.0),
    ((97, 99), 10.0),
    ((82,), 50.0),
)
LARGEST_LEAST_RATE = 50.0
"""No code tells of more [mm h-1]."""


class PrecipitationKind(IntEnum):
    """What falls."""

    NOT_KNOWN = 0
    NONE = 1
    DRIZZLE = 2
    RAIN = 3
    SNOW = 4
    RAIN_AND_SNOW = 5
    FREEZING = 6
    HAIL = 7
    NOT_STATED = 8


def precipitation_kind(weather_code: npt.ArrayLike, precipitation_amount: npt.ArrayLike) -> npt.NDArray[np.int8]:
    """Return the kind of precipitation.

    Parameters
    ----------
    weather_code : array_like
        WMO code table 4677.
    precipitation_amount : array_like
        Of the hour [kg m-2]; broadcast.

    Returns
    -------
    ndarray of int
        `PrecipitationKind`: by the code [WMO-306]; ``NOT_STATED`` where an amount falls of which the code
        says nothing, or the code is missing; ``NOT_KNOWN`` where it is not known whether anything falls.
    """
    code, amount = np.broadcast_arrays(floating(weather_code), floating(precipitation_amount))
    kinds = [
        (np.isin(code, FREEZING), PrecipitationKind.FREEZING),
        (np.isin(code, _HAIL), PrecipitationKind.HAIL),
        (np.isin(code, MIXED), PrecipitationKind.RAIN_AND_SNOW),
        (np.isin(code, SOLID), PrecipitationKind.SNOW),
        (np.isin(code, _DRIZZLE), PrecipitationKind.DRIZZLE),
        (np.isin(code, FALLING), PrecipitationKind.RAIN),
        (amount > 0, PrecipitationKind.NOT_STATED),
        (np.isnan(code) | np.isnan(amount), PrecipitationKind.NOT_KNOWN),
    ]
    chosen = np.select([where for where, _ in kinds], [int(kind) for _, kind in kinds], PrecipitationKind.NONE)
    return np.asarray(chosen, dtype=np.int8)


LEAST_RATE = 0.1
"""The least rate that is told from none [mm h-1]; common practice, the least that most services resolve."""


def least_rate(weather_code: npt.ArrayLike) -> Array:
    """Return the least rate of precipitation that a weather code tells of: the lower bound of its class.

    Parameters
    ----------
    weather_code : array_like
        WMO code table 4677.

    Returns
    -------
    ndarray
        [mm h-1]: 0 where the code states no precipitation, or a trace, such as slight drizzle or snow grains; NaN
        where the code is missing. Classes of rain and showers by [Met-Office]; of the others see `docs/explanation`.
    """
    code = floating(weather_code)
    return np.asarray(told_by_code(code, _LEAST_RATES, 0.0) + 0.0 * code)  # NaN stays NaN


def standard_margin_of_rate(
    precipitation_rate: npt.ArrayLike,
    limit: npt.ArrayLike,
    deviation: npt.ArrayLike,
    growth: npt.ArrayLike,
) -> Array:
    """Return the standard margin of a forecast rate of precipitation: how far a limit is, in errors of the rate.

    Parameters
    ----------
    precipitation_rate : array_like
        Forecast [mm h-1], at least 0.
    limit : array_like
        [mm h-1]; less than `LEAST_RATE` counts as that.
    deviation : array_like
        Standard deviation of the error of the square root of the rate where nothing is forecast, above 0.
    growth : array_like
        By how much it grows for each unit of the root that is forecast [1], at least 0. All broadcast.

    Returns
    -------
    ndarray
        ``(sqrt(limit) - sqrt(rate)) / (deviation + growth sqrt(rate))`` [1]: 0 at the limit, and less for every rate
        that is larger. NaN in, NaN out. That errors are those of a root is after [Sloughter-2007], who takes the cube
        root; the form is an estimate of ours.
    """
    rate, most = floating(precipitation_rate), floating(limit)
    # Where even less than the least rate is over the limit, any rate at all counts as the least.
    root = np.sqrt(np.where((rate > 0) & (rate > most), np.maximum(rate, LEAST_RATE), rate))
    highest = np.sqrt(np.maximum(most, LEAST_RATE))
    return np.asarray((highest - root) / (floating(deviation) + floating(growth) * root))


def class_system(weather_code: float) -> RateSystem:
    """Return the class system whose words go with a code: of showers for showers and thunderstorms, else of rain."""
    return "met_office_shower" if weather_code in SHOWERS or weather_code >= 91 else "met_office_rain"


def rate_class(precipitation_rate: float, *, system: RateSystem = "met_office_rain") -> str:
    """Put a rate of rain into words.

    Parameters
    ----------
    precipitation_rate : float
        [mm h-1].
    system : RateSystem, optional
        Whose words.

    Returns
    -------
    str
        ``none``, ``slight`` or ``light``, ``moderate``, ``heavy``, ``violent``, or ``not known`` for NaN.

    Raises
    ------
    ValueError
        For another system.
    """
    if system not in RATE_CLASSES:
        raise ValueError(f"class system '{system}' is not known; wanted one of {', '.join(RATE_CLASSES)}")
    if np.isnan(precipitation_rate):
        return "not known"
    if precipitation_rate <= 0:
        return "none"
    # A rate on a bound: the AMS counts it to the lower class, the Met Office to the upper one.
    includes_bound = system == "ams"
    for bound, words in RATE_CLASSES[system]:
        if precipitation_rate < bound or (includes_bound and precipitation_rate == bound):
            return words
    return RATE_CLASSES[system][-1][1]
