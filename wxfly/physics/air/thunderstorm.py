"""Thunderstorm: present weather, and showers in unstable air.

References
----------
[NWS-BMX] US National Weather Service, Birmingham: severe weather parameters (CAPE, lifted index and convective
    inhibition). No one of them by itself means a storm: air that is unstable is *possible*, never *likely*.
[Lightning] University of Nebraska-Lincoln, lightning safety: 30 s from flash to thunder is about 6 miles;
    wait 30 min after the last thunder.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.risk import grade, statement
from wxfly.physics.air.weather_code import (
    DISTANT_LIGHTNING,
    SHOWERS,
    STEADY_PRECIPITATION,
    THUNDERSTORM,
    code_in,
)

Array = npt.NDArray[np.float64]

STOP_DISTANCE = 10_000.0
"""Land when lightning is nearer than this [m]: thunder 30 s after the flash, 6 miles [Lightning]."""
WAITING_TIME = 1800.0
"""After the last thunder [s] [Lightning]."""

UNSTABLE = 300.0
"""CAPE from which showers may turn into thunderstorms [J kg-1]."""
MODERATELY_UNSTABLE = 1000.0
"""CAPE that [NWS-BMX] calls moderately unstable from here [J kg-1]."""
STABLE = 100.0
"""Below this CAPE, and without precipitation, there is no thunder [J kg-1]. Common practice, no source."""
LIFTED_INDEX = -3.0
"""From here down [NWS-BMX] gives a moderate chance of thunderstorms [K]."""
STRONG_INHIBITION = 150.0
"""Convective inhibition from which [NWS-BMX] gives a low chance of thunderstorms [J kg-1]."""
LARGEST_INHIBITION = 800.0
"""More than this is a model's mark for air that has none, and counts as not known [J kg-1]."""
LIKELY_RAIN = 0.3
"""Probability of precipitation from which it counts as what may lift the air [1]. Common practice, no source."""
LEAST_DEW_POINT = 278.15
"""Drier air near the ground than this has no CAPE of 1000 J/kg [K]. Common practice, no source."""


def thunderstorm_risk(
    weather_code: npt.ArrayLike,
    precipitation_amount: npt.ArrayLike,
    cape: npt.ArrayLike,
    lifted_index: npt.ArrayLike,
    *,
    convective_inhibition: npt.ArrayLike = np.nan,
    precipitation_probability: npt.ArrayLike = np.nan,
    dew_point_temperature: npt.ArrayLike = np.nan,
) -> Array:
    """Return the risk of a thunderstorm.

    Parameters
    ----------
    weather_code : array_like
        WMO code table 4677.
    precipitation_amount : array_like
        Of the hour [kg m-2].
    cape : array_like
        Convective available potential energy [J kg-1].
    lifted_index : array_like
        [K].
    convective_inhibition : array_like, optional
        [J kg-1]; some models give it as a negative number, so its size counts.
    precipitation_probability : array_like, optional
        Of the hour [1].
    dew_point_temperature : array_like, optional
        At 2 m [K]. All broadcast.

    Returns
    -------
    ndarray
        0 none, 1 possible, 2 likely, NaN not known.

    Notes
    -----
    Likely: a code of thunderstorm, now or in the hour before; or showers with a CAPE of 1000 J/kg and a
    lifted index of -3 K or lower. Possible: lightning in sight, showers with a CAPE of 300 J/kg, any
    precipitation with 1000 J/kg. Precipitation that the code does not call steady counts as showers. Without
    any precipitation a CAPE of 1000 J/kg is possible with a lifted index of -3 K or lower, unless an inhibition of
    150 J/kg or more is known, and with a probability of precipitation of 0.3 or more. Without CAPE the risk is not
    known, unless something else speaks for it or excludes it: a high lifted index together with a low probability of
    precipitation, or a dew point below 5 degC.

    Monotone under deletion for inputs that are *physically coherent*: thunder or lightning goes with
    precipitation in the hour or with a CAPE of 100 J/kg or more, and a CAPE of 1000 J/kg with a dew point of 5 degC or
    more.
    """
    code, rain, energy, lifted, inhibition, probability, dew_point = (
        np.asarray(v, dtype=float)
        for v in (
            weather_code,
            precipitation_amount,
            cape,
            lifted_index,
            np.abs(convective_inhibition),
            precipitation_probability,
            dew_point_temperature,
        )
    )
    inhibition = np.where(inhibition > LARGEST_INHIBITION, np.nan, inhibition)
    falls = statement(rain > 0, rain)
    quiet = ~falls & statement(energy < STABLE, energy)
    thunder = code_in(code, THUNDERSTORM).unless_known(quiet)
    lightning = code_in(code, DISTANT_LIGHTNING).unless_known(quiet)
    steady = code_in(code, STEADY_PRECIPITATION)
    showers = code_in(code, SHOWERS) | (falls & ~steady)
    wet = falls | showers | steady
    unstable = statement(energy >= UNSTABLE, energy)
    too_dry = statement(dew_point < LEAST_DEW_POINT, dew_point)
    moderately = statement(energy >= MODERATELY_UNSTABLE, energy).unless_known(too_dry)
    lifts = statement(lifted <= LIFTED_INDEX, lifted)
    free = lifts & ~statement(inhibition >= STRONG_INHIBITION, inhibition)
    by_itself = moderately & (free | statement(probability >= LIKELY_RAIN, probability))
    likely = thunder | (showers & moderately & lifts)
    possible = lightning | (showers & unstable) | (wet & moderately) | by_itself
    # That air may be unstable of which nothing is known would make every hour of a poor source narrow: it is told as
    # not known instead.
    nothing_known = np.isnan(energy) & by_itself.possible & ~possible.certain & ~likely.certain
    return np.asarray(np.where(nothing_known, np.nan, grade(possible, likely)))


def cape_class(cape: float) -> str:
    """Put a CAPE [J kg-1] into the words of [NWS-BMX]; ``"not known"`` for NaN."""
    if np.isnan(cape):
        return "not known"
    if cape <= 0:
        return "stable"
    bounds = ((1000, "marginally unstable"), (2500, "moderately unstable"), (3500, "very unstable"))
    for limit, words in bounds:
        if cape <= limit:
            return words
    return "extremely unstable"


def lifted_index_class(lifted_index: float) -> str:
    """Put a lifted index [K] into the chance of thunderstorms in the words of [NWS-BMX]."""
    if np.isnan(lifted_index):
        return "not known"
    if lifted_index > 0:
        return "none"
    if lifted_index > -3:
        return "low"
    return "moderate" if lifted_index > -6 else "high"
