"""Error of a wind: of its conversion to another height, and what differing cells around a place add.

The *standard deviation* here is the half-width that contains 68 % of the errors. Their tails are heavier than those of
the normal distribution and follow the logistic one. That of the height conversion applies to hourly means measured by
a good cup anemometer and includes the error of that anemometer.

References
----------
[IEC-61400-12-1] Class of a cup anemometer: the largest deviation of class k is ``k (0.05 m/s + 0.005 U)``, as in
    Jain, P. (2011): Wind Energy Engineering, McGraw-Hill, eq. 6-1. Good cups in open land are near class 1.7 (from
    memory). For evenly spread deviations, the standard deviation is the largest one over the square root of 3.
[Tower] Hourly means at ten heights of a 135 m tower (NREL, 2012-2014). ``tests/validation/fit_wind_error.py`` fits the
    constants on every other fortnight, rounded to the cautious side; the evidence page on wind tests them on the rest.
[Fields] Two years of hourly wind at 10 and 50 m from a reanalysis of farmland in eastern France (La Haute Borne,
    ENGIE open data), and [Sodar] a sodar next to a weather model (example data of i-validate).
    ``tests/validation/flat_land.py`` computes the coverage.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from wxfly.physics.arrays import at_least
from wxfly.physics.wind.surface_layer import StabilitySource

Array = npt.NDArray[np.float64]

ONE_SIGMA = 0.6826894921370859
"""Share of errors within one standard deviation."""
_SCALE = float(np.log((1 + ONE_SIGMA) / (1 - ONE_SIGMA)))  # of the logistic distribution, standard deviation 1

# Constants fitted on [Tower], by what is known about stability; the functions below show what each one multiplies.
# They are wider for stable air from one level, for unknown stability and above the top level: [Fields] and [Sodar]
# show that this tower has little shear at night.
BETWEEN = {"known": (0.10, 0.012, 0.37, 0.63, 0.24), "not known": (0.165, 0.19, 0.38)}
BEYOND = {"known": (0.36, 0.1, 0.4, 0.55), "not known": (0.48, 0.28)}
FROM_ONE_LEVEL = {
    StabilitySource.TEMPERATURES: (0.203, 0.30, 0.025),
    StabilitySource.SUN_AND_CLOUD: (0.225, 0.20, 0.037),
    "not known": (0.315, 0.09),
}
DOWNWARD = (0.4, 0.04)
WELL_MIXED_SLOPE = 0.12
"""Growth of the wind per unit of ln(height), as a share of the wind below, in a well-mixed layer, [Tower]."""
HALF_WAY_STABLE = {"levels": 1.3, StabilitySource.TEMPERATURES: 0.35, StabilitySource.SUN_AND_CLOUD: 0.15}
HALF_WAY_UNSTABLE = 0.2
"""10 m/L at which stability has half of its effect on the error; for stable air it depends on the method."""
ANEMOMETER = (0.06, 0.006)
"""Difference between the mean of two good cups and a third cup, in m/s and as a share of the wind. It is class 1.7 of
[IEC-61400-12-1]: 1.7 / sqrt(3) (0.05 + 0.005 U) for one cup, times sqrt(1 + 1/2) for the three."""
_APART = 0.1  # in ln(height): nearer to a level than this, the errors of both anemometers are correlated


def deviation_between(
    wind_speed: Array,
    height: Array,
    wind_speed_above: Array,
    height_above: Array,
    wanted_height: Array,
    obukhov_length: Array,
    *,
    constants: Sequence[float] | None = None,
) -> Array:
    """Return the standard deviation of a wind interpolated between two levels.

    Parameters
    ----------
    wind_speed, height, wind_speed_above, height_above, wanted_height : ndarray
        The two levels and the height between them [m s-1, m]; fitted on levels from 10 to 122 m.
    obukhov_length : ndarray
        [m]; NaN where unknown.
    constants : sequence of float, optional
        Replace `BETWEEN`, for fitting.

    Returns
    -------
    ndarray
        [m s-1]; 0 at a level. The root of the sum of two squares: the error of the anemometers, and the unseen
        curvature of the profile between the levels. The second grows nearly with the square of the distance between
        the levels. It also grows as the shear departs from that of a well-mixed layer. It is smaller in unstable air
        and larger in stable air. [IEC-61400-12-1] and [Tower].
    """
    span = np.log(height_above / height)
    weight = np.log(wanted_height / height) / span
    curve = span**1.75 * np.maximum(weight * (1.0 - weight), 0.0) * (wanted_height / 50.0) ** 0.35
    mean = wind_speed + weight * (wind_speed_above - wind_speed)
    unusual = (wind_speed_above - wind_speed) / span - WELL_MIXED_SLOPE * wind_speed
    more, less = at_least(unusual, 0.0), at_least(-unusual, 0.0)
    stable, unstable = _stable_and_unstable(obukhov_length, "levels")

    def size(row: Sequence[float]) -> Array:
        plain = row[0] + row[1] * more + row[2] * less
        return plain if len(row) == 3 else plain * (1.0 - row[3] * unstable) + row[4] * stable * mean

    nearest = np.minimum(weight, 1.0 - weight) * span
    return _together(_of_anemometer(mean, nearest), curve * _by_knowledge(size, BETWEEN, obukhov_length, constants))


def deviation_beyond(
    wind_speed: Array,
    height: Array,
    wind_speed_top: Array,
    height_top: Array,
    wanted_height: Array,
    obukhov_length: Array,
    *,
    constants: Sequence[float] | None = None,
) -> Array:
    """Return the standard deviation of a wind above the top level, from the two highest levels.

    Parameters
    ----------
    wind_speed, height, wind_speed_top, height_top, wanted_height : ndarray
        The second highest level, the highest level and the height above them [m s-1, m]; fitted on heights up to
        1.5 times the highest level, 80 to 122 m.
    obukhov_length, constants
        As in `deviation_between`, with `BEYOND`.

    Returns
    -------
    ndarray
        [m s-1]; it grows with the distance between the two levels and with the shear between them.
        [IEC-61400-12-1] and [Tower].
    """
    span = np.log(height_top / height)
    slope = np.abs(wind_speed_top - wind_speed) / span
    distance = np.maximum(np.log(wanted_height / height_top), 0.0)
    stable, unstable = _stable_and_unstable(obukhov_length, "levels")

    def size(row: Sequence[float]) -> Array:
        plain = row[0] + row[1] * slope
        return plain if len(row) == 2 else plain * (1.0 - row[2] * unstable) + row[3] * stable * wind_speed_top

    extrapolated = span**0.25 * distance**0.75 * _by_knowledge(size, BEYOND, obukhov_length, constants)
    return _together(_of_anemometer(wind_speed_top, distance), extrapolated)


def deviation_from_one_level(
    wind_speed: Array,
    height: Array,
    wanted_height: Array,
    obukhov_length: Array,
    stability_source: StabilitySource,
    *,
    constants: Sequence[float] | None = None,
) -> Array:
    """Return the standard deviation of a wind extrapolated from one level.

    Parameters
    ----------
    wind_speed, height, wanted_height : ndarray
        The level and the wanted height [m s-1, m]; fitted from 10 m up to 30 to 122 m, and down to 3 m.
    obukhov_length, constants
        As in `deviation_between`, with the row of `FROM_ONE_LEVEL`.
    stability_source : StabilitySource
        What the Obukhov length was estimated from.

    Returns
    -------
    ndarray
        [m s-1]; it grows with ln(height). In stable and in very unstable air it also grows with the wind; in neutral
        air it does not. Below the level the local ground decides, and the value is that of [Tower] at 3 m.
    """
    way = np.log(wanted_height / height)
    stable, unstable = _stable_and_unstable(obukhov_length, stability_source)

    def size(row: Sequence[float]) -> Array:
        if len(row) == 2:
            return row[0] + row[1] * wind_speed
        return row[0] * (1.0 - unstable) + wind_speed * (row[1] * stable + row[2] * unstable)

    rows = {"known": FROM_ONE_LEVEL[stability_source], "not known": FROM_ONE_LEVEL["not known"]}
    grown = np.maximum(way, 0.0) ** np.where(way < 1.0, 1.0, 1.3)
    extrapolated = grown * _by_knowledge(size, rows, obukhov_length, constants)
    upward = _together(_of_anemometer(wind_speed, np.maximum(way, 0.0)), extrapolated)
    downward = np.sqrt(np.maximum(-way, 0.0)) * (DOWNWARD[0] + DOWNWARD[1] * wind_speed)
    return np.asarray(np.where(way >= 0, upward, downward))


def _together(one: Array, other: Array) -> Array:
    """Return the standard deviation of the sum of two independent errors; winds are too small to overflow."""
    return np.asarray(np.sqrt(one * one + other * other))


def _of_anemometer(wind_speed: Array, distance: Array) -> Array:
    """Return the part of the error due to the anemometers [m s-1], at a distance in ln(height) from a level."""
    return np.asarray((ANEMOMETER[0] + ANEMOMETER[1] * wind_speed) * np.minimum(distance / _APART, 1.0))


def _stable_and_unstable(obukhov_length: Array, used_with: str) -> tuple[Array, Array]:
    """Return how stable and how unstable the air is, 0 to 1 each."""
    zeta = np.where(np.isnan(obukhov_length), 0.0, 10.0 / obukhov_length)
    stable, unstable = at_least(zeta, 0.0), at_least(-zeta, 0.0)
    return stable / (stable + HALF_WAY_STABLE[used_with]), unstable / (unstable + HALF_WAY_UNSTABLE)


def _by_knowledge(
    size: Callable[[Sequence[float]], Array],
    rows: dict[str, tuple[float, ...]],
    obukhov_length: Array,
    constants: Sequence[float] | None,
) -> Array:
    """Return the size from the row for known stability, or from the other row where the stability is NaN."""
    if constants is not None:
        return size(constants)
    return np.where(np.isnan(obukhov_length), size(rows["not known"]), size(rows["known"]))


def error_factor(confidence: npt.ArrayLike) -> Array:
    """Return how many standard deviations to add so that the true wind stays at or below the sum.

    Parameters
    ----------
    confidence : array_like
        Probability that the true wind is at most ``wind + factor * standard_deviation``, above 0 and below 1.

    Returns
    -------
    ndarray
        [1]; 0 at 0.5, 1 at 0.841, 2.2 at 0.975. These are quantiles of the logistic distribution. The errors on
        [Tower] follow its tails to about 0.99; beyond that there is no evidence.

    Raises
    ------
    ValueError
        For a probability that is not between 0 and 1.
    """
    chance = np.asarray(confidence, dtype=float)
    if ((chance <= 0) | (chance >= 1)).any():
        raise ValueError(f"confidence {chance} must lie between 0 and 1")
    return np.asarray(np.log(chance / (1.0 - chance)) / _SCALE)


FACTOR = 2.0
"""Fitted on the even fortnights of a mast of 80 m among four cells of a reanalysis, scored on the odd ones: an 80 %
interval then holds 80 to 85 % of the tenth of hours with the largest spread, 67 to 74 % without
(``docs/evidence/neighbours.md``). Measured for the wind; taken for the gust too, an estimate of ours."""
USUAL_SPREAD = 0.8
"""Root mean square of the spread in those fortnights [m s-1]."""
LOST_SPREAD = 2.2
"""Taken where the spread is lost [m s-1]: larger than in 99 of 100 of those hours."""


def deviation_from_spread(spread: npt.ArrayLike) -> Array:
    """Return the standard deviation that the spread of surrounding cells adds to the error of the wind.

    Parameters
    ----------
    spread : array_like
        Standard deviation of wind or gust over the cells [m s-1]; any shape. One that is missing counts as
        `LOST_SPREAD`, because a loss must not make an hour surer.

    Returns
    -------
    ndarray
        [m s-1], of the shape of `spread`.

    Examples
    --------
    >>> deviation_from_spread([0.5, 1.0, 2.0]).round(2).tolist()
    [0.0, 0.85, 2.59]
    """
    known = np.asarray(spread, dtype=float)
    known = np.where(np.isnan(known), LOST_SPREAD, known)
    return np.asarray(np.sqrt(FACTOR * np.maximum(known**2 - USUAL_SPREAD**2, 0.0)))
