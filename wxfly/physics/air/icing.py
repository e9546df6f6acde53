"""Icing in flight: freezing precipitation, and supercooled cloud or fog, from the ground up to flight height.

Humid air below freezing without cloud makes frost on the ground, not icing in flight; `frost_risk` is for an aircraft
parked outside.

References
----------
[AIM] FAA Aeronautical Information Manual 7-1-19 ff.: icing types and intensities.
[ADDS] US Aviation Weather Center, current and forecast icing products: severity by the time to a quarter
    inch.
[UPP] NOAA Unified Post Processor, CALICING: icing where 251 <= T <= 273 K, RH >= 70 % and rising air, for
    grid boxes aloft.
[Layered] Layered icing index ``100 (-t) (t + 14) / 49`` for -14 < t < 0 degC, as documented in public
    descriptions of operational icing charts.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics import MELTING_POINT
from wxfly.physics.air import atmosphere
from wxfly.physics.air.risk import Statement, grade, statement
from wxfly.physics.air.weather_code import (
    FOG,
    FREEZING,
    LIQUID,
    RECENT_FREEZING,
    RECENT_LIQUID,
    SOLID,
    code_in,
    is_code_of,
)
from wxfly.physics.arrays import floating, worked_out_where

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

COLDEST_LIKELY = MELTING_POINT - 20.0
"""In colder air cloud droplets are mostly frozen; icing is then possible down to `COLDEST_POSSIBLE`, [AIM]."""
COLDEST_POSSIBLE = MELTING_POINT - 40.0
NEARLY_FREEZING = MELTING_POINT + 2.0
"""Up to this temperature a forecast's error may hide freezing: caution. Common practice, no source."""
NO_FREEZING_RAIN_ABOVE = MELTING_POINT + 5.0
"""Freezing precipitation does not occur in warmer air, whatever the error of a forecast. Common practice, no source."""
CHANCE_OF_GRADE = (0.0, 0.4, 1.0)
"""Chance of icing that signs of it tell as none, possible or likely [1]; estimates of ours."""
CLOUD_HUMIDITY = 0.95
"""Humidity from which air near the ground counts as cloud. Common practice below 150 m, where the 70 % of [UPP] for
grid boxes aloft would be reached during half of the winter."""
DAMP_HUMIDITY = 0.85
"""In drier air there is neither fog nor cloud in the lowest 150 m. Common practice, no source."""
DAMP_HEIGHT = 150.0
DRIZZLE_HUMIDITY = 0.80
"""Precipitation too weak to measure does not reach the ground through drier air. Common practice, no source."""
PRESSURE_OF_HIGH_GROUND = 70_000.0
"""Pressure at about 3000 m [Pa]."""
FOG_VISIBILITY = 1000.0
"""Visibility below which there is fog [m], by the WMO's definition."""
CLEAR_VISIBILITY = 5000.0
"""Visibility above which there is not even mist [m], by the usual aviation meaning of mist."""


def icing_risk(
    air_temperature: npt.ArrayLike,
    air_temperature_near_ground: npt.ArrayLike,
    relative_humidity: npt.ArrayLike,
    precipitation_amount: npt.ArrayLike,
    weather_code: npt.ArrayLike,
    visibility_in_air: npt.ArrayLike,
    cloud_base_height: npt.ArrayLike,
    height: npt.ArrayLike,
    *,
    air_temperature_between: Sequence[npt.ArrayLike] = (),
) -> Array:
    """Return the risk of icing in flight between the ground and flight height.

    Parameters
    ----------
    air_temperature : array_like
        At flight height [K].
    air_temperature_near_ground : array_like
        At 2 m [K].
    relative_humidity : array_like
        Over water, at 2 m [1].
    precipitation_amount : array_like
        Sum of the hour [kg m-2].
    weather_code : array_like
        WMO code table 4677.
    visibility_in_air : array_like
        [m].
    cloud_base_height : array_like
        Above ground [m].
    height : array_like
        Flight height above ground [m]. All broadcast.
    air_temperature_between : sequence of array_like, optional
        At heights between, at every level or at the coldest and the warmest of them [K].

    Returns
    -------
    ndarray
        0 none, 1 possible, 2 likely, NaN unknown.

    Notes
    -----
    The aircraft climbs and comes down through all air from 2 m up to flight height, and the worst of it counts: cold
    air under an inversion, and a cold layer below the flight.

    *Precipitation icing* is likely with a code of freezing drizzle or rain. It is also likely with drizzle or rain
    while the coldest of that air, or its wet bulb, is at or below 0 degC. Precipitation without a code of snow counts
    as rain. Icing is possible with rain up to +2 degC, with snow between -2 and +2 degC,
    which is wet, and with a code of rain up to +2 degC or of freezing rain in the hour before.

    *Cloud or fog icing* is likely with cloud or fog where some of that air is between -20 and 0 degC; air below a cloud
    counts too, for a wet aircraft comes down through it. Signs of cloud or fog are a cloud
    base at or below flight height, visibility below 1 km, a code of fog, or humidity of 95 % unless good visibility
    and a high cloud base contradict it. Icing is possible in cloud or fog from -40 to -20 degC and up to +2 degC, and
    at 85 to 95 % humidity between -14 and +2 degC.

    The result is monotone under deletion for inputs that are *physically coherent*. Freezing precipitation
    occurs with some air of at most +5 degC. Precipitation without a measurable
    amount occurs with at least 80 % humidity. Fog, or cloud in the lowest 150 m, occurs with at least 85 % humidity.

    The method is weak for cloud thinner than the forecast's layers, for cold layers between the levels of temperature,
    and for freezing drizzle from stratus that the forecast does not resolve.
    """
    t, ground, rh, rain, code, sight, base, z = (
        floating(v)
        for v in (
            air_temperature, air_temperature_near_ground, relative_humidity, precipitation_amount,
            weather_code, visibility_in_air, cloud_base_height, height,
        )
    )  # fmt: skip
    through = [t, ground, *map(floating, air_temperature_between)]
    coldest, warmest = reduce(np.fmin, through), reduce(np.fmax, through)
    is_lost = reduce(np.logical_or, map(np.isnan, through))
    # In air above +5 degC all the way there is none, unless a code tells of precipitation that freezes.
    is_warm = (coldest > NO_FREEZING_RAIN_ABOVE) & ~is_lost
    counts = ~is_warm | is_code_of(code, (*FREEZING, *RECENT_FREEZING))
    return worked_out_where(counts, _icing_risk, coldest, warmest, is_lost, rh, rain, code, sight, base, z)


def _icing_risk(
    coldest: Array, warmest: Array, is_lost: Flags, rh: Array, rain: Array, code: Array, sight: Array, base: Array,
    z: Array,
) -> Array:  # fmt: skip
    """Return the risk from the coldest and the warmest air that is known, and whether some is lost."""
    air = _Air(coldest, warmest, is_lost)
    possible_a, likely_a = _precipitation_icing(air, rh, rain, code)
    possible_b, likely_b = _cloud_icing(air, rh, code, sight, base, z)
    return grade(possible_a | possible_b, likely_a | likely_b)


def freezing_precipitation_chance(
    air_temperature: npt.ArrayLike,
    air_temperature_near_ground: npt.ArrayLike,
    weather_code: npt.ArrayLike,
    precipitation_probability: npt.ArrayLike,
) -> Array:
    """Return the chance of precipitation that freezes on the aircraft, whether or not an amount is forecast.

    Parameters
    ----------
    air_temperature, air_temperature_near_ground : array_like
        At flight height, or the lowest on the climb to it, and at 2 m [K].
    weather_code : array_like
        WMO code table 4677.
    precipitation_probability : array_like
        Of the hour [1]. All broadcast.

    Returns
    -------
    ndarray
        0 to 1: the probability of precipitation where either air is at or below 0 degC, falling to 0 at +2 degC; 0
        with a code of snow, of which `icing_risk` tells. A missing temperature counts as freezing; NaN without the
        probability where it matters.

    Notes
    -----
    Precipitation that the code does not call snow counts as rain, as in `icing_risk`, and drizzle from cold stratus is
    too weak for the amount of a forecast. Common practice, no source; the fall to +2 degC is an estimate of ours.

    Examples
    --------
    >>> float(freezing_precipitation_chance(269.75, 270.15, 3, 0.4))
    0.4
    """
    t, ground, code, probability = np.broadcast_arrays(
        *(floating(v) for v in (air_temperature, air_temperature_near_ground, weather_code, precipitation_probability))
    )
    coldest = np.minimum(t, ground)  # NaN where either is missing
    share = np.clip((NEARLY_FREEZING - coldest) / (NEARLY_FREEZING - MELTING_POINT), 0.0, 1.0)
    share = np.where(code_in(code, SOLID).certain, 0.0, np.where(np.isnan(coldest), 1.0, share))
    return np.asarray(np.where(share > 0, share * probability, 0.0))


def icing_chance(risk: npt.ArrayLike, freezing_precipitation: npt.ArrayLike) -> Array:
    """Return the chance of icing in flight: the larger of what its signs and what precipitation that freezes tell.

    Parameters
    ----------
    risk : array_like
        As `icing_risk` gives it.
    freezing_precipitation : array_like
        As `freezing_precipitation_chance` gives it [1].

    Returns
    -------
    ndarray
        0 to 1 by `CHANCE_OF_GRADE`; 1 where the signs make it likely; NaN where either is not known otherwise.
    """
    risk = floating(risk)
    none, possible, likely = CHANCE_OF_GRADE
    signs = np.full(risk.shape, none)
    some = risk != 0
    here = risk[some]
    signs[some] = np.where(here == 1, possible, np.where(here == 2, likely, np.nan))
    return np.asarray(np.where(signs >= 1.0, signs, np.maximum(signs, freezing_precipitation)))


class _Air(NamedTuple):
    """The air from 2 m up to flight height: its coldest and warmest that are known [K], and whether some is lost."""

    coldest: Array
    warmest: Array
    is_lost: Flags

    def is_between(self, lowest: float, highest: float) -> Statement:
        """Some of it has a temperature between two [K]: it changes with height without a step."""
        here = (self.coldest <= highest) & (self.warmest >= lowest)
        return Statement(here | self.is_lost, here)

    def is_at_most(self, limit: float) -> Statement:
        """Some of it is no warmer than a limit [K]."""
        return self.is_between(-np.inf, limit)


def _precipitation_icing(air: _Air, rh: Array, rain: Array, code: Array) -> tuple[Statement, Statement]:
    warm = ~air.is_at_most(NO_FREEZING_RAIN_ABOVE)
    dry = statement(rain <= 0, rain) & statement(rh < DRIZZLE_HUMIDITY, rh)
    freezing = code_in(code, FREEZING).unless_known(warm | dry)
    falls = statement(rain > 0, rain)
    liquid = code_in(code, LIQUID).unless_known(dry) | (falls & ~code_in(code, SOLID))
    snow = code_in(code, SOLID).unless_known(dry)

    # In thinner air the wet bulb is colder, by up to 1 K in dry air near freezing, so all places get the pressure of
    # high ground.
    is_freezing = atmosphere.is_wet_bulb_at_most(MELTING_POINT, air.coldest, rh, PRESSURE_OF_HIGH_GROUND)
    wet_bulb_freezes = statement(is_freezing, np.where(air.is_lost, np.nan, rh))
    # Air above +5 degC all the way has a wet bulb below freezing only if it is very dry.
    freezes = air.is_at_most(MELTING_POINT) | (wet_bulb_freezes & air.is_at_most(NO_FREEZING_RAIN_ABOVE))
    likely = freezing | (liquid & freezes)
    wet_snow = snow & air.is_at_most(NEARLY_FREEZING) & air.is_between(MELTING_POINT - 2.0, np.inf)
    before = code_in(code, RECENT_FREEZING).unless_known(warm | dry)
    before = before | (code_in(code, RECENT_LIQUID).unless_known(dry) & air.is_at_most(NEARLY_FREEZING))
    return (liquid & air.is_at_most(NEARLY_FREEZING)) | wet_snow | before, likely


def _cloud_icing(air: _Air, rh: Array, code: Array, sight: Array, base: Array, z: Array) -> tuple[Statement, Statement]:
    dry = statement((rh < DAMP_HUMIDITY) & (z <= DAMP_HEIGHT), rh, z)
    in_cloud = statement(base <= z, base, z).unless_known(dry)
    in_fog = statement(sight < FOG_VISIBILITY, sight).unless_known(dry) | code_in(code, FOG).unless_known(dry)
    clear = statement(sight >= CLEAR_VISIBILITY, sight) & statement(base > z, base, z) & ~code_in(code, FOG)
    saturated = statement(rh >= CLOUD_HUMIDITY, rh)
    damp = statement(rh >= DAMP_HUMIDITY, rh)

    inside = in_cloud | in_fog | (saturated & ~clear)
    likely = air.is_between(COLDEST_LIKELY, MELTING_POINT) & inside
    near = air.is_between(COLDEST_POSSIBLE, NEARLY_FREEZING) & inside
    damp_and_cold = damp & air.is_between(MELTING_POINT - 14.0, NEARLY_FREEZING)
    return near | damp_and_cold, likely


def frost_risk(air_temperature_near_ground: npt.ArrayLike, dew_point_temperature: npt.ArrayLike) -> Array:
    """Return whether frost may form on a parked aircraft.

    Parameters
    ----------
    air_temperature_near_ground, dew_point_temperature : array_like
        At 2 m [K]; broadcast.

    Returns
    -------
    ndarray
        1 where surfaces 3 K colder than the air are at or below freezing and the frost point; else 0; NaN unknown.
        Under a clear night sky surfaces get that much colder (common practice, no source). Advice, not part of
        `icing_risk`.
    """
    surface = floating(air_temperature_near_ground) - 3.0
    frost_point = atmosphere.frost_point_from_vapour_pressure(
        atmosphere.saturation_vapour_pressure(dew_point_temperature)
    )
    freezes = (surface <= MELTING_POINT) & (surface <= frost_point)
    return np.asarray(np.where(np.isnan(surface) | np.isnan(frost_point), np.nan, freezes.astype(float)))
