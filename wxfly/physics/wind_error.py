"""How sure a wind carried to another height is, and the chance that it passes a limit.

The *standard deviation* here is the half-width that holds 68 % of the errors; their tails are heavier than the
normal distribution's and follow the logistic one. It speaks for the change of height alone, not for the forecast.

References
----------
[Tower] Hourly means at ten heights of a 135 m tower (NREL, 2012-2014); constants fitted on every other fortnight by
    ``tests/validation/fit_wind_error.py``, rounded to the careful side, and shown on the others: evidence page on wind.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

ONE_SIGMA = 0.6826894921370859
"""Share of errors within one standard deviation."""
_SCALE = float(np.log((1 + ONE_SIGMA) / (1 - ONE_SIGMA)))  # of the logistic distribution, standard deviation 1

# Constants of [Tower] by what is known of stability; what each multiplies stands in the functions below.
BETWEEN = {"known": (0.10, 0.007, 0.013, 0.19, 0.275, 0.235), "not known": (0.20, 0.0, 0.117, 0.223)}
BEYOND = {"known": (0.24, 0.006, 0.054, 0.295, 0.32), "not known": (0.33, 0.0, 0.12)}
FROM_ONE_LEVEL = {
    "temperatures": (0.18, 0.004, 0.0, 0.17, 0.016),
    "sun and cloud": (0.23, 0.0, 0.037, 0.079, 0.037),
    "not known": (0.315, 0.0),
}
DOWNWARD = (0.4, 0.04)
WELL_MIXED_SLOPE = 0.12
"""Growth of the wind per unit of ln(height), as a share of the wind below, in a well-mixed layer, [Tower]."""
HALF_WAY_ZETA = {"levels": 0.2, "temperatures": 0.7, "sun and cloud": 0.4}
"""10 m/L at which stability has half of its effect on the error."""
SMALLEST_DEVIATION = 0.03
"""Before the way is taken into account [m s-1]."""


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
    """Give the standard deviation of a wind interpolated between two levels.

    Parameters
    ----------
    wind_speed, height, wind_speed_above, height_above, wanted_height : ndarray
        The two levels and the height between [m s-1, m].
    obukhov_length : ndarray
        [m]; NaN where it is not known.
    constants : sequence of float, optional
        In place of `BETWEEN`, for fitting.

    Returns
    -------
    ndarray
        [m s-1]. It grows from 0 at a level as a random walk pinned at both ends does, and with how far the shear is
        from that of a well-mixed layer; less in unstable air, more in stable air.
    """
    span = np.log(height_above / height)
    weight = np.log(wanted_height / height) / span
    walk = span**0.8 * np.sqrt(np.maximum(weight * (1.0 - weight), 0.0)) * (wanted_height / 50.0) ** 0.2
    mean = wind_speed + weight * (wind_speed_above - wind_speed)
    unusual = (wind_speed_above - wind_speed) / span - WELL_MIXED_SLOPE * wind_speed
    more, less = np.maximum(unusual, 0.0), np.maximum(-unusual, 0.0)
    stable, unstable = _stable_and_unstable(obukhov_length, HALF_WAY_ZETA["levels"])

    def size(row: Sequence[float]) -> Array:
        plain = row[0] + row[1] * mean + row[2] * more + row[3] * less
        return plain if len(row) == 4 else plain * (1.0 - row[5] * unstable) + row[4] * stable

    return np.asarray(walk * _by_knowledge(size, BETWEEN, obukhov_length, constants))


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
    """Give the standard deviation of a wind above the top level, from the two highest levels.

    Parameters
    ----------
    wind_speed, height, wind_speed_top, height_top, wanted_height : ndarray
        The second highest and the highest level and the height above them [m s-1, m].
    obukhov_length : ndarray
        [m]; NaN where it is not known.
    constants : sequence of float, optional
        In place of `BEYOND`, for fitting.

    Returns
    -------
    ndarray
        [m s-1]; the larger, the farther the two levels are apart.
    """
    span = np.log(height_top / height)
    slope = np.abs(wind_speed_top - wind_speed) / span
    way = span**0.25 * np.sqrt(np.maximum(np.log(wanted_height / height_top), 0.0))
    stable, unstable = _stable_and_unstable(obukhov_length, HALF_WAY_ZETA["levels"])

    def size(row: Sequence[float]) -> Array:
        plain = row[0] + row[1] * wind_speed_top + row[2] * slope
        return plain if len(row) == 3 else plain * (1.0 - row[4] * unstable) + row[3] * stable

    return np.asarray(way * _by_knowledge(size, BEYOND, obukhov_length, constants))


def deviation_from_one_level(
    wind_speed: Array,
    height: Array,
    wanted_height: Array,
    obukhov_length: Array,
    stability_source: str,
    *,
    constants: Sequence[float] | None = None,
) -> Array:
    """Give the standard deviation of a wind carried from one level.

    Parameters
    ----------
    wind_speed, height, wanted_height : ndarray
        The level and the height [m s-1, m].
    obukhov_length : ndarray
        [m]; NaN where it is not known.
    stability_source : {"temperatures", "sun and cloud"}
        Where the Obukhov length is from.
    constants : sequence of float, optional
        In place of the row of `FROM_ONE_LEVEL`, for fitting.

    Returns
    -------
    ndarray
        [m s-1]; it grows with ln(height), and with wind and stability. Downwards, where the ground of the place
        itself decides, it is that of [Tower] at 3 m.
    """
    way = np.log(wanted_height / height)
    stable, unstable = _stable_and_unstable(obukhov_length, HALF_WAY_ZETA[stability_source])

    def size(row: Sequence[float]) -> Array:
        if len(row) == 2:
            return row[0] + row[1] * wind_speed
        mixed = (row[0] + row[1] * wind_speed) * (1.0 - unstable)
        return mixed + row[2] * stable + wind_speed * (row[3] * stable + row[4] * unstable)

    rows = {"known": FROM_ONE_LEVEL[stability_source], "not known": FROM_ONE_LEVEL["not known"]}
    upward = np.maximum(way, 0.0) ** 1.3 * _by_knowledge(size, rows, obukhov_length, constants)
    downward = np.sqrt(np.maximum(-way, 0.0)) * (DOWNWARD[0] + DOWNWARD[1] * wind_speed)
    return np.asarray(np.where(way >= 0, upward, downward))


def _stable_and_unstable(obukhov_length: Array, half_way: float) -> tuple[Array, Array]:
    """Give how stable and how unstable it is, 0 to 1 each."""
    zeta = np.where(np.isnan(obukhov_length), 0.0, 10.0 / obukhov_length)
    stable, unstable = np.maximum(zeta, 0.0), np.maximum(-zeta, 0.0)
    return stable / (stable + half_way), unstable / (unstable + half_way)


def _by_knowledge(
    size: Callable[[Sequence[float]], Array],
    rows: dict[str, tuple[float, ...]],
    obukhov_length: Array,
    constants: Sequence[float] | None,
) -> Array:
    """Give the size by the row for known stability or, where that is NaN, by the other."""
    if constants is not None:
        return np.maximum(size(constants), SMALLEST_DEVIATION)
    chosen = np.where(np.isnan(obukhov_length), size(rows["not known"]), size(rows["known"]))
    return np.maximum(chosen, SMALLEST_DEVIATION)


def error_factor(confidence: npt.ArrayLike) -> Array:
    """Give how many standard deviations to add so that the value is not exceeded with the given chance.

    Parameters
    ----------
    confidence : array_like
        Chance that the true wind is at most ``wind + factor * standard_deviation``, above 0 and below 1.

    Returns
    -------
    ndarray
        [1]; 0 at 0.5, 1 at 0.841, 2.2 at 0.975.

    Raises
    ------
    ValueError
        For a chance that is not between 0 and 1.
    """
    chance = np.asarray(confidence, dtype=float)
    if ((chance <= 0) | (chance >= 1)).any():
        raise ValueError(f"confidence {chance} must lie between 0 and 1")
    return np.asarray(np.log(chance / (1.0 - chance)) / _SCALE)


def exceedance_probability(wind_speed: npt.ArrayLike, standard_deviation: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Give the chance that the true wind is above a limit.

    Parameters
    ----------
    wind_speed, standard_deviation : array_like
        Of a `wxfly.physics.wind_profile.WindAtHeight` [m s-1].
    limit : array_like
        [m s-1].

    Returns
    -------
    ndarray
        0 to 1; NaN where the wind is not known. With a deviation of 0 it is 0 or 1, at the limit 0.
    """
    wind = np.asarray(wind_speed, dtype=float)
    deviation = np.asarray(standard_deviation, dtype=float)
    over = wind - np.asarray(limit, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        chance = 1.0 / (1.0 + np.exp(-np.clip(_SCALE * over / deviation, -700, 700)))
    certain = np.where(over > 0, 1.0, 0.0)
    return np.asarray(np.where(np.isnan(over + deviation), np.nan, np.where(deviation == 0, certain, chance)))
