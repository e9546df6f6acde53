"""The field check: the limits of the aircraft converted to the height of a hand-held anemometer.

A two-minute reading near the ground constrains the wind at flight height, less so the higher the flight. How much is
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
"""Height of a hand-held anemometer above ground [m]."""
READING_PERIOD = 120.0
"""Length of a reading [s]."""
CONFIDENCE = 0.9
ON_TOWER = (0.315, 0.0)
"""Error constants of the extrapolation from the anemometer to flight height, for `wxfly.physics.wind.error`. They are
those of the tower on which the rule is shown, by day; for the night see `NIGHT_FACTOR`."""
NIGHT_FACTOR = 1.5
"""Factor for the larger error of an extrapolated reading by night. Without it, 88 to 100 of 100 night hours were within
the limits, by height, limit and year of a tower, where 90 are stated; with it 96 and more (evidence page on wind)."""
_STILL = 0.5
_LOWEST_HAND, _HIGHEST_HAND = 1.0, 10.0


@dataclass(frozen=True)
class HandRule:
    """Limits for the reading of an anemometer over two minutes, in SI units.

    Attributes
    ----------
    hand_height : float
        Height of the anemometer above ground [m].
    mean_holds, gust_holds : float
        Readings up to which wind and gust are within limits at every flight height, with `confidence` [m s-1]; 0 where
        no reading is low enough; NaN where the forecast does not allow the height conversion.
    mean_stop, gust_stop : float
        Readings from which wind and gust are more likely above the limits than within them [m s-1].
    mean_expected, gust_expected : tuple of float
        Readings expected from the forecast, lowest and highest of the hours [m s-1].
    ratio : float
        Largest ratio of the wind at flight height to the wind at the anemometer [1].
    confidence : float
        Probability that belongs to `mean_holds` and `gust_holds`.
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
    """Refuse a height at which nobody can hold an anemometer."""
    if not _LOWEST_HAND <= hand_height <= _HIGHEST_HAND:
        raise WxflyError(f"a hand height of {hand_height:g} m is out of reach; wanted 1 to 10 m")


def gust_of_period(mean: npt.ArrayLike, gust_of_hour: npt.ArrayLike) -> Array:
    """Return the strongest gust expected in two minutes, from that of an hour with the same mean [m s-1]."""
    shorter = np.asarray(gust_of_hour, dtype=float) * _two_minutes()
    return np.asarray(np.maximum(shorter, np.asarray(mean, dtype=float)))


def gust_of_hour(gust_of_period: npt.ArrayLike) -> Array:
    """Return the strongest gust expected in an hour, from that of two minutes [m s-1]."""
    return np.asarray(np.asarray(gust_of_period, dtype=float) / _two_minutes())


def _two_minutes() -> float:
    strong = 1.0  # turbulence for which neither factor is at its bound; their ratio does not depend on it
    return float(gust_factor(strong, reference_period=READING_PERIOD) / gust_factor(strong))


def carry_up(reading: npt.ArrayLike, ratio: npt.ArrayLike) -> Array:
    """Return the wind at flight height from an anemometer reading [m s-1] and the ratio of the two [1]."""
    return np.asarray(np.asarray(reading, dtype=float) * np.asarray(ratio, dtype=float))


def carry_down(wind: npt.ArrayLike, ratio: npt.ArrayLike) -> Array:
    """Return the anemometer reading from the wind at flight height; the inverse of `carry_up`."""
    return np.asarray(np.asarray(wind, dtype=float) / np.asarray(ratio, dtype=float))


def ratio_to_hand(
    wind_at_hand: npt.ArrayLike,
    wind_at_height: npt.ArrayLike,
    hand_height: float,
    height: float,
    roughness_length: float,
) -> Array:
    """Return the ratio of the wind at flight height to that at the anemometer.

    Parameters
    ----------
    wind_at_hand, wind_at_height : array_like
        Forecast wind at the two heights, at the same time [m s-1].
    hand_height, height : float
        Heights above ground [m].
    roughness_length : float
        Roughness length of the ground around the site [m].

    Returns
    -------
    ndarray
        The ratio [1], not below that of the neutral log law: a wind strong enough to reach a limit has mixed the air.
    """
    low, high = np.asarray(wind_at_hand, dtype=float), np.asarray(wind_at_height, dtype=float)
    z0 = min(roughness_length, hand_height / 3.0)
    neutral = np.log(height / z0) / np.log(hand_height / z0)
    return np.asarray(np.maximum(high / np.maximum(low, _STILL), neutral))


def carrying_deviation(
    reading: npt.ArrayLike, hand_height: float, height: float, *, is_night: npt.ArrayLike = False
) -> Array:
    """Return the standard deviation of an extrapolated reading [m s-1]; see `wxfly.physics.wind.error`."""
    speed = np.asarray(reading, dtype=float)
    unknown = np.full(speed.shape, np.nan)
    by_day = error.deviation_from_one_level(
        speed, np.asarray(hand_height), np.asarray(height), unknown, "temperatures", constants=ON_TOWER
    )
    return np.asarray(np.where(is_night, NIGHT_FACTOR, 1.0) * by_day)


def night(hours: xr.Dataset) -> npt.NDArray[np.bool_]:
    """Return for each hour whether the sun is down at one end at least, from `wxfly.assessment.conditions.derive`."""
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
    """Convert the limits of wind and gust to the height of the anemometer, for a period of hours.

    Parameters
    ----------
    hand : xarray.Dataset
        The hours at the height of the anemometer, from `wxfly.assessment.conditions.derive`; dimensions edge and time.
    aloft : sequence of xarray.Dataset
        The same hours at every flight height.
    limits : Limits
        Limits with those of wind and gust.
    roughness_length : float
        Roughness length of the ground around the site [m].
    confidence : float, optional
        Probability that a reading up to the first pair means wind and gust within limits.

    Returns
    -------
    HandRule
        The strictest rule of all hours and heights.
    """
    low = float(hand["height"])
    low_wind, low_gust = hand["wind_speed"].values, hand["wind_speed_of_gust"].values
    dark = night(hand)
    mean, gust, stops, gust_stops, ratios = [], [], [], [], []
    calm = np.maximum(low_wind, _STILL) / np.maximum(low_gust, _STILL)
    if limits.maximum_gust_at_launch is not None:  # this limit is for the anemometer's height: no conversion
        launch = np.full(low_gust.shape, limits.maximum_gust_at_launch)
        gust.append(gust_of_period(launch * calm, launch))
        gust_stops.append(gust_of_period(launch * calm, launch))
    for level in aloft:
        height = float(level["height"])
        ratio = ratio_to_hand(low_wind, level["wind_speed"].values, low, height, roughness_length)
        # A gust grows less with height than the mean, because its increment stays; so it has its own ratio.
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
    return float(np.min(values))  # any NaN stays NaN


def _span(values: Array) -> tuple[float, float]:
    return float(values.min()), float(values.max())
