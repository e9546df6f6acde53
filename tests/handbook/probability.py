"""Formulas of the check values that wxfly itself does not need: probability."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.probability import Array, normal_probability, normal_quantile, standardised


def normal_exceedance(mean: npt.ArrayLike, standard_deviation: npt.ArrayLike, limit: npt.ArrayLike) -> Array:
    """Return the chance that a normal variable is above a limit.

    Parameters
    ----------
    mean, standard_deviation, limit : array_like
        In the same unit; the deviation at least 0. With a deviation of 0 the chance is 0 or 1, at the limit 0.
    """
    return normal_probability(-standardised(mean, standard_deviation, limit))


def truncated_normal_exceedance(
    location: npt.ArrayLike, scale: npt.ArrayLike, limit: npt.ArrayLike, *, lowest: float = 0.0
) -> Array:
    """Return the chance that a normal variable cut off at its lowest value is above a limit.

    Parameters
    ----------
    location, scale : array_like
        Of the normal distribution before it is cut, in the unit of the limit; the scale above 0.
    limit : array_like
        Below `lowest` the chance is 1.
    lowest : float, optional
        0 for a speed [Thorarinsdottir2010].

    Notes
    -----
    ``(1 - F(limit)) / (1 - F(lowest))`` with the normal distribution function F.
    """
    above = normal_exceedance(location, scale, np.maximum(np.asarray(limit, dtype=float), lowest))
    kept = normal_exceedance(location, scale, lowest)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(kept > 0, above / kept, np.where(np.isnan(kept), np.nan, 0.0)))


def truncated_normal_quantile(
    location: npt.ArrayLike, scale: npt.ArrayLike, probability: npt.ArrayLike, *, lowest: float = 0.0
) -> Array:
    """Return the value that a normal variable cut off at its lowest value does not exceed with the given chance.

    Parameters
    ----------
    location, scale, lowest
        As in `truncated_normal_exceedance`.
    probability : array_like
        Above 0 and below 1.
    """
    location, scale = np.asarray(location, dtype=float), np.asarray(scale, dtype=float)
    cut = normal_probability((lowest - location) / scale)
    chance = cut + np.asarray(probability, dtype=float) * (1.0 - cut)
    tiny = np.finfo(float).eps
    return np.asarray(np.maximum(location + scale * normal_quantile(np.clip(chance, tiny, 1.0 - tiny)), lowest))


def dressed_exceedance(
    members: npt.ArrayLike, standard_deviation: npt.ArrayLike, limit: npt.ArrayLike, *, bias: npt.ArrayLike = 0.0
) -> Array:
    """Return the chance that a limit is exceeded, from members each dressed with a normal error [Roulston2003].

    Parameters
    ----------
    members : array_like
        Shape ``[..., member]``.
    standard_deviation : array_like
        Of the error that the ensemble does not know, ``[...]`` or ``[..., member]``; 0 counts members.
    limit : array_like
        ``[...]``, in the unit of the members.
    bias : array_like, optional
        Taken off every member, ``[...]``.

    Returns
    -------
    ndarray
        ``[...]``: ``(1/M) sum of [1 - Phi((limit - (member - bias)) / sd)]``; NaN where any member is NaN.
    """
    values = np.asarray(members, dtype=float) - np.asarray(bias, dtype=float)[..., None]
    deviation = np.asarray(standard_deviation, dtype=float)
    if deviation.ndim and deviation.shape != values.shape:
        deviation = deviation[..., None]
    return np.asarray(normal_exceedance(values, deviation, np.asarray(limit, dtype=float)[..., None]).mean(axis=-1))
