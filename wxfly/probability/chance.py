"""The chance that every limit holds: for an hour, for a window, and against another place.

Each member of an ensemble is carried through the whole chain; what it does not know is an error around it, linked
from hour to hour and from element to element (`wxfly.assessment.forecast_error`), and an error of timing, by which all
of its weather comes earlier or later (`wxfly.probability.timing`). A member keeps a window when every element
keeps its limit in every hour of it; the chance is the mean over the members, never the product over hours.
With one forecast the same error, at its full size, is all there is, and the chance is marked as weaker.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.forecast_error import MEMBER, ErrorLaw, default_error_law
from wxfly.physics.probability import least_chance, normal_probability, stretch_probability
from wxfly.pilot.elements import BY_NAME, Family
from wxfly.probability.timing import SHIFT

Array = npt.NDArray[np.float64]

MARGIN_DEVIATION = 0.17
"""Of the difference of two places' margins [1]: the error of 2 m/s that an ensemble leaves of a gust, at a limit of
12 m/s, half of it shared by the places. An estimate of ours."""
_NOTHING = 0.005
"""A cause with a smaller share is not named."""
_HARDLY = 0.002
"""A shift of the weather in time with a smaller chance is left out of a stretch."""


@dataclass(frozen=True)
class Cause:
    """One element that may break its limit.

    Attributes
    ----------
    element : str
        Its name.
    share : float
        Chance that it breaks its limit in some hour, alone or with others. Shares of causes do not add up.
    sole_share : float
        Chance that it does and nothing else does.
    """

    element: str
    share: float
    sole_share: float


@dataclass(frozen=True)
class Chance:
    """How sure it is that every limit holds.

    Attributes
    ----------
    value : float
        0 to 1, neither of them reached; NaN where a required element is not known.
    members : int
        How many there were.
    is_weak : bool
        Whether it is from a single forecast and the usual growth of its error.
    causes : tuple of Cause
        What may break a limit, the largest share first.
    """

    value: float
    members: int
    is_weak: bool
    causes: tuple[Cause, ...] = ()


FIRM, OPEN = 0.8, 0.4
"""Chances from which a stretch is told as firm and as open; below, it is faint. An estimate of ours."""


def kind_of(chance: float) -> str:
    """Return the word for a chance: ``firm``, ``open`` or ``faint``; ``not known`` for NaN."""
    if np.isnan(chance):
        return "not known"
    return "firm" if chance >= FIRM else "open" if chance >= OPEN else "faint"


@dataclass(frozen=True)
class Outlook:
    """The surest stretch of the length that is needed, of a window or of a day's light.

    Attributes
    ----------
    start, end : numpy.datetime64
        UTC, within the light.
    first, last : int
        Positions of its hours.
    chance : Chance
        That every limit holds all along.
    """

    start: np.datetime64
    end: np.datetime64
    first: int
    last: int
    chance: Chance

    @property
    def kind(self) -> str:
        """The word for its chance."""
        return kind_of(self.chance.value)


def hour_chances(room: xr.DataArray, *, law: ErrorLaw | None = None) -> xr.DataArray:
    """Return the chance that every limit holds, for each hour by itself.

    Parameters
    ----------
    room : DataArray
        As `wxfly.assessment.forecast_error.room_to_limits` or `wxfly.probability.timing.with_timing` gives it.
    law : ErrorLaw, optional
        By default wxfly's own.

    Returns
    -------
    DataArray
        Dimension time, 0 to 1, bounded; NaN where a required element is not known.
    """
    values, weights = _values(room), _weights(room)
    held = np.ones((values.shape[0], *values.shape[2:]))
    for family in _positions(room):
        held = held * normal_probability(values[:, family].min(axis=1))
    held = (weights[..., None] * held).sum(axis=0)
    chance, members = _mean_over_members(held, _present(room))
    return xr.DataArray(_bounded(chance, members, law), dims="time", coords={"time": room["time"]}, name="chance")


def window_chance(
    room: xr.DataArray, first: int, last: int, *, law: ErrorLaw | None = None, with_causes: bool = True
) -> Chance:
    """Return the chance that every limit holds in every hour of a window, and what may break one.

    Parameters
    ----------
    room : DataArray
        As `wxfly.assessment.forecast_error.room_to_limits` or `wxfly.probability.timing.with_timing` gives it.
    first, last : int
        Positions of the first and the last hour of the window.
    law : ErrorLaw, optional
        By default wxfly's own.
    with_causes : bool, optional
        Whether causes are worked out; without them it is several times faster.
    """
    law = law or default_error_law()
    part = room.isel(time=slice(first, last + 1))
    values, weights, present = *_of_shifts(part), np.asarray(_present(part).all(axis=0))
    families = _positions(part)
    kept = [_stretch(values[:, family].min(axis=1), law) for family in families]
    all_kept = np.prod(kept, axis=0)
    chance, members = _mean_over_members(weights @ all_kept, present)
    causes, names = [], [str(n) for n in part["element"].values]
    for position, family in enumerate(families if with_causes else []):
        others = np.prod([k for i, k in enumerate(kept) if i != position], axis=0)
        for k in family:
            if not (values[:, k] < 6.0).any():
                continue  # no doubt about it anywhere
            alone = kept[position] if len(family) == 1 else _stretch(values[:, k], law)
            rest = [m for m in family if m != k]
            without = _stretch(values[:, rest].min(axis=1), law) if rest else 1.0
            share = float(_bounded(_mean_over_members(weights @ (1.0 - alone), present)[0], members, law, lower=False))
            sole = float(_mean_over_members(weights @ (others * without - all_kept), present)[0])
            if share >= _NOTHING:
                causes.append(Cause(names[k], share, max(sole, 0.0)))
    causes.sort(key=lambda cause: -cause.share)
    bounded = float(_bounded(np.asarray(chance), np.asarray(members), law))
    return Chance(bounded, int(members), values.shape[-1] == 1, tuple(causes))


def chance_of_better(
    room: xr.DataArray,
    margin: Array,
    other_room: xr.DataArray,
    other_margin: Array,
    first: int,
    last: int,
    *,
    law: ErrorLaw | None = None,
) -> tuple[float, float, float]:
    """Return the chances that one place is the better one, that the other is, and that neither holds.

    Parameters
    ----------
    room, other_room : DataArray
        Of the two places over the same hours, from the same members in the same order.
    margin, other_margin : ndarray
        Margin of the hour, ``(time, realization)`` [1].
    first, last : int
        Positions of the first and the last hour.
    law : ErrorLaw, optional
        By default wxfly's own.

    Returns
    -------
    tuple of float
        They add up to 1. A place is better when it holds and the other does not, or when both hold and its smallest
        margin is the larger, dressed with `MARGIN_DEVIATION`. Given the member, whether the places hold is taken as
        independent: an estimate of ours, too cautious for places near each other.
    """
    law = law or default_error_law()
    part, other_part = (r.isel(time=slice(first, last + 1)) for r in (room, other_room))
    if part.sizes[MEMBER] != other_part.sizes[MEMBER]:
        raise ValueError("the two places have different numbers of members")
    (held, weights), (other_held, _) = (_kept(p, law) for p in (part, other_part))
    lead = _smallest(margin[first : last + 1]) - _smallest(other_margin[first : last + 1])
    wins = normal_probability(lead / MARGIN_DEVIATION)
    both = held * other_held
    better = held * (1 - other_held) + both * wins
    worse = other_held * (1 - held) + both * (1 - wins)
    present = np.asarray(_present(part).all(axis=0) & _present(other_part).all(axis=0))
    shares = [_mean_over_members(weights @ v, present) for v in (better, worse)]
    # The rule of succession for three outcomes: none of them is told as impossible.
    least = law.least_of_single if part.sizes[MEMBER] == 1 else 1.0 / (int(shares[0][1]) + 3)
    first_better, other_better = (least + (1.0 - 3.0 * least) * float(share) for share, _ in shares)
    return first_better, other_better, 1.0 - first_better - other_better


def _smallest(margin: Array) -> Array:
    return np.asarray(np.where(np.isnan(margin), -1.0, margin).min(axis=0))


def _kept(part: xr.DataArray, law: ErrorLaw) -> tuple[Array, Array]:
    """Return whether all holds for each shift and member, and the chance of each shift."""
    values, weights = _of_shifts(part)
    kept = [_stretch(values[:, family].min(axis=1), law) for family in _positions(part)]
    return np.asarray(np.prod(kept, axis=0)), weights


def _stretch(values: Array, law: ErrorLaw) -> Array:
    """Return the chance that a stretch holds, from values with the axes shift, time and member."""
    return stretch_probability(values.swapaxes(0, 1), law.correlation)


def _values(room: xr.DataArray) -> Array:
    """Return the axes shift, element, time, member; a room without an error of timing has one shift."""
    room = room if SHIFT in room.dims else room.expand_dims(SHIFT)
    return np.asarray(room.transpose(SHIFT, "element", "time", MEMBER).values, dtype=float)


def _weights(room: xr.DataArray) -> Array:
    """Return the chance of each shift in each hour."""
    if SHIFT not in room.dims:
        return np.ones((1, room.sizes["time"]))
    return np.asarray(room["shift_chance"].transpose(SHIFT, "time").values, dtype=float)


def _of_shifts(part: xr.DataArray) -> tuple[Array, Array]:
    """Return the values of a stretch and the chance of each shift in it; shifts that do not happen are left out."""
    weights = _weights(part).mean(axis=1)
    happens = weights > _HARDLY
    return _values(part)[happens], weights[happens] / weights[happens].sum()


def _positions(room: xr.DataArray) -> list[list[int]]:
    """Return the rows of each family of errors; what is known beforehand is in none."""
    families: dict[Family, list[int]] = {}
    for row, name in enumerate(room["element"].values):
        families.setdefault(BY_NAME[str(name)].family, []).append(row)
    families.pop(Family.KNOWN, None)
    return list(families.values())


def _present(room: xr.DataArray) -> npt.NDArray[np.bool_]:
    """Tell which members reach to which hours: one that has ended by its nature does not speak against the hour."""
    shape = (room.sizes["time"], room.sizes[MEMBER])
    if "last_time" not in room.coords:
        return np.ones(shape, dtype=bool)
    return np.asarray(room["time"].values[:, None] < room["last_time"].values[None, :])


def _mean_over_members(held: Array, present: npt.NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return the mean over the members that are there, and how many there are."""
    members = present.sum(axis=-1)
    total = np.where(present, held, 0.0).sum(axis=-1)  # NaN in a member that is there stays NaN
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(members > 0, total / members, np.nan)), np.asarray(members)


def _bounded(chance: Array, members: Array, law: ErrorLaw | None, *, lower: bool = True) -> Array:
    law = law or default_error_law()
    least = np.where(members > 1, least_chance(np.maximum(members, 1)), law.least_of_single)
    return np.asarray(np.clip(chance, least if lower else 0.0, 1.0 - least))
