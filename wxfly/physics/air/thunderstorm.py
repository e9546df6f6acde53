"""Thunderstorm: present weather, and air in which showers turn into storms.

References
----------
[NWS-BMX] US National Weather Service, Birmingham: severe weather parameters (CAPE, lifted index and convective
    inhibition). No one of them by itself means a storm: air that is unstable is *possible*, never *likely*.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics import MELTING_POINT
from wxfly.physics.air.risk import Flags, Statement, grade_of_chance, statement
from wxfly.physics.air.weather_code import (
    DISTANT_LIGHTNING,
    RECENT_SHOWERS,
    SHOWERS,
    STEADY_PRECIPITATION,
    THUNDERSTORM,
    code_in,
    is_code_of,
)
from wxfly.physics.arrays import floating, worked_out_where

Array = npt.NDArray[np.float64]

STABLE = 100.0
"""Below this CAPE, and without precipitation, there is no thunder [J kg-1]. Common practice, no source."""
LARGEST_INHIBITION = 800.0
"""More than this is a model's mark for air that has none, and counts as not known [J kg-1]."""
LIKELY_RAIN = 0.3
"""Probability of precipitation from which it counts in full as what may lift the air [1]. Common practice, no
source."""
LIGHTNING_IN_SIGHT = 0.15
"""Chance of a storm with lightning in sight [1]; an estimate of ours."""

# What is told by shares, linear between the points. The points of CAPE [J kg-1], lifted index [K] and inhibition
# [J kg-1] are the bounds of the classes of [NWS-BMX], 100 and 300 J/kg of CAPE common practice without a source; the
# shares are estimates of ours.
_ENERGY = (STABLE, 1000.0, 2500.0, 3500.0), (0.0, 1 / 3, 2 / 3, 1.0)
_LIFT = (-3.0, 0.0, 3.0), (1.0, 0.3, 0.0)
# No class is told above 200 J/kg. Towards a size that no air has, it is ever more a mark for none.
_FREEDOM = (15.0, 150.0, 200.0, 500.0, LARGEST_INHIBITION), (1.0, 0.6, 0.4, 0.4, 1.0)
_RAINS = (0.0, LIKELY_RAIN), (0.0, 1.0)
_WITHOUT_SHOWERS = 0.3
"""Largest chance of a storm in unstable air without showers [1]; an estimate of ours."""
_SHOWERS_NOT_LIFTED = (0.0, 300.0, 1000.0, 3500.0), (0.0, 0.1, 0.15, 0.3)
_SHOWERS_LIFTED = (0.0, 300.0, 1000.0, 2500.0, 3500.0), (0.0, 0.1, 0.55, 0.75, 0.9)
_MOST_ENERGY = (MELTING_POINT, MELTING_POINT + 5.0), (300.0, 1000.0)
"""Dew point near the ground [K], and the CAPE that air so dry does not exceed. Common practice, no source."""
_ANY_ENERGY = 1e4


def thunderstorm_chance(
    weather_code: npt.ArrayLike,
    precipitation_amount: npt.ArrayLike,
    cape: npt.ArrayLike,
    lifted_index: npt.ArrayLike,
    *,
    convective_inhibition: npt.ArrayLike = np.nan,
    precipitation_probability: npt.ArrayLike = np.nan,
    dew_point_temperature: npt.ArrayLike = np.nan,
) -> Array:
    """Return the chance of a thunderstorm.

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
        0 to 1, without a step in CAPE, lifted index, inhibition and probability; NaN where it is not known.

    Notes
    -----
    1 with a code of thunderstorm, now or in the hour before; 0.15 with lightning in sight. With showers, now or in the
    hour before, 0.1 from a CAPE of 300 J/kg, 0.55 at 1000 J/kg and a lifted index of -3 K. With other precipitation 0.1
    at 1000 J/kg, rising to 0.3
    at 3500 J/kg; without any the same, times the larger of what lifts the air (lifted index, less what inhibition holds
    back) and the share that the probability of precipitation is of 0.3. Precipitation that the code does not call
    steady counts as showers. A missing value counts as the worst it may be. Without CAPE the chance is not known unless
    something else speaks for a storm or excludes it: a high lifted index together with a low probability of
    precipitation, or dry air, which has little CAPE.

    Monotone under deletion for inputs that are *physically coherent*: thunder or lightning goes with precipitation in
    the hour or with a CAPE of 100 J/kg or more, and dry air has no more CAPE than its dew point allows.
    """
    code, rain, energy, lifted, inhibition, probability, dew_point = np.broadcast_arrays(
        *(
            floating(v)
            for v in (
                weather_code, precipitation_amount, cape, lifted_index, np.abs(convective_inhibition),
                precipitation_probability, dew_point_temperature,
            )
        )
    )  # fmt: skip
    # In stable air, dry by amount and code, there is none.
    signs = (*THUNDERSTORM, *DISTANT_LIGHTNING, *SHOWERS, *RECENT_SHOWERS)
    counts = ~((energy < STABLE) & (rain <= 0)) | np.isnan(code) | is_code_of(code, signs)
    return worked_out_where(counts, _storm_chance, code, rain, energy, lifted, inhibition, probability, dew_point)


def _storm_chance(
    code: Array, rain: Array, energy: Array, lifted: Array, inhibition: Array, probability: Array, dew_point: Array
) -> Array:
    no_energy = np.isnan(energy)
    most = energy
    if no_energy.any():
        of_air = np.where(dew_point < _MOST_ENERGY[0][-1], np.interp(dew_point, *_MOST_ENERGY), _ANY_ENERGY)
        most = np.where(no_energy, of_air, energy)
    # Of the worst and the least: they differ only by what is missing.
    lift, rains = np.interp(lifted, *_LIFT), np.interp(probability, *_RAINS)  # NaN stays NaN
    freedom = _filled(np.interp(inhibition, *_FREEDOM), 1.0)
    signs = _signs(code, rain, energy)
    worst = _chance(most, _filled(lift, 1.0), _filled(rains, 1.0), freedom, *(s.possible for s in signs))
    is_whole = not any(np.isnan(v).any() for v in (energy, lifted, probability))
    if is_whole and all(s.possible is s.certain or (s.possible == s.certain).all() for s in signs):
        return worst
    none = np.where(no_energy, 0.0, energy)
    least = _chance(none, _filled(lift, 0.0), _filled(rains, 0.0), freedom, *(s.certain for s in signs))
    most_grade, least_grade = grade_of_chance(worst), grade_of_chance(least)
    # That air may be unstable of which nothing is known would make every hour of a poor source narrow: it is told as
    # not known instead.
    nothing_known = np.zeros(code.shape, dtype=bool)
    if no_energy.any():
        no_signs = [nothing_known] * 4
        without_signs = _chance(most, _filled(lift, 1.0), _filled(rains, 1.0), freedom, *no_signs)
        nothing_known = no_energy & (grade_of_chance(without_signs) > 0) & (least_grade == 0)
    return np.asarray(np.where(nothing_known | (most_grade - least_grade > 1), np.nan, worst))


def _signs(code: Array, rain: Array, energy: Array) -> tuple[Statement, Statement, Statement, Statement]:
    """Return whether it is wet, with showers, with lightning in sight, and with thunder, each possible and certain."""
    falls = statement(rain > 0, rain)
    quiet = ~falls & statement(energy < STABLE, energy)
    thunder = code_in(code, THUNDERSTORM).unless_known(quiet)
    lightning = code_in(code, DISTANT_LIGHTNING).unless_known(quiet)
    steady = code_in(code, STEADY_PRECIPITATION)
    showers = code_in(code, (*SHOWERS, *RECENT_SHOWERS)) | (falls & ~steady)
    return falls | showers | steady, showers, lightning, thunder


def _filled(values: Array, missing: float) -> Array:
    return np.where(np.isnan(values), missing, values)


def _chance(energy: Array, lift: Array, rains: Array, freedom: Array, *signs: Flags) -> Array:
    """Return the chance of a storm from CAPE [J kg-1], shares of what lifts the air, and signs of one."""
    wet, showers, lightning, thunder = signs
    lifted = np.where(wet, 1.0, np.maximum(lift * freedom, rains))
    chance = np.array(_WITHOUT_SHOWERS * np.interp(energy, *_ENERGY) * lifted)
    if showers.any():
        energy, lift = energy[showers], lift[showers]
        alone, lifts = (np.interp(energy, *points) for points in (_SHOWERS_NOT_LIFTED, _SHOWERS_LIFTED))
        chance[showers] = np.maximum(chance[showers], alone + lift * (lifts - alone))
    chance = np.where(lightning, np.maximum(chance, LIGHTNING_IN_SIGHT), chance)
    return np.where(thunder, 1.0, chance)
