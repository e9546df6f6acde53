"""The chance that every limit holds: for an hour, for a window, and against another place.

Each member of an ensemble goes through the whole chain; what it does not know is an error around it, linked
from hour to hour and from element to element (`wxfly.assessment.forecast_error`), and an error of timing, by which all
of its weather comes earlier or later (`with_timing`). A member keeps a window when every element
keeps its limit in every hour of it; the chance is the mean over the members, never the product over hours.
With one forecast the same error, at its full size, is all there is, and the chance is marked as weaker.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.forecast_error import MEMBER, ErrorLaw, default_error_law
from wxfly.physics.probability import (
    least_chance,
    normal_probability,
    normal_quantile,
    shift_chances,
    stretch_probability,
)
from wxfly.pilot.elements import BY_NAME, Family

SHIFT = "shift"
"""Dimension: number of hours by which the weather comes later than forecast."""
REACH = 3
"""Most hours of a shift that are told apart."""
BESIDE = np.timedelta64(REACH, "h")
"""Hours that are needed before and after those asked about."""


def with_timing(padded: xr.DataArray, lead_hours: npt.ArrayLike, law: ErrorLaw) -> xr.DataArray:
    """Return the standard margin of every hour for every shift of the weather in time.

    Parameters
    ----------
    padded : DataArray
        Standard margin ``(element, time, realization)`` as `wxfly.assessment.forecast_error.standard_margins` returns
        it, with `REACH` hours more on either side.
    lead_hours : array_like
        Lead time of the hours that are asked about [h].
    law : ErrorLaw
        Its error of timing grows with the lead.

    Returns
    -------
    DataArray
        ``(shift, element, time, realization)`` of the hours asked about, with the chance of each shift as coordinate
        ``shift_chance`` (shift, time). Where an hour beside is not known, its shift breaks the limit: what is not known
        never makes an hour surer. A member that has ended by its nature stands there as in the hour itself.
    """
    values = np.asarray(padded.transpose("element", "time", MEMBER).values, dtype=float)
    hours = values.shape[1] - 2 * REACH
    own = values[:, REACH : REACH + hours]
    time = padded["time"].values[REACH : REACH + hours]
    shifts = np.arange(-REACH, REACH + 1)
    moved = np.stack([own if s == 0 else _moved(values, own, padded, int(s)) for s in shifts])
    return xr.DataArray(
        moved,
        dims=(SHIFT, "element", "time", MEMBER),
        coords={
            **{name: padded[name].variable for name in ("last_time",) if name in padded.coords},
            SHIFT: shifts,
            "element": padded["element"].values,
            "time": time,
            "shift_chance": ((SHIFT, "time"), shift_chances(law.timing_deviation(lead_hours), REACH)),
        },
        name=padded.name,
    )


def _moved(values: Array, own: Array, padded: xr.DataArray, shift: int) -> Array:
    """Return the standard margin when the weather comes so many hours later: that of so many hours before."""
    first = REACH - shift
    there = values[:, first : first + own.shape[1]]
    there = np.where(np.isnan(there), -np.inf, there)
    if "last_time" not in padded.coords:
        return there
    stamps = padded["time"].values[first : first + own.shape[1]]
    has_ended = stamps[:, None] >= padded["last_time"].values[None, :]
    return np.where(has_ended, own, there)


Array = npt.NDArray[np.float64]

MARGIN_DEVIATION = 0.17
"""Standard deviation of the difference of two places' margins [1]: the error of 2 m/s that an ensemble leaves of a
gust, at a limit of 12 m/s, half of it shared by the places. An estimate of ours."""
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
"""Chances from which a stretch is shown as firm and as open; below, it is faint. An estimate of ours."""


class OutlookKind(StrEnum):
    """How a chance is shown, from the largest on."""

    FIRM = "firm"
    OPEN = "open"
    FAINT = "faint"
    NOT_KNOWN = "not known"


def kind_of(chance: float) -> OutlookKind:
    """Return how a chance is shown; not known for NaN."""
    if np.isnan(chance):
        return OutlookKind.NOT_KNOWN
    return OutlookKind.FIRM if chance >= FIRM else OutlookKind.OPEN if chance >= OPEN else OutlookKind.FAINT


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
        Chance that every limit holds all along.
    """

    start: np.datetime64
    end: np.datetime64
    first: int
    last: int
    chance: Chance

    @property
    def kind(self) -> OutlookKind:
        """How its chance is shown."""
        return kind_of(self.chance.value)


@dataclass(frozen=True)
class MarginArrays:
    """The standard margin of a site as plain arrays, taken once for all of its stretches.

    Attributes
    ----------
    values : ndarray
        Axes shift, element, time, member; a standard margin without an error of timing has one shift.
    weights : ndarray
        Chance of each shift in each hour, axes shift and time.
    at : int
        Position of the weather that comes when it is forecast.
    present : ndarray
        Which members reach to which hours, axes time and member: one that has ended by its nature does not count
        against the hour.
    families : list of list of int
        Rows of each family of errors; what is known beforehand is in none.
    names : list of str
        Elements of the rows.
    """

    values: Array
    weights: Array
    at: int
    present: npt.NDArray[np.bool_]
    families: list[list[int]]
    names: list[str]

    @classmethod
    def of(cls, standard_margin: xr.DataArray) -> MarginArrays:
        """Take a standard margin apart."""
        at, weights = 0, np.ones((1, standard_margin.sizes["time"]))
        if SHIFT in standard_margin.dims:
            at = int(np.flatnonzero(standard_margin.coords[SHIFT].values == 0)[0])
            weights = np.asarray(standard_margin["shift_chance"].transpose(SHIFT, "time").values, dtype=float)
        else:
            standard_margin = standard_margin.expand_dims(SHIFT)
        present = np.ones((standard_margin.sizes["time"], standard_margin.sizes[MEMBER]), dtype=bool)
        if "last_time" in standard_margin.coords:
            present = np.asarray(standard_margin["time"].values[:, None] < standard_margin["last_time"].values[None, :])
        names = [str(name) for name in standard_margin["element"].values]
        families: dict[Family, list[int]] = {}
        for row, name in enumerate(names):
            families.setdefault(BY_NAME[name].family, []).append(row)
        families.pop(Family.KNOWN, None)
        values = np.asarray(standard_margin.transpose(SHIFT, "element", "time", MEMBER).values, dtype=float)
        return cls(values, weights, at, present, list(families.values()), names)

    def stretch(self, first: int, last: int) -> MarginArrays:
        """Return the same of a stretch, with one chance for each shift in it; those that do not happen are left out."""
        hours = slice(first, last + 1)
        weights = self.weights[:, hours].mean(axis=1)
        happens = (weights > _HARDLY) | (np.arange(weights.size) == self.at)
        return MarginArrays(
            self.values[:, :, hours][happens],
            weights[happens] / weights[happens].sum(),
            int(happens[: self.at].sum()),
            np.asarray(self.present[hours].all(axis=0)),
            self.families,
            self.names,
        )


def hour_chances(standard_margin: xr.DataArray, *, law: ErrorLaw | None = None) -> xr.DataArray:
    """Return the chance that every limit holds, for each hour by itself.

    Parameters
    ----------
    standard_margin : DataArray
        As `wxfly.assessment.forecast_error.standard_margins` or `wxfly.probability.chance.with_timing` gives it.
    law : ErrorLaw, optional
        By default wxfly's own.

    Returns
    -------
    DataArray
        Dimension time, 0 to 1, bounded; NaN where a required element is not known.
    """
    arrays = MarginArrays.of(standard_margin)
    held = np.ones((arrays.values.shape[0], *arrays.values.shape[2:]))
    for family in arrays.families:
        held = held * normal_probability(arrays.values[:, family].min(axis=1))
    held = (arrays.weights[..., None] * _no_surer(held, arrays.at)).sum(axis=0)
    chance, members = _mean_over_members(held, arrays.present)
    return xr.DataArray(
        _bounded(chance, members, law), dims="time", coords={"time": standard_margin["time"]}, name="chance"
    )


def window_chance(
    standard_margin: xr.DataArray | MarginArrays,
    first: int,
    last: int,
    *,
    law: ErrorLaw | None = None,
    with_causes: bool = True,
) -> Chance:
    """Return the chance that every limit holds in every hour of a window, and what may break one.

    Parameters
    ----------
    standard_margin : DataArray or MarginArrays
        As `wxfly.assessment.forecast_error.standard_margins` or `wxfly.probability.chance.with_timing` gives it; its
        arrays where many windows are asked for.
    first, last : int
        Positions of the first and the last hour of the window.
    law : ErrorLaw, optional
        By default wxfly's own.
    with_causes : bool, optional
        Whether causes are worked out; without them it is several times faster.
    """
    law = law or default_error_law()
    part = (standard_margin if isinstance(standard_margin, MarginArrays) else MarginArrays.of(standard_margin)).stretch(
        first, last
    )
    values, weights, at, present, families, names = (
        part.values, part.weights, part.at, part.present, part.families, part.names,
    )  # fmt: skip
    kept = _stretches([values[:, family].min(axis=1) for family in families], law)
    all_kept = _no_surer(np.prod(kept, axis=0), at)
    chance, members = _mean_over_members(weights @ all_kept, present)
    causes = []
    for position, family in enumerate(families if with_causes else []):
        others = np.prod([k for i, k in enumerate(kept) if i != position], axis=0)
        for k in family:
            if not (values[:, k] < 6.0).any():
                continue  # no uncertainty anywhere
            alone = _no_surer(kept[position] if len(family) == 1 else _stretch(values[:, k], law), at)
            rest = [m for m in family if m != k]
            without = _stretch(values[:, rest].min(axis=1), law) if rest else 1.0
            share = float(_bounded(_mean_over_members(weights @ (1.0 - alone), present)[0], members, law, lower=False))
            sole = float(_mean_over_members(weights @ (_no_surer(others * without, at) - all_kept), present)[0])
            if share >= _NOTHING:
                causes.append(Cause(names[k], share, max(sole, 0.0)))
    causes.sort(key=lambda cause: -cause.share)
    bounded = float(_bounded(np.asarray(chance), np.asarray(members), law))
    return Chance(bounded, int(members), values.shape[-1] == 1, tuple(causes))


class ChanceOfBetter(NamedTuple):
    """Chances of what a comparison of two places comes to; they add up to 1, NaN where something is not known."""

    first: float
    second: float
    neither: float
    equal: float


def error_correlation(distance: float) -> float:
    """Return the correlation of the errors of forecasts for two places [1].

    One at the same place, whatever the height; it falls with the distance to 0.95 at 10 km and 0.08 at 500 km.

    Parameters
    ----------
    distance : float
        Distance between the places [km].

    Notes
    -----
    An exponential law with `ERROR_LENGTH`. Errors of wind forecasts are correlated over some hundred kilometres
    [Focken et al. 2002, J. Wind Eng. Ind. Aerodyn. 90, 231-246; from memory]; the figure is an estimate of ours.
    """
    return float(np.exp(-distance / ERROR_LENGTH))


ERROR_LENGTH = 200.0
"""Correlation length of the errors of two places [km]."""
EQUAL = 0.005
"""Smallest margins that are nearer to each other than this are equal [1]: they are written in hundredths."""


def chance_of_better(
    standard_margin: xr.DataArray,
    margin: Array,
    other_standard_margin: xr.DataArray,
    other_margin: Array,
    first: int,
    last: int,
    *,
    distance: float,
    law: ErrorLaw | None = None,
) -> ChanceOfBetter:
    """Return the chances that one place is the better one, that the other is, that neither holds, that they are equal.

    Parameters
    ----------
    standard_margin, other_standard_margin : DataArray
        Standard margin of the two places over the same hours, from the same members in the same order.
    margin, other_margin : ndarray
        Margin of the hour, ``(time, realization)`` [1].
    first, last : int
        Positions of the first and the last hour.
    distance : float
        Distance between the places [km].
    law : ErrorLaw, optional
        By default wxfly's own.

    Returns
    -------
    ChanceOfBetter
        A place is better when it holds and the other does not, or when both hold and its smallest margin is larger by
        more than `EQUAL`. Given the member, what is left of the error is shared by the places as far as
        `error_correlation` says: in that part both break together or the less sure one alone; in the rest each breaks
        by itself, and margins are dressed with `MARGIN_DEVIATION`.
    """
    law = law or default_error_law()
    part, other_part = (MarginArrays.of(r).stretch(first, last) for r in (standard_margin, other_standard_margin))
    if part.present.size != other_part.present.size:
        raise ValueError("the two places have different numbers of members")
    shared = error_correlation(distance)
    (held, weights), (other_held, _) = (_kept(p, law) for p in (part, other_part))
    lead = _smallest(margin[first : last + 1]) - _smallest(other_margin[first : last + 1])
    deviation = MARGIN_DEVIATION * np.sqrt(1.0 - shared)
    wins, loses = (_beyond(difference, deviation) for difference in (lead, -lead))
    both = shared * np.minimum(held, other_held) + (1.0 - shared) * held * other_held
    better = held - both + both * wins
    worse = other_held - both + both * loses
    equal = both * (1.0 - wins - loses)
    present = part.present & other_part.present
    shares = [_mean_over_members(weights @ v, present) for v in (better, worse, equal)]
    # The rule of succession for four outcomes: none of them counts as impossible.
    least = law.least_of_single if part.present.size == 1 else 1.0 / (int(shares[0][1]) + 4)
    first_better, other_better, neither_better = (least + (1.0 - 4.0 * least) * float(share) for share, _ in shares)
    return ChanceOfBetter(
        first_better, other_better, 1.0 - first_better - other_better - neither_better, neither_better
    )


def _beyond(difference: Array, deviation: float) -> Array:
    """Return the chance that a difference of margins with this deviation is larger than `EQUAL`."""
    beyond = difference - EQUAL
    if deviation == 0.0:
        return np.asarray(beyond > 0.0, dtype=float)
    return np.asarray(normal_probability(beyond / deviation))


def _smallest(margin: Array) -> Array:
    return np.asarray(np.where(np.isnan(margin), -1.0, margin).min(axis=0))


def _kept(part: MarginArrays, law: ErrorLaw) -> tuple[Array, Array]:
    """Return whether all holds for each shift and member, and the chance of each shift."""
    kept = _stretches([part.values[:, family].min(axis=1) for family in part.families], law)
    return _no_surer(np.prod(kept, axis=0), part.at), part.weights


def _no_surer(held: npt.ArrayLike, at: int) -> Array:
    """Return the chances that all holds, by shift first, none larger than without a shift, which has the position `at`.

    Weather that comes earlier or later may break what is forecast to hold. It never makes an hour surer whose own
    forecast is over a limit.
    """
    values = np.asarray(held, dtype=float)
    return np.asarray(np.minimum(values, values[at]))


def _stretch(values: Array, law: ErrorLaw) -> Array:
    """Return the chance that a stretch holds, from values with the axes shift, time and member."""
    return stretch_probability(values.swapaxes(0, 1), law.correlation)


def _stretches(values: list[Array], law: ErrorLaw) -> list[Array]:
    """Return the chance of each of several stretches as `_stretch` does, all in one go."""
    if not values:
        return []
    return list(stretch_probability(np.stack(values, axis=1).transpose(2, 1, 0, 3), law.correlation))


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


KEEP_STEP = 0.10
"""The chosen window is kept unless another is better by more than this chance: an estimate of ours."""


def keeps_choice(chosen: float, best: float, step: float = KEEP_STEP) -> bool:
    """Return whether to stay with the window chosen before: unless another has gained more than a step on it.

    Parameters
    ----------
    chosen, best : float
        Chance of the window chosen before and of the best one now; a chosen one that is not known is not kept.
    step : float, optional
        [1]
    """
    return best - chosen <= step


def jumpiness(values: npt.ArrayLike) -> float:
    """Return how much an answer changed back and forth over the runs, [Griffiths2019].

    Parameters
    ----------
    values : array_like
        The chance of the same hour from run to run, at least three.

    Returns
    -------
    float
        ``(sum of |change| - range) / (N - 2)``; 0 for one that only rose or only fell; NaN for fewer than three.
    """
    chances = np.asarray(values, dtype=float)
    if chances.size < 3:
        return float("nan")
    return float((np.abs(np.diff(chances)).sum() - (chances.max() - chances.min())) / (chances.size - 2))


PERCENTILES = {
    "wind": ("wind_speed_percentile_10", "wind_speed_percentile_90"),
    "temperature": ("air_temperature_percentile_10", "air_temperature_percentile_90"),
}
"""Variables of the cube with percentiles, by element."""
_WIDTH = 2.0 * float(normal_quantile(0.9))
_CALM = 0.5  # [m s-1]: below, the ratio of two winds says nothing
_LARGEST_RATIO = 3.0


def spreads_of(cube: xr.Dataset | None, conditions: xr.Dataset) -> dict[str, Array]:
    """Return the standard deviation of wind, gust and temperature by the percentiles of a source.

    Parameters
    ----------
    cube : xarray.Dataset or None
        The one forecast at the site.
    conditions : xarray.Dataset
        Its hours at flight height.

    Returns
    -------
    dict of ndarray
        By element, for each hour, the larger of its two edges [m s-1] or [K]; NaN where an hour has none though others
        do. Empty where the source gives no percentiles at all. Wind and gust at flight height take the spread at
        10 m by the ratio of the winds, never less than at 10 m.
    """
    found: dict[str, Array] = {}
    if cube is None:
        return found
    time = conditions["time"].values
    for element, (low, high) in PERCENTILES.items():
        if low in cube and high in cube:
            width = np.maximum(_at_edges(cube[high], time) - _at_edges(cube[low], time), 0.0)
            deviation = width.max(axis=0) / _WIDTH
            if np.isfinite(deviation).any():
                found[element] = deviation
    if "wind" in found:
        at_ground = _at_edges(cube["wind_speed"].sel(height=10.0), time).max(axis=0)
        at_ground = np.where(at_ground > _CALM, at_ground, np.nan)
        ratios = {
            name: conditions[variable].max("edge").values / at_ground
            for name, variable in (("wind", "wind_speed"), ("gust", "wind_speed_of_gust"))
        }
        deviation = found["wind"]
        for name, ratio in ratios.items():
            found[name] = deviation * np.clip(np.nan_to_num(ratio, nan=1.0), 1.0, _LARGEST_RATIO)
    return {name: values for name, values in found.items() if (values > 0).any()}


def _at_edges(values: xr.DataArray, time: npt.NDArray[np.datetime64]) -> Array:
    """Return the instants at both edges of each hour."""
    edges = [time, time + np.timedelta64(1, "h")]
    return np.stack([values.reindex(time=edge).values for edge in edges])
