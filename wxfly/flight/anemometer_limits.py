"""The field check: the limits of the aircraft carried down to an anemometer in the hand.

Two minutes at hand height say something about the wind at flight height, less the higher that is. How much is
measured: see `wxfly.physics.wind.error`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.errors import WxflyError
from wxfly.physics.wind import error
from wxfly.physics.wind.turbulence import gust_factor
from wxfly.pilot.limits import Limits

Array = npt.NDArray[np.float64]

HAND_HEIGHT = 2.0
"""Of an anemometer held up [m]."""
READING_PERIOD = 120.0
"""Of the reading [s]."""
CONFIDENCE = 0.9
ON_TOWER = (0.315, 0.0)
"""Constants of the way up from the hand, as `wxfly.physics.wind.error` takes them: those of the tower on which the rule
is shown, by day; for the night see `NIGHT_FACTOR`."""
NIGHT_FACTOR = 1.5
"""How much more a reading carried up is held to err by night. Without it the limits held in 88 to 100 of 100 hours of
night, by height, limit and year of a tower, where 90 are told; with it in 96 and more (evidence page on wind)."""
_STILL = 0.5
_LOWEST_HAND, _HIGHEST_HAND = 1.0, 10.0


@dataclass(frozen=True)
class HandRule:
    """What the anemometer may show, read for two minutes; SI.

    Attributes
    ----------
    hand_height : float
        [m]
    mean_holds, gust_holds : float
        Up to here the limits hold at every height flown, with `confidence` [m s-1]; 0 where no reading says so; NaN
        where the forecast does not give the way down.
    mean_stop, gust_stop : float
        From here the limits are more likely passed than kept [m s-1].
    mean_expected, gust_expected : tuple of float
        What the forecast lets one expect, lowest and highest of the hours [m s-1].
    ratio : float
        Largest wind aloft over wind at the hand [1].
    confidence : float
        Of the first pair.
    """

    hand_height: float
    mean_holds: float
    gust_holds: float
    mean_stop: float
    gust_stop: float
    mean_expected: tuple[float, float]
    gust_expected: tuple[float, float]
    ratio: float
    confidence: float


def check_hand_height(hand_height: float) -> None:
    """Refuse a hand height at which nobody holds an anemometer."""
    if not _LOWEST_HAND <= hand_height <= _HIGHEST_HAND:
        raise WxflyError(f"a hand height of {hand_height:g} m is out of reach; wanted 1 to 10 m")


def gust_of_period(mean: npt.ArrayLike, gust_of_hour: npt.ArrayLike) -> Array:
    """Return the strongest gust to expect in two minutes, from that of an hour with the same mean [m s-1]."""
    shorter = np.asarray(gust_of_hour, dtype=float) * _two_minutes()
    return np.asarray(np.maximum(shorter, np.asarray(mean, dtype=float)))


def gust_of_hour(gust_of_period: npt.ArrayLike) -> Array:
    """Return the strongest gust to expect in an hour, from that of two minutes [m s-1]."""
    return np.asarray(np.asarray(gust_of_period, dtype=float) / _two_minutes())


def _two_minutes() -> float:
    strong = 1.0  # a turbulence at which neither factor is at its bound; their ratio does not depend on it
    return float(gust_factor(strong, reference_period=READING_PERIOD) / gust_factor(strong))


def carry_up(reading: npt.ArrayLike, ratio: npt.ArrayLike) -> Array:
    """Return the wind at flight height from a reading at the hand [m s-1] and the ratio of the two [1]."""
    return np.asarray(np.asarray(reading, dtype=float) * np.asarray(ratio, dtype=float))


def carry_down(wind: npt.ArrayLike, ratio: npt.ArrayLike) -> Array:
    """Return the reading at the hand from the wind at flight height; the inverse of `carry_up`."""
    return np.asarray(np.asarray(wind, dtype=float) / np.asarray(ratio, dtype=float))


def ratio_to_hand(
    wind_at_hand: npt.ArrayLike,
    wind_at_height: npt.ArrayLike,
    hand_height: float,
    height: float,
    roughness_length: float,
) -> Array:
    """Return the wind at flight height over that at the hand.

    Parameters
    ----------
    wind_at_hand, wind_at_height : array_like
        Of the forecast, at the same time [m s-1].
    hand_height, height : float
        Above ground [m].
    roughness_length : float
        Of the ground around [m].

    Returns
    -------
    ndarray
        [1]; not below that of the neutral log law: by the time the wind is at a limit, it has mixed the air.
    """
    low, high = np.asarray(wind_at_hand, dtype=float), np.asarray(wind_at_height, dtype=float)
    z0 = min(roughness_length, hand_height / 3.0)
    neutral = np.log(height / z0) / np.log(hand_height / z0)
    return np.asarray(np.maximum(high / np.maximum(low, _STILL), neutral))


def carrying_deviation(
    reading: npt.ArrayLike, hand_height: float, height: float, *, is_night: npt.ArrayLike = False
) -> Array:
    """Return the standard deviation of a reading carried up [m s-1]; see `wxfly.physics.wind.error`."""
    speed = np.asarray(reading, dtype=float)
    unknown = np.full(speed.shape, np.nan)
    by_day = error.deviation_from_one_level(
        speed, np.asarray(hand_height), np.asarray(height), unknown, "temperatures", constants=ON_TOWER
    )
    return np.asarray(np.where(is_night, NIGHT_FACTOR, 1.0) * by_day)


def night(hours: xr.Dataset) -> npt.NDArray[np.bool_]:
    """Tell in which hours the sun is down at one end at least, from what `wxfly.assessment.conditions.derive` gives."""
    return np.asarray((hours["sun_elevation"] <= 0).any("edge").values)


def reading_that_holds(
    limit: npt.ArrayLike,
    ratio: npt.ArrayLike,
    hand_height: float,
    height: float,
    confidence: float = CONFIDENCE,
    *,
    is_night: npt.ArrayLike = False,
) -> Array:
    """Return the largest reading at which the wind at flight height is below a limit, with a confidence [m s-1]."""
    most = carry_down(limit, ratio)
    deviation = carrying_deviation(most, hand_height, height, is_night=is_night)
    room = error.error_factor(confidence) * deviation
    return np.asarray(np.maximum(carry_down(np.asarray(limit, float) - room, ratio), 0.0))


def hand_rule(
    hand: xr.Dataset,
    aloft: Sequence[xr.Dataset],
    limits: Limits,
    *,
    roughness_length: float,
    confidence: float = CONFIDENCE,
) -> HandRule:
    """Carry the limits of wind and gust down to the hand, for a stretch of hours.

    Parameters
    ----------
    hand : xarray.Dataset
        The hours at hand height, as `wxfly.assessment.conditions.derive` returns them; dimensions edge and time.
    aloft : sequence of xarray.Dataset
        The same hours at every height to be flown.
    limits : Limits
        Of wind and gust.
    roughness_length : float
        Of the ground around [m].
    confidence : float, optional
        Of the readings up to which the limits hold.

    Returns
    -------
    HandRule
        The strictest of all hours and heights.
    """
    low = float(hand["height"])
    low_wind, low_gust = hand["wind_speed"].values, hand["wind_speed_of_gust"].values
    dark = night(hand)
    mean, gust, stops, gust_stops, ratios = [], [], [], [], []
    calm = np.maximum(low_wind, _STILL) / np.maximum(low_gust, _STILL)
    if limits.maximum_gust_at_launch is not None:  # held where the anemometer is: nothing is to be carried
        launch = np.full(low_gust.shape, limits.maximum_gust_at_launch)
        gust.append(gust_of_period(launch * calm, launch))
        gust_stops.append(gust_of_period(launch * calm, launch))
    for level in aloft:
        height = float(level["height"])
        ratio = ratio_to_hand(low_wind, level["wind_speed"].values, low, height, roughness_length)
        # A gust grows less with height than the mean: its increment stays. Its own ratio carries it.
        with np.errstate(invalid="ignore"):
            share = level["wind_speed_of_gust"].values / np.maximum(low_gust, _STILL)
        gust_ratio = np.maximum(share, 1.0)
        mean.append(reading_that_holds(limits.maximum_wind, ratio, low, height, confidence, is_night=dark))
        stops.append(carry_down(limits.maximum_wind, ratio))
        held = reading_that_holds(limits.maximum_gust, gust_ratio, low, height, confidence, is_night=dark)
        passed = carry_down(limits.maximum_gust, gust_ratio)
        gust.append(gust_of_period(held * calm, held))
        gust_stops.append(gust_of_period(passed * calm, passed))
        ratios.append(ratio)
    return HandRule(
        hand_height=low,
        mean_holds=_least(mean),
        gust_holds=_least(gust),
        mean_stop=_least(stops),
        gust_stop=_least(gust_stops),
        mean_expected=(float(low_wind.min()), float(low_wind.max())),
        gust_expected=_span(gust_of_period(low_wind, low_gust)),
        ratio=float(np.max(ratios)),
        confidence=confidence,
    )


def _least(values: list[Array]) -> float:
    return float(np.min(values))  # NaN in any stays NaN


def _span(values: Array) -> tuple[float, float]:
    return float(values.min()), float(values.max())
