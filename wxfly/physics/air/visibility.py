"""Sight: fog, and the distance at which the pilot can still see the aircraft.

References
----------
[EASA-sight] EASA, Guidelines for UAS operations in the open and specific category, issue 03 (17 July 2025):
    attitude line of sight (ALOS) and detection line of sight (DLOS). Guidance, not law.
[Murphy] Murphy, D., WPVI-TV Philadelphia: How long does it take for morning fog to lift? Usually one to three hours
    after sunrise, now and then until noon.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.risk import POSSIBLE_FROM
from wxfly.physics.arrays import floating
from wxfly.physics.probability import normal_probability

Array = npt.NDArray[np.float64]

DRY_SPREAD = 3.0
"""With a dew point more than this below the temperature there is no fog [K]. Common practice, no source."""
_FOG_OF_SPREAD = (0.0, 2.0, 2.3, DRY_SPREAD, 4.0), (1.0, 0.5, 0.25, 0.1, 0.0)
HUMIDITY_ERROR = 0.06
"""Standard deviation of a forecast relative humidity near saturation [1]: 5 to 10 %, common practice, no source."""
FOG_LASTS = 4.0
"""So long radiation fog may be left after an hour with it [h]: it lifts one to three hours after sunrise [Murphy]."""
_CALM_UNTIL, _WINDY_FROM = 3.0, 6.0
_LOW_SUN, _HIGH_SUN = 5.0, 25.0
_LINE_OF_SIGHT = {"multirotor": (327.0, 20.0), "fixed_wing": (490.0, 30.0)}
_SHARE_OF_VISIBILITY = 0.3
_LARGEST_GROUND_VISIBILITY = 5000.0


def attitude_sight_range(characteristic_dimension: npt.ArrayLike, kind: str = "multirotor") -> Array:
    """Return the distance to which the pilot can tell which way the aircraft points.

    Parameters
    ----------
    characteristic_dimension : array_like
        Largest dimension of the aircraft [m].
    kind : str, optional
        ``multirotor`` or ``fixed_wing``.

    Returns
    -------
    ndarray
        [m]: 327 x dimension + 20 for multirotors, 490 x dimension + 30 for fixed wings [EASA-sight].

    Raises
    ------
    ValueError
        For another kind.
    """
    if kind not in _LINE_OF_SIGHT:
        raise ValueError(f"kind '{kind}' is not known; wanted one of {', '.join(_LINE_OF_SIGHT)}")
    slope, offset = _LINE_OF_SIGHT[kind]
    return np.asarray(slope * floating(characteristic_dimension) + offset)


def detection_sight_range(visibility_in_air: npt.ArrayLike) -> Array:
    """Return the distance to which other aircraft can be detected in time [m].

    Parameters
    ----------
    visibility_in_air : array_like
        On the ground [m].

    Returns
    -------
    ndarray
        0.3 x visibility, of which no more than 5 km counts [EASA-sight]. For an average eye, a plain background and a
        clean aircraft: yours may be shorter.
    """
    visibility = floating(visibility_in_air)
    return np.asarray(_SHARE_OF_VISIBILITY * np.minimum(visibility, _LARGEST_GROUND_VISIBILITY))


def radiation_fog_chance(
    relative_humidity: npt.ArrayLike,
    wind_speed: npt.ArrayLike,
    sun_elevation: npt.ArrayLike,
) -> Array:
    """Return the chance of radiation fog, which forms in humid air in calm nights and lasts into the morning.

    Parameters
    ----------
    relative_humidity : array_like
        Over water, at 2 m [1].
    wind_speed : array_like
        At 10 m [m s-1].
    sun_elevation : array_like
        [degree]. All broadcast.

    Returns
    -------
    ndarray
        0 to 1: the chance that air of this forecast humidity is saturated, with a normal error of `HUMIDITY_ERROR`; all
        of it up to a wind of 3 m/s and a sun of 5 degrees, none of it from 6 m/s and from 25 degrees, linear between.
        Common practice, no source. A wind or a sun that is not known takes nothing off. NaN where the humidity is not
        known and the others leave 0.1 or more.

    Notes
    -----
    A calmer, moister or darker hour never has less of it. Cloud, which keeps the ground warm, takes nothing off, since
    it is forecast too poorly; nor does dry ground.
    """
    humidity, wind, sun = np.broadcast_arrays(*(floating(v) for v in (relative_humidity, wind_speed, sun_elevation)))
    calm = _calm(wind)
    low = np.clip((_HIGH_SUN - np.where(np.isnan(sun), -90.0, sun)) / (_HIGH_SUN - _LOW_SUN), 0.0, 1.0)
    left = np.asarray(calm * low)
    chance = np.zeros(left.shape, dtype=left.dtype)
    counts = left > 0
    saturated = normal_probability((humidity[counts] - 1.0) / HUMIDITY_ERROR)
    chance[counts] = left[counts] * saturated
    is_unknown = np.isnan(humidity)
    if not is_unknown.any():
        return chance
    # At most half of the air that is forecast to be saturated is: without a humidity that is what is left.
    without = 0.5 * left
    return np.asarray(np.where(is_unknown, np.where(without < POSSIBLE_FROM, without, np.nan), chance))


def lasting_fog_chance(earlier_chance: npt.ArrayLike, hours: npt.ArrayLike, wind_speed: npt.ArrayLike) -> Array:
    """Return the chance that radiation fog of an earlier hour is still there, whatever the humidity is forecast to be.

    Parameters
    ----------
    earlier_chance : array_like
        Chance of fog so many hours before [1].
    hours : array_like
        How many, at least 0 [h].
    wind_speed : array_like
        At 10 m, now [m s-1]. All broadcast.

    Returns
    -------
    ndarray
        0 to 1: of the earlier chance a quarter less with every hour, nothing after `FOG_LASTS`; the wind takes as much
        off as in `radiation_fog_chance`, and one that is not known takes nothing. The form is an estimate of ours.

    Notes
    -----
    A model that has no fog lets the sun warm the air from its first minute, and its humidity falls; under fog it does
    not.

    Examples
    --------
    >>> lasting_fog_chance(0.4, [1, 2, 3, 4], 1.0).tolist()
    [0.30000000000000004, 0.2, 0.1, 0.0]
    """
    chance = floating(earlier_chance)
    left = np.clip(1.0 - np.asarray(hours, dtype=chance.dtype) / FOG_LASTS, 0.0, 1.0)
    return np.asarray(chance * left * _calm(floating(wind_speed)))


def _calm(wind: Array) -> Array:
    """Return how much of radiation fog the wind leaves; one that is not known leaves all of it."""
    return np.clip((_WINDY_FROM - np.where(np.isnan(wind), 0.0, wind)) / (_WINDY_FROM - _CALM_UNTIL), 0.0, 1.0)


def unseen_fog_chance(air_temperature: npt.ArrayLike, dew_point_temperature: npt.ArrayLike) -> Array:
    """Return the chance of fog in air of whose visibility nothing is known.

    Parameters
    ----------
    air_temperature, dew_point_temperature : array_like
        At 2 m [K]; broadcast.

    Returns
    -------
    ndarray
        1 in saturated air, 0.5 with a dew point 2 K below the temperature, 0.25 with 2.3 K, 0.1 with 3 K, 0 from 4 K;
        linear between; NaN in, NaN out. Common practice, no source.
    """
    spread = floating(air_temperature) - floating(dew_point_temperature)
    return np.asarray(np.interp(spread, *_FOG_OF_SPREAD))
