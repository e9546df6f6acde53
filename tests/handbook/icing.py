"""Formulas for check values that wxfly itself does not use: icing."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics import MELTING_POINT
from wxfly.physics.air.icing import Array


def layered_icing_index(air_temperature: npt.ArrayLike) -> Array:
    """Return the layered icing index, a scale of severity inside cloud by temperature alone.

    Parameters
    ----------
    air_temperature : array_like
        At flight height [K].

    Returns
    -------
    ndarray
        [1], 0 to 100, highest at -7 degC, 0 outside -14 to 0 degC [Layered].
    """
    t = np.asarray(air_temperature, dtype=float) - MELTING_POINT
    index = np.maximum(100 * (-t) * (t + 14) / 49, 0.0)
    return np.asarray(np.where(np.isnan(t), np.nan, index))


def grid_icing(
    air_temperature: npt.ArrayLike, relative_humidity: npt.ArrayLike, vertical_velocity: npt.ArrayLike
) -> Array:
    """Return NOAA's grid-box icing flag for air aloft.

    Parameters
    ----------
    air_temperature : array_like
        [K].
    relative_humidity : array_like
        [1].
    vertical_velocity : array_like
        In pressure [Pa s-1]; negative is rising.

    Returns
    -------
    ndarray
        1 icing, 0 none, NaN where an input is missing [UPP]. Meant for grid boxes aloft, not for the lowest
        150 m.
    """
    t, rh, w = np.broadcast_arrays(
        *(np.asarray(v, dtype=float) for v in (air_temperature, relative_humidity, vertical_velocity))
    )
    flag = (t >= 251.0) & (t <= 273.0) & (rh >= 0.70) & (w < 0)
    return np.asarray(np.where(np.isnan(t) | np.isnan(rh) | np.isnan(w), np.nan, flag.astype(float)))


SEVERITY = ((3600.0, "trace"), (900.0, "light"), (300.0, "moderate"), (0.0, "severe"))
"""Shortest time in which a quarter inch of ice accumulates [s], and its term [ADDS]."""


def icing_severity(time_to_quarter_inch: float) -> str:
    """Return the term of the aviation manuals for a rate of icing.

    Parameters
    ----------
    time_to_quarter_inch : float
        Time in which a quarter of an inch (6.35 mm) of ice accumulates [s].

    Returns
    -------
    str
        ``trace`` (more than an hour), ``light`` (15 minutes to 1 hour), ``moderate`` (5 to 15 minutes) or
        ``severe`` (less than 5 minutes) [ADDS]; ``not known`` for NaN. The terms are meant for aeroplanes: on
        a small rotor even light icing may end the flight.
    """
    if np.isnan(time_to_quarter_inch):
        return "not known"
    if time_to_quarter_inch > SEVERITY[0][0]:
        return SEVERITY[0][1]
    return next(word for least, word in SEVERITY[1:] if time_to_quarter_inch >= least)
