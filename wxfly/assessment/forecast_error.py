"""How wrong a forecast is by element and lead time, and what margin that leaves up to a limit.

The *standard margin* is the distance to a limit in standard deviations of the forecast's error: 0 at the limit,
negative beyond. The chance that a limit holds for an hour is the normal distribution at the standard margin.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.suitability import not_judged, required_names
from wxfly.cube.contract import FORECAST_MODEL, models_of
from wxfly.physics.air.precipitation import standard_margin_of_rate
from wxfly.physics.probability import dressing_deviation, normal_quantile, standardised
from wxfly.pilot.elements import BY_NAME, ELEMENTS, NAMES, ErrorKind, Family, shipped_figures
from wxfly.pilot.limit_rules import FULL_MARGIN, LimitSense

Array = npt.NDArray[np.float64]

MEMBER = "realization"
JUST_INSIDE = 0.2
"""Margin of a value that is just inside its limit [1]: a missing advised value is never shown as surer to hold."""
_LOGARITHM_OF_NOTHING = -20.0
_LEAST_SHOWN = 0.001
_MIDDLE_HALF = 1.349  # width of the middle half of a normal distribution, in standard deviations
MANY_MEMBERS = 10
"""From so many members on, their mean errs as that of an ensemble does; fewer err as one run. An estimate of ours."""


@dataclass(frozen=True)
class ErrorLaw:
    """The error of a forecast.

    Attributes
    ----------
    lead_hours : tuple of float
        At which the rows give a figure [h].
    rows : mapping
        By element, as in ``data/forecast_error.toml``.
    correlation : float
        Correlation of an error with that of the hour before.
    share_left : float
        What an ensemble leaves of a category's error.
    least_of_single : float
        Least chance reported from one forecast.
    factors : mapping
        By element, the record of the place over the default error; shown on every answer that uses it.
    timing : tuple of tuple of float
        Lead times [h], and the standard deviation of the error of timing at each [h].
    """

    lead_hours: tuple[float, ...]
    rows: Mapping[str, Mapping[str, Any]]
    correlation: float
    share_left: float
    least_of_single: float
    factors: Mapping[str, float]
    timing: tuple[tuple[float, ...], tuple[float, ...]]

    def of_forecast(self, models: Sequence[str], height: float, members: int) -> ErrorLaw:
        """Return the law of a forecast of the wind at a height.

        Parameters
        ----------
        models : sequence of str
            Whose; of several the one that errs most counts, and one without a row errs as the worst of the table.
        height : float
            Above ground [m]; below 10 m the error is that at 10 m.
        members : int
            How many; see `MANY_MEMBERS`.

        Returns
        -------
        ErrorLaw
            With the rows of wind and gust changed. Where the place has taught an error of its own, it counts in place
            of the model's.
        """
        wind, gust = self.rows["wind"], self.rows["gust"]
        by_name = {name: row["error"] for row in wind["model"] for name in row["names"]}
        other = max(row["error"] for row in wind["model"] if row.get("is_any_other"))
        usual = np.asarray(wind["error"], dtype=float)
        first = usual[0] if "wind" in self.factors else max(by_name.get(name, other) for name in models)
        growth = usual**2 - usual[0] ** 2
        grown = (max(height, 10.0) / 10.0) ** wind["height"]["exponent"]
        of_wind = np.sqrt(first**2 + growth) * grown
        of_gust = np.asarray(gust["error" if members >= MANY_MEMBERS else "error_of_single"], dtype=float)
        more = np.maximum(of_wind**2 - (gust["beside_wind"] ** 2 + growth), 0.0)
        changed = {
            "wind": {**wind, "error": tuple(of_wind)},
            "gust": {
                **gust,
                "error": tuple(np.sqrt(of_gust**2 + more)),
                "low": (gust["low"][0] * grown, gust["low"][1]),
            },
        }
        return replace(self, rows={**self.rows, **changed})

    def figure(self, element: str, key: str, lead_hours: npt.ArrayLike) -> Array:
        """Interpolate a figure of an element to lead times [h]."""
        values = np.interp(np.asarray(lead_hours, dtype=float), self.lead_hours, self.rows[element][key])
        return np.asarray(values * (self.factors.get(element, 1.0) if key == "error" else 1.0))

    def timing_deviation(self, lead_hours: npt.ArrayLike) -> Array:
        """Interpolate the standard deviation of the error of timing [h] to lead times [h]."""
        return np.asarray(np.interp(np.asarray(lead_hours, dtype=float), *self.timing))


@cache
def default_error_law() -> ErrorLaw:
    """Read the law that wxfly ships; each figure has its source in ``data/forecast_error.toml``."""
    table = shipped_figures()
    check_models(table)
    return ErrorLaw(
        lead_hours=tuple(table["lead_hours"]),
        rows={element.name: element.errors for element in ELEMENTS},
        correlation=table["hour_to_hour"]["correlation"],
        share_left=table["ensemble"]["share_left"],
        least_of_single=table["single"]["least"],
        factors={},
        timing=(tuple(table["timing"]["lead_hours"]), tuple(table["timing"]["deviation"])),
    )


def check_models(table: Mapping[str, Any]) -> None:
    """Refuse a table in which a model has no error: its wind would be reported as certain.

    Raises
    ------
    ValueError
        For a model without an error, one that is named twice, or no row for models that are not named.
    """
    models = table["wind"].get("model", [])
    names = [name for row in models for name in row["names"]]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice or not all(row["error"] > 0 for row in models):
        raise ValueError(f"forecast_error.toml: models need one error above 0 each; see {', '.join(twice) or names[0]}")
    if not any(row.get("is_any_other") for row in models):
        raise ValueError("forecast_error.toml has no row for models that it does not name; they would have no error")


def lead_time(time: npt.ArrayLike, run: np.datetime64) -> Array:
    """Return the lead time of hours [h].

    Parameters
    ----------
    time : array_like
        UTC.
    run : numpy.datetime64
        Start of the run, when the forecast was retrieved, or its first hour, as
        `wxfly.answer.briefing.age_counts_from` returns it.
        NaT when none of them is known: the lead is then infinite, so that the error is the largest of the law.
    """
    stamps = np.asarray(time).astype("datetime64[s]")
    if np.isnat(run):
        return np.full(stamps.shape, np.inf)
    start = run.astype("datetime64[s]")
    return np.asarray(np.maximum((stamps - start) / np.timedelta64(1, "h"), 0.0), dtype=float)


def hours_of_models(conditions: xr.Dataset) -> dict[str, npt.NDArray[np.bool_]]:
    """Return for each model which hours come from it; an hour is of the model at its start."""
    names = models_of(conditions)
    if FORECAST_MODEL not in conditions.coords:
        return {names[0]: np.ones(conditions.sizes["time"], dtype=bool)}
    codes = np.nan_to_num(conditions[FORECAST_MODEL].values).astype(int)
    return {name: codes == code for code, name in enumerate(names)}


def standard_margins(
    assessment: xr.Dataset,
    lead_hours: Array,
    *,
    height_deviation: xr.DataArray | None = None,
    gust_deviation: xr.DataArray | None = None,
    precipitation_rate: xr.DataArray | None = None,
    precipitation_probability: xr.DataArray | None = None,
    chances: Mapping[str, xr.DataArray] | None = None,
    spreads: Mapping[str, Array] | None = None,
    around: Mapping[str, xr.DataArray] | None = None,
    around_is_lost: xr.DataArray | None = None,
    law: ErrorLaw | None = None,
) -> xr.DataArray:
    """Return the standard margin up to every limit in every hour, for each member.

    Parameters
    ----------
    assessment : xarray.Dataset
        One place, as `wxfly.assessment.suitability.assess` returns it, with the dimension ``realization`` or
        without.
    lead_hours : ndarray
        Lead time of its hours [h].
    height_deviation : DataArray, optional
        Standard deviation of the height conversion of the wind [m s-1]. Dimensions of this and all others: time, and
        ``realization`` where there are members.
    gust_deviation : DataArray, optional
        The same of the gust; by default that of the wind.
    precipitation_rate : DataArray, optional
        The forecast rate [mm h-1]; by default the demand, in which a trace is rounded up.
    precipitation_probability : DataArray, optional
        Probability by the source [1]; used where there is one forecast only.
    chances : mapping of DataArray, optional
        Chance of a risk, by its name [1]; by default that of the grade.
    spreads : mapping of ndarray, optional
        Standard deviation that the source itself states, by element (`wxfly.probability.chance`); used where there is
        one forecast only.
    around : mapping of DataArray, optional
        Standard deviation that the surrounding cells of the model add, by element [m s-1].
    around_is_lost : DataArray, optional
        Where those cells are lost [1]: what they add then counts only for a value within its limit, so that a loss
        never brings one beyond it nearer.
    law : ErrorLaw, optional
        By default wxfly's own.

    Returns
    -------
    DataArray
        ``(element, time, realization)`` [1]: infinite for what is known or not judged; minus infinity where a required
        element is missing in one member of several; NaN where it is not known at all.
    """
    law = law or default_error_law()
    assessment = assessment if MEMBER in assessment["margin"].dims else assessment.expand_dims(MEMBER, axis=-1)
    order = ("element", "time", MEMBER)
    rows = assessment.isel(element=slice(len(NAMES)))  # the way back has an uncertainty of its own
    demand, limit, margin = (rows[n].transpose(*order).values for n in ("demand", "limit", "margin"))
    shape = demand.shape[1:]
    of_height_change = {"wind": _like(height_deviation, shape)}
    of_height_change["gust"] = of_height_change["wind"] if gust_deviation is None else _like(gust_deviation, shape)
    given, lost_cells = _like(precipitation_probability, shape), _like(around_is_lost, shape)
    if precipitation_rate is not None:
        demand = demand.copy()
        demand[NAMES.index("precipitation")] = _like(precipitation_rate, shape)
    lead = np.asarray(lead_hours, dtype=float)[:, None]
    lost = assessment["lost"].transpose(*order).values if "lost" in assessment else np.zeros(demand.shape, dtype=bool)
    skipped, required = not_judged(assessment), required_names(assessment)
    standard_margin = np.full(demand.shape, np.inf)
    for k, name in enumerate(NAMES):
        if name in skipped or BY_NAME[name].family is Family.KNOWN:
            continue
        of_height, of_source = of_height_change.get(name), (spreads or {}).get(name)
        of_cells = _added_by_cells((around or {}).get(name), lost_cells, margin[k])
        here = _standard_margin(name, demand[k], limit[k], margin[k], lead, law, of_height, of_source, of_cells)
        chance = _like((chances or {}).get(name), margin[k].shape)
        here = _with_reported(here, name, margin[k], lead, law, given, chance)
        if name in required:
            standard_margin[k] = _with_required_missing(here)
        else:
            standard_margin[k] = _with_lost(_with_advised_missing(here, name, limit[k], lead, law, of_height), lost[k])
    coords = {"element": list(NAMES), "time": assessment["time"].values}
    return xr.DataArray(standard_margin, dims=order, coords=coords, name="standard_margin")


def _with_lost(standard_margin: Array, lost: npt.NDArray[np.bool_]) -> Array:
    """Return a standard margin in which a member that has lost its inputs breaks the limit; NaN where all have."""
    return np.where(lost, np.where(lost.all(axis=1, keepdims=True), np.nan, -np.inf), standard_margin)


def _like(values: xr.DataArray | None, shape: tuple[int, ...]) -> Array | None:
    """Return values with axes time and member."""
    if values is None:
        return None
    found = values.variable.transpose(*(d for d in ("time", MEMBER) if d in values.dims)).values
    return np.broadcast_to(found if MEMBER in values.dims else found[:, None], shape)


def _added_by_cells(around: xr.DataArray | None, lost: Array | None, margin: Array) -> Array | None:
    """Return the deviation that surrounding cells add; where they are lost, only for values within the limit."""
    added = _like(around, margin.shape)
    return added if added is None or lost is None else np.where((lost == 1.0) & ~(margin >= 0), 0.0, added)


def _without_lost(spread: Array, margin: Array) -> Array:
    """Return a spread by time and member; an hour that has lost it takes the one that makes it least sure.

    That is the widest of all within the limit, and the narrowest beyond it.
    """
    known = np.asarray(spread, dtype=float)[:, None]
    return np.where(np.isnan(known), np.where(margin >= 0, np.nanmax(known), np.nanmin(known)), known)


def _standard_margin(
    name: str,
    demand: Array,
    limit: Array,
    margin: Array,
    lead: Array,
    law: ErrorLaw,
    of_height_change: Array | None,
    of_source: Array | None = None,
    around: Array | None = None,
) -> Array:
    """Return the standard margin of one element, axes time and member."""
    kind, sense = law.rows[name]["kind"], BY_NAME[name].sense
    if kind == ErrorKind.CATEGORY:
        return _margin_of_category(name, demand, margin, lead, law, demand.shape[1])
    if kind == ErrorKind.SQUARE_ROOT:
        return _margin_of_amount(name, demand, limit, lead, law, demand.shape[1])
    if kind == ErrorKind.LOGARITHMIC:
        with np.errstate(divide="ignore", invalid="ignore"):
            demand, limit = (np.maximum(np.log(v), _LOGARITHM_OF_NOTHING) for v in (demand, limit))
    deviation = deviation_left(name, demand, lead, law)
    is_thin = (
        _near(np.asarray(np.isnan(demand).any(axis=1)))
        if demand.shape[1] > 1
        else np.zeros(demand.shape[0], dtype=bool)
    )
    if is_thin.any():
        # The spread of the members that are left says nothing about the lost ones: the worst possible one counts.
        error = law.figure(name, "error", lead)
        deviation = np.where(is_thin[:, None], np.where(margin >= 0, error, law.share_left * error), deviation)
    if demand.shape[1] == 1 and of_source is not None and kind == ErrorKind.NORMAL:
        error, spread = law.figure(name, "error", lead), _without_lost(of_source, margin)
        deviation = np.hypot(spread, dressing_deviation(error, spread, law.share_left * error))
    for added in (of_height_change, around):
        if added is not None:
            deviation = np.hypot(deviation, np.where(np.isnan(added), 0.0, added))
    deviation = np.broadcast_to(deviation, demand.shape)
    if sense == LimitSense.WITHIN:
        # The limit is the nearer end of the band; the sign of the margin shows on which side of it the demand lies.
        standard_margin = np.where(margin >= 0, 1.0, -1.0) * np.abs(limit - demand) / deviation
        return np.where(np.isnan(margin), np.nan, standard_margin)
    if "low" in law.rows[name]:
        below, share = law.rows[name]["low"]
        demand = demand + share * np.maximum(below - demand, 0.0)
    if BY_NAME[name].rule.is_least:
        return standardised(-demand, deviation, -limit)
    return standardised(demand, deviation, limit)


def deviation_left(name: str, values: Array, lead: Array, law: ErrorLaw) -> Array:
    """Return the standard deviation of the error around each member: the whole of it where there is one forecast.

    Parameters
    ----------
    name : str
        Name of an element with an error.
    values : ndarray
        Its demand, ``(time, realization)``.
    lead : ndarray
        Lead time of the hours, ``(time, 1)`` [h].
    law : ErrorLaw
        Of the forecast.

    Returns
    -------
    ndarray
        ``(time, 1)``, in the unit of the element.
    """
    error = law.figure(name, "error", lead)
    return dressing_deviation(error, _spread(values), law.share_left * error) if values.shape[1] > 1 else error


def _spread(demand: Array) -> Array:
    """Return the spread of the members, as a variance averaged over the day around each hour.

    Of an hour the lesser of the variance and of what half of the members lie within counts: a few members far from all
    others say nothing of how near the others are to the truth, in that hour or in those around it.
    """
    with np.errstate(invalid="ignore"):
        known = np.isfinite(demand)
        count = known.sum(axis=1)
        mean = np.where(known, demand, 0.0).sum(axis=1) / np.maximum(count, 1)
        variance = np.where(known, (demand - mean[:, None]) ** 2, 0.0).sum(axis=1) / np.maximum(count - 1, 1)
    variance = np.minimum(variance, _variance_of_middle_half(np.where(known, demand, np.nan)))
    summed = np.concatenate(([0.0], np.cumsum(variance)))
    first = np.maximum(np.arange(variance.size) - 12, 0)
    last = np.minimum(np.arange(variance.size) + 13, variance.size)
    return np.asarray(np.sqrt((summed[last] - summed[first]) / (last - first))[:, None], dtype=float)


def _variance_of_middle_half(values: Array) -> Array:
    """Return the variance of the normal distribution whose quartile is as near to the middle as that of the members.

    The nearer quartile counts, so that up to half of the members may lie far off on one side; infinite with fewer than
    three that know.
    """
    ordered = np.sort(values, axis=1)  # NaN last
    count = np.isfinite(values).sum(axis=1)
    at = np.maximum(count - 1, 0)
    rows = np.arange(values.shape[0])

    def quantile(share: float) -> Array:
        place = share * at
        low = np.floor(place).astype(int)
        high = np.minimum(low + 1, at)
        return np.asarray(ordered[rows, low] + (place - low) * (ordered[rows, high] - ordered[rows, low]))

    middle = quantile(0.5)
    deviation = 2.0 * np.minimum(quantile(0.75) - middle, middle - quantile(0.25)) / _MIDDLE_HALF
    return np.where(count > 2, deviation**2, np.inf)


def _margin_of_amount(name: str, demand: Array, limit: Array, lead: Array, law: ErrorLaw, members: int) -> Array:
    """Return the standard margin of an amount: mostly nothing, so that its members' spread says little of its error."""
    row = law.rows[name]
    error = law.figure(name, "error", lead) * (row["share_left"] if members > 1 else 1.0)
    return standard_margin_of_rate(demand, limit, error, row["growth"])


def _near(flags: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Return which hours have a flagged one within the day around them that a spread is averaged over."""
    count = np.concatenate(([0], np.cumsum(flags)))
    at = np.arange(flags.size)
    return np.asarray(count[np.minimum(at + 13, flags.size)] > count[np.maximum(at - 12, 0)])


def _margin_of_category(name: str, demand: Array, margin: Array, lead: Array, law: ErrorLaw, members: int) -> Array:
    """Return the standard margin of what either happens or does not."""
    left = law.share_left if members > 1 else 1.0
    missed, false, possible = (law.figure(name, key, lead) for key in ("missed", "false", "possible"))
    keeps, breaks, doubtful = (normal_quantile(v) for v in (1.0 - missed * left, false * left, 1.0 - possible))
    is_possible = demand == 1.0 if BY_NAME[name].sense == LimitSense.GRADE else np.zeros(demand.shape, dtype=bool)
    standard_margin = np.where(margin >= 0, keeps, breaks)
    standard_margin = np.where(is_possible, doubtful, standard_margin)
    return np.where(np.isnan(margin), np.nan, standard_margin)


def _margin_of_chance(name: str, chance: Array, lead: Array, law: ErrorLaw, given: Array | None = None) -> Array:
    """Return the standard margin of a risk with a chance: never surer than that it is missed, or is a false alarm.

    As far as the source gives a probability of the risk, it is not taken as a false alarm.
    """
    left = law.share_left if chance.shape[1] > 1 else 1.0
    missed, false = (law.figure(name, key, lead) * left for key in ("missed", "false"))
    most = 1.0 - false if given is None else np.fmin(np.fmax(1.0 - false, np.minimum(chance, given)), 1.0 - missed)
    return normal_quantile(1.0 - np.clip(chance, missed, most))


def _with_reported(
    standard_margin: Array,
    name: str,
    margin: Array,
    lead: Array,
    law: ErrorLaw,
    given: Array | None,
    risk: Array | None,
) -> Array:
    """Return the standard margin with the probability of precipitation and the chance of a risk, where any."""
    given = given if margin.shape[1] == 1 else None
    if name == "precipitation" and given is not None:
        stated = -normal_quantile(np.clip(given, _LEAST_SHOWN, 1.0 - _LEAST_SHOWN))
        standard_margin = np.where(np.isnan(stated), standard_margin, np.minimum(standard_margin, stated))
    if risk is None:
        return standard_margin
    # In one forecast, icing follows the probability of precipitation, which already includes its own error.
    least = given if name == "icing" else None
    return _margin_of_chance(name, np.where(np.isnan(margin), np.nan, risk), lead, law, least)


def _with_required_missing(standard_margin: Array) -> Array:
    """A missing required value breaks a member; missing in all of them, nothing is known."""
    unknown = np.isnan(standard_margin)
    nobody = unknown.all(axis=1, keepdims=True)
    return np.where(nobody, np.nan, np.where(unknown, -np.inf, standard_margin))


def _with_advised_missing(
    standard_margin: Array, name: str, limit: Array, lead: Array, law: ErrorLaw, of_height_change: Array | None
) -> Array:
    """A missing advised value counts as its usual chance, and never as surer than a known one just inside its limit."""
    unknown = np.isnan(standard_margin)
    if not unknown.any():
        return standard_margin
    usual = float(normal_quantile(1.0 - law.rows[name].get("not_known", 0.2)))
    just_inside = _margin_just_inside(name, limit, lead, law, of_height_change)
    return np.where(unknown, np.fmin(usual, just_inside), standard_margin)


def _margin_just_inside(name: str, limit: Array, lead: Array, law: ErrorLaw, of_height_change: Array | None) -> Array:
    """Return the standard margin of a value with the margin `JUST_INSIDE`, from one forecast; NaN where unknown."""
    kind, sense = law.rows[name]["kind"], BY_NAME[name].sense
    if kind == ErrorKind.CATEGORY:
        key = "possible" if sense == LimitSense.GRADE else "missed"
        return normal_quantile(1.0 - law.figure(name, key, lead))
    if sense == LimitSense.WITHIN:
        return np.broadcast_to(JUST_INSIDE * FULL_MARGIN / law.figure(name, "error", lead), limit.shape)
    if kind == ErrorKind.SQUARE_ROOT:
        return _margin_of_amount(name, (1.0 - JUST_INSIDE) * limit, limit, lead, law, 1)
    error = law.figure(name, "error", lead)
    if of_height_change is not None:
        error = np.hypot(error, np.where(np.isnan(of_height_change), 0.0, of_height_change))
    # What `wxfly.assessment.suitability` takes as margin: 1 - demand / limit, or 1 - limit / demand.
    share = 1.0 / (1.0 - JUST_INSIDE) if BY_NAME[name].rule.is_least else 1.0 - JUST_INSIDE
    if kind == ErrorKind.LOGARITHMIC:
        return np.asarray(abs(np.log(share)) / error)
    return np.asarray(np.abs(1.0 - share) * np.abs(limit) / error)
