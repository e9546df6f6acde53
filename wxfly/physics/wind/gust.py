"""Gusts carried to flight height, estimated where a forecast has none, and brought to one meaning.

References
----------
[Brasseur-2001] Brasseur, O. (2001): Development and application of a physical approach to estimating wind gusts.
    Mon. Weather Rev. 129, 5-25: gusts at the ground are winds brought down from within the boundary layer.
[EN1991-1-4] EN 1991-1-4:2005, 4.4: the standard deviation of turbulence does not change with height.
[Masts] Means and maxima at 40, 60, 80 m and at 20, 30, 40 m, see the evidence page on wind.
[WMO-1555] WMO/TD-No. 1555, appendix D (after ESDU 83045), see `wxfly.physics.wind.turbulence`.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np
import numpy.typing as npt

from wxfly.physics.wind.log_law import OPEN_GROUND_ROUGHNESS_LENGTH
from wxfly.physics.wind.turbulence import HOUR, gust_factor, peak_factor, turbulence_intensity

Array = npt.NDArray[np.float64]

CONVECTIVE_SHARE = 0.6
"""Standard deviation of the horizontal wind over the convective velocity scale, mixed layer (textbook value)."""


class GustMeaning(IntEnum):
    """What the gust of a source stands for; it decides the hours that a stamp speaks for."""

    NOT_KNOWN = 0
    INSTANT = 1
    MAXIMUM_OF_HOUR_BEFORE = 2
    MAXIMUM_OF_THREE_HOURS_BEFORE = 3
    MAXIMUM_OF_HOUR_AFTER = 4


def hours_covered(meaning: GustMeaning) -> tuple[float, float]:
    """Return the hours, from the stamp, for which a gust speaks.

    Parameters
    ----------
    meaning : GustMeaning
        What the source's gust stands for.

    Returns
    -------
    tuple of float
        ``(0, 0)`` an instant: then both edges of an hour count. A maximum over three hours may have happened in any of
        them and holds for all; one of unknown meaning is held for the hour before and the hour after. The meanings are
        those that the sources' own documentations give; the rule for an unknown one is ours.
    """
    return {
        GustMeaning.INSTANT: (0.0, 0.0),
        GustMeaning.MAXIMUM_OF_HOUR_BEFORE: (-1.0, 0.0),
        GustMeaning.MAXIMUM_OF_THREE_HOURS_BEFORE: (-3.0, 0.0),
        GustMeaning.MAXIMUM_OF_HOUR_AFTER: (0.0, 1.0),
    }.get(GustMeaning(meaning), (-1.0, 1.0))


def gust_at_height(
    gust_at_10m: npt.ArrayLike,
    wind_speed_at_10m: npt.ArrayLike,
    wind_speed_at_height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    *,
    gust_height: npt.ArrayLike = 10.0,
) -> Array:
    """Carry a gust to flight height: the increment over the mean wind stays, the mean wind grows.

    Parameters
    ----------
    gust_at_10m : array_like
        Largest short gust at 10 m, or at `gust_height` [m s-1].
    wind_speed_at_10m, wind_speed_at_height : array_like
        Mean wind at 10 m (`gust_height`) and at the wanted height [m s-1].
    wanted_height : array_like
        Above ground [m], 2 to 150.
    gust_height : array_like, optional
        Of the gust and of the first mean wind [m].

    Returns
    -------
    ndarray
        [m s-1], at least the mean wind at the height; NaN where any of the three is not known. All are broadcast.

    Notes
    -----
    ``gust(z) = U(z) + [g(z)/g(10)] (gust(10) - U(10))``: the standard deviation of the turbulence hardly changes
    with height ([EN1991-1-4]) and the peak factor g grows by 2.5 % from 10 m to 120 m ([WMO-1555]). Keeping the ratio
    of gust to mean overstates the gust aloft; on [Masts] the increment shrinks by 4 % from 40 to 80 m, so that this
    is a little on the careful side. A gust below its own mean wind counts as equal to it.
    """
    mean = np.asarray(wind_speed_at_height, dtype=float)
    increment = np.asarray(gust_at_10m, dtype=float) - np.asarray(wind_speed_at_10m, dtype=float)
    growth = peak_factor(wanted_height) / peak_factor(gust_height)
    return np.asarray(mean + growth * np.maximum(increment, 0.0))


def gust_without_forecast(
    wind_speed_at_10m: npt.ArrayLike,
    wind_speed_at_height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    *,
    roughness_length: npt.ArrayLike = OPEN_GROUND_ROUGHNESS_LENGTH,
    convective_velocity: npt.ArrayLike = 0.0,
    gust_duration: float = 3.0,
    reference_period: float = HOUR,
) -> Array:
    """Estimate the gust at flight height from mean winds alone.

    Parameters
    ----------
    wind_speed_at_10m, wind_speed_at_height : array_like
        Mean winds [m s-1].
    wanted_height : array_like
        Above ground [m].
    roughness_length : array_like, optional
        Of the surface upwind [m].
    convective_velocity : array_like, optional
        `wxfly.physics.wind.turbulence.convective_velocity_scale` [m s-1]; on a sunny day 1 to 2.5. NaN is unknown and
        gives NaN.
    gust_duration, reference_period : float, optional
        [s].

    Returns
    -------
    ndarray
        [m s-1]; at least the mean wind at the height. Not for thunderstorms, whose gusts do not come from the mean
        wind, nor in the lee of mountains.

    Notes
    -----
    Mechanical turbulence has ``sigma = U(10) / ln(10/z0)`` at every height ([EN1991-1-4]); convection adds
    ``0.6 w*`` to it in the square. The gust is ``U + g sigma`` with the peak factor of [WMO-1555].
    """
    mean = np.asarray(wind_speed_at_height, dtype=float)
    intensity = turbulence_intensity(10.0, roughness_length)
    mechanical = intensity * np.asarray(wind_speed_at_10m, dtype=float)
    sigma = np.hypot(mechanical, CONVECTIVE_SHARE * np.asarray(convective_velocity, dtype=float))
    period = gust_factor(0.0, gust_duration=gust_duration, reference_period=reference_period)
    return np.asarray(
        np.maximum(period * (mean + peak_factor(wanted_height, gust_duration=gust_duration) * sigma), mean)
    )


def convective_gust_addition(
    gust: npt.ArrayLike, wind_speed: npt.ArrayLike, convective_velocity: npt.ArrayLike, *, height: npt.ArrayLike = 10.0
) -> Array:
    """Return what convection must add to a gust that was worked out without it.

    Parameters
    ----------
    gust, wind_speed : array_like
        Gust and mean wind at one height [m s-1].
    convective_velocity : array_like
        [m s-1].
    height : array_like, optional
        [m].

    Returns
    -------
    ndarray
        [m s-1], not negative: the peak factor ([WMO-1555]) times the growth of the standard deviation when ``0.6 w*``
        (textbook value) joins it; for w* of 0 to 3 m/s below 200 m. A gust of a model that has convection in it (ECMWF,
        DWD) needs no addition.
    """
    factor = peak_factor(height)
    sigma = np.maximum(np.asarray(gust, dtype=float) - np.asarray(wind_speed, dtype=float), 0.0) / factor
    together = np.hypot(sigma, CONVECTIVE_SHARE * np.maximum(np.asarray(convective_velocity, dtype=float), 0.0))
    return np.asarray(factor * (together - sigma))


def convert_gust(
    gust: npt.ArrayLike,
    wind_speed: npt.ArrayLike,
    *,
    gust_duration: float,
    wanted_duration: float,
    height: npt.ArrayLike = 10.0,
) -> Array:
    """Bring a gust of one duration to another, for example 10 s (some services) to 3 s.

    Parameters
    ----------
    gust, wind_speed : array_like
        Gust and hourly mean wind [m s-1].
    gust_duration, wanted_duration : float
        [s], 1 to 600.
    height : array_like, optional
        [m].

    Returns
    -------
    ndarray
        [m s-1]; the increment times the ratio of the peak factors, [WMO-1555].
    """
    mean = np.asarray(wind_speed, dtype=float)
    ratio = peak_factor(height, gust_duration=wanted_duration) / peak_factor(height, gust_duration=gust_duration)
    return np.asarray(mean + ratio * np.maximum(np.asarray(gust, dtype=float) - mean, 0.0))


def convert_mean_wind(
    wind_speed: npt.ArrayLike, *, averaging_period: float, wanted_period: float, turbulence: npt.ArrayLike = 0.2
) -> Array:
    """Return the highest mean over one period from the highest mean over another.

    Parameters
    ----------
    wind_speed : array_like
        [m s-1].
    averaging_period, wanted_period : float
        [s], 60 to 3600.
    turbulence : array_like, optional
        Turbulence intensity [1].

    Returns
    -------
    ndarray
        [m s-1], by the ratio of the 3 s gust factors for the two reference periods, [WMO-1555].
    """
    from_factor = gust_factor(turbulence, reference_period=averaging_period)
    to_factor = gust_factor(turbulence, reference_period=wanted_period)
    return np.asarray(np.asarray(wind_speed, dtype=float) * from_factor / to_factor)


def largest_wind_in_boundary_layer(
    wind_speed: npt.ArrayLike, heights: npt.ArrayLike, boundary_layer: npt.ArrayLike, *, wanted_height: float = 0.0
) -> Array:
    """Return the largest mean wind that turbulence can bring down: a bound to show, never to lower a gust.

    Parameters
    ----------
    wind_speed : array_like
        Shape ``[..., level]`` [m s-1].
    heights : array_like
        ``[level]`` [m].
    boundary_layer : array_like
        Height of the boundary layer, broadcast against ``[...]`` [m].
    wanted_height : float, optional
        Levels up to the first one at or above it count even over a shallow boundary layer [m].

    Returns
    -------
    ndarray
        [m s-1], shape ``[...]``; NaN where the boundary layer, or a level within it, is not known. Where the levels end
        below the top of the boundary layer it is a lower bound of the bound.

    Notes
    -----
    [Brasseur-2001]; nearly three quarters of daily gusts lie within his bounds.
    """
    speed, level = np.asarray(wind_speed, dtype=float), np.asarray(heights, dtype=float)
    top = np.asarray(boundary_layer, dtype=float)[..., None]
    at_or_above = level[level >= wanted_height]
    inside = (level <= top) | (level <= (at_or_above[0] if at_or_above.size else level[-1]))
    inside = np.broadcast_to(inside, np.broadcast_shapes(speed.shape, inside.shape))
    largest = np.where(inside, np.broadcast_to(speed, inside.shape), -np.inf).max(axis=-1)
    unknown = np.isnan(top[..., 0]) | (inside & np.isnan(speed)).any(axis=-1)
    return np.where(unknown, np.nan, largest)
