"""How sure an answer is: the members of ensembles judged for one site, what they lack, and what they say together.

Without an ensemble the one forecast stands for itself, with the whole of its usual error, and the answer is marked as
weaker. What an ensemble does not provide at all (Kp, often visibility) is taken from the one forecast, the same for
every member, with the whole of its usual error too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.conditions import derive, derive_flight, hours_of, of_each_model, of_phase
from wxfly.assessment.forecast_error import (
    MEMBER,
    ErrorLaw,
    default_error_law,
    deviation_left,
    hours_of_models,
    lead_time,
    standard_margins,
)
from wxfly.assessment.hours import HOUR, HourValues
from wxfly.assessment.suitability import JUDGED, REQUIRED, assess, not_judged, required_names
from wxfly.assessment.wind_at_height import WindAloft
from wxfly.cube.contract import (
    FORECAST_MODEL,
    PROVIDED,
    VARIABLES,
    as_members,
    covers_hours,
    hours_of_members,
    lost_members,
    mark_provided,
    models_of,
    provided_entries,
    read_entries,
    state_spans,
    stated_text,
)
from wxfly.cube.joined import provided_by_model, with_models_of
from wxfly.cube.notes import Note, NoteKind
from wxfly.physics.probability import normal_quantile
from wxfly.pilot.elements import BY_NAME, ELEMENTS, NAMES
from wxfly.pilot.limits import Limits
from wxfly.pilot.site import Site, SiteClock
from wxfly.probability.chance import (
    BESIDE,
    REACH,
    SHIFT,
    Chance,
    MarginArrays,
    hour_chances,
    spreads_of,
    window_chance,
    with_timing,
)

if TYPE_CHECKING:
    from wxfly.flight.sortie import Sortie

Array = npt.NDArray[np.float64]

BAND = (0.0, 0.1, 0.5, 0.9, 1.0)
"""Shares of the members below the lines of the band: lowest, a tenth, the middle, nine tenths, highest."""
_DEVIATIONS = ("wind_standard_deviation", "gust_standard_deviation")
_OF_CELLS, _CELLS_LOST = {"wind": "wind_deviation_of_cells", "gust": "gust_deviation_of_cells"}, "cells_are_lost"
"""What the cells around a site add to the error of an element, by its name; absent from a forecast without such
cells."""
_BANDS = ("wind_speed", "wind_speed_of_gust")
_CAPE, _INHIBITION = "atmosphere_convective_available_potential_energy", "atmosphere_convective_inhibition"
_RATE = "forecast_precipitation_rate"
_JETS = {"wind": "wind_jet_chance", "gust": "gust_jet_chance"}
_SIGNS = "icing_chance_by_signs"
_LEAST_SHOWN = 0.001
_CHANCES = {element.name: element.chance for element in ELEMENTS if element.chance}


@dataclass(frozen=True, kw_only=True)
class SiteChance:
    """How sure the answer for one site is.

    Attributes
    ----------
    hours : DataArray
        Chance for each hour by itself, dimension time.
    standard_margin : DataArray
        Standard margin up to every limit (shift, element, time, realization), for chances of stretches.
    margin : ndarray
        Margin of the hour for every member, ``(time, realization)``; NaN where not known.
    band : Dataset or None
        ``wind_speed`` and ``wind_speed_of_gust`` at flight height (time, share), `BAND`; None for one forecast.
    members : int
        How many members there are in all; 1 for one forecast.
    models : tuple of str
        Models of the members.
    notes : tuple of Note
        What is missing of the ensembles.
    law : ErrorLaw
        Error law with which the forecasts were dressed.
    lead_hours : ndarray
        Lead time of each hour [h].
    by_percentiles : tuple of str
        Elements whose spread is from percentiles that the source of the one forecast gives.
    """

    hours: xr.DataArray
    standard_margin: xr.DataArray
    margin: Array
    band: xr.Dataset | None
    members: int
    models: tuple[str, ...]
    notes: tuple[Note, ...]
    law: ErrorLaw
    lead_hours: Array
    by_percentiles: tuple[str, ...] = ()

    @property
    def is_weak(self) -> bool:
        """Whether it is from a single forecast."""
        return self.members == 1

    def of(self, first: int, last: int, *, with_causes: bool = True) -> Chance:
        """Return the chance of the hours from one position to another, and what may break a limit in them."""
        return window_chance(self.arrays, first, last, law=self.law, with_causes=with_causes)

    @cached_property
    def arrays(self) -> MarginArrays:
        """The standard margin as plain arrays, for all stretches."""
        return MarginArrays.of(self.standard_margin)

    def of_elements(self, first: int, last: int) -> dict[str, float]:
        """Return by element the chance that it breaks its limit in these hours [1], without the error of timing."""
        stated = window_chance(self.standard_margin.sel({SHIFT: 0}, drop=True), first, last, law=self.law)
        return {cause.element: cause.share for cause in stated.causes}


def judge_site_chance(
    conditions: xr.Dataset,
    assessment: xr.Dataset,
    run: np.datetime64,
    *,
    height: float,
    site: Site,
    limits: Limits,
    central: xr.Dataset | None = None,
    ensembles: Sequence[xr.Dataset] = (),
    law: ErrorLaw | None = None,
    sortie: Sortie | None = None,
    at_return: xr.Dataset | None = None,
    return_height: float | None = None,
) -> SiteChance:
    """Judge how sure the hours of one site are.

    Parameters
    ----------
    conditions, assessment : xarray.Dataset
        Hours of the one forecast, at flight height.
    run : numpy.datetime64
        Run of the one forecast; NaT where unknown. Lead times count from it.
    height, site, limits
        As the one forecast was judged.
    central : xarray.Dataset, optional
        The cube of the one forecast at the site, for what an ensemble does not provide.
    ensembles : sequence of xarray.Dataset, optional
        Cubes at the site, each of one model: with the dimension ``realization``, or a single forecast as one member.
    law : ErrorLaw, optional
        By default wxfly's own.
    sortie : Sortie, optional
        The planned flight; its way back then enters the chance, for every member its own.
    at_return : xarray.Dataset, optional
        The hours of the one forecast at the return height, with a sortie.
    return_height : float, optional
        Height of the way back above ground [m].
    """
    models = tuple(name for cube in ensembles or (conditions,) for name in models_of(cube))
    members = sum(cube.sizes.get(MEMBER, 1) for cube in ensembles)
    given, highest = law or default_error_law(), max(height, return_height or 0.0)
    law = given.of_forecast(models, highest, members)
    flight = _Flight(
        run=run,
        time=assessment["time"].values,
        height=height,
        return_height=return_height,
        site=site,
        limits=limits,
        central=central,
    )
    if ensembles:
        return _of_members(flight, ensembles, models, law, sortie)
    laws = {name: given.of_forecast((name,), highest, members) for name in models}
    return _of_one_forecast(flight, conditions, assessment, law, laws, sortie, at_return)


@dataclass(frozen=True, kw_only=True)
class _Flight:
    """The hours that are asked about, and how those of any forecast or member are worked out and judged."""

    run: np.datetime64
    time: npt.NDArray[np.datetime64]
    height: float
    return_height: float | None
    site: Site
    limits: Limits
    central: xr.Dataset | None

    @property
    def lead(self) -> Array:
        """Lead time of each hour [h]."""
        return lead_time(self.time, self.run)

    def hours_of(self, cube: xr.Dataset) -> HourValues:
        """Return the hours of a cube, with those beside the asked ones that an error of timing brings in."""
        return hours_of(cube, start=self.time[0] - BESIDE, end=self.time[-1] + HOUR + BESIDE)

    def conditions(self, hours: HourValues) -> xr.Dataset:
        """Return conditions at flight height, with low-level jets up to the highest height of the flight."""
        found = derive_flight(
            hours, height=self.height, site=self.site, limits=self.limits, return_height=self.return_height
        )
        return add_jets(found, hours, max(self.height, self.return_height or 0.0), self.site, self.limits)

    def judge(self, conditions: xr.Dataset) -> xr.Dataset:
        """Compare with the limits; what a chosen confidence adds to wind and gust is in the error already."""
        return assess(conditions, replace(self.limits, confidence=0.5))


def _of_one_forecast(
    flight: _Flight,
    conditions: xr.Dataset,
    assessment: xr.Dataset,
    law: ErrorLaw,
    laws: Mapping[str, ErrorLaw],
    sortie: Sortie | None,
    at_return: xr.Dataset | None,
) -> SiteChance:
    """Judge one forecast by the usual error of the model of each hour."""
    central, lead = flight.central, flight.lead
    judged = assessment if flight.limits.confidence == 0.5 else flight.judge(conditions)
    spreads = spreads_of(central, conditions)
    standard_margin = _margins_of_one(conditions, judged, lead, spreads, laws)
    if sortie is not None and at_return is not None:
        error = np.empty(lead.shape)
        for name, here in hours_of_models(conditions).items():
            error[here] = laws[name].figure("wind", "error", lead[here])
        standard_margin = _with_return_leg(
            standard_margin, _return_leg(conditions, at_return, sortie, error)["standard_margin"]
        )
    if central is None:
        standard_margin = _put_beside(standard_margin, None)
    else:
        there = flight.conditions(flight.hours_of(central))
        at = lead_time(there["time"].values, flight.run)
        around = _margins_of_one(there, flight.judge(there), at, spreads_of(central, there), laws)
        standard_margin = below_jets(_put_beside(standard_margin, around), there.max("edge", skipna=False))
    standard_margin = with_timing(standard_margin, lead, law)
    margin = assessment["hour_margin"].values[:, None]
    models = tuple(laws)
    return SiteChance(
        hours=hour_chances(standard_margin, law=law),
        standard_margin=standard_margin,
        margin=margin,
        band=None,
        members=1,
        models=models,
        notes=(),
        law=law,
        lead_hours=lead,
        by_percentiles=tuple(sorted(spreads)),
    )


def _of_members(
    flight: _Flight, ensembles: Sequence[xr.Dataset], models: tuple[str, ...], law: ErrorLaw, sortie: Sortie | None
) -> SiteChance:
    """Judge the members of ensembles, each with what of the error they do not share."""
    parts, returning, gaps = [], [], list[Note]()
    site, limits, time = flight.site, flight.limits, flight.time
    clock = SiteClock(site.time_zone)
    for cube in ensembles:
        whole = as_members(cube)
        hours = flight.hours_of(with_what_is_missing(whole, flight.central))
        judged = flight.conditions(hours)
        parts.append((judged, flight.judge(judged)))
        gaps += tell_gaps(whole, parts[-1][1], time, clock)
        if sortie is not None:
            there = derive(hours, height=sortie.plan.return_height, site=site, daylight_rule=limits.daylight_rule)
            returning.append(there)
    joined = _join([a for _, a in parts])
    of_hours = _of_hours([c for c, _ in parts])
    all_leads = lead_time(joined["time"].values, flight.run)
    false_alarms_of = law.share_left * law.figure("icing", "false", all_leads)
    of_hours = of_hours.assign(icing_chance=_counted_once(of_hours["icing_chance"], of_hours[_SIGNS], false_alarms_of))
    standard_margin = standard_margins(
        joined,
        all_leads,
        height_deviation=of_hours[_DEVIATIONS[0]],
        gust_deviation=of_hours[_DEVIATIONS[1]],
        precipitation_rate=of_hours[_RATE],
        chances={name: of_hours[condition] for name, condition in _CHANCES.items()},
        **_around(of_hours),
        law=law,
    )
    standard_margin = below_jets(standard_margin, of_hours)
    asked = slice(REACH, REACH + time.size)
    margin = joined["hour_margin"].transpose("time", MEMBER).values[asked]
    if sortie is not None:
        speed = of_hours["wind_speed"].transpose("time", MEMBER).values
        left = deviation_left("wind", speed, all_leads[:, None], law)[:, 0]
        by_time = xr.DataArray(left, dims="time", coords={"time": of_hours["time"].values})
        homes = [
            _return_leg(c, h, sortie, by_time.sel(time=c["time"].values).values)
            for (c, _), h in zip(parts, returning, strict=True)
        ]
        home = _join(homes).transpose("time", MEMBER)
        standard_margin = _with_return_leg(standard_margin, home["standard_margin"])
        margin = np.minimum(margin, home["margin"].values[asked])
    if "last_time" in joined.coords:
        standard_margin = standard_margin.assign_coords(last_time=(MEMBER, joined["last_time"].values))
    standard_margin = with_timing(standard_margin, flight.lead, law)
    return SiteChance(
        hours=hour_chances(standard_margin, law=law),
        standard_margin=standard_margin,
        margin=margin,
        band=_band(of_hours.isel(time=asked)),
        members=joined.sizes[MEMBER],
        models=models,
        notes=tuple(gaps),
        law=law,
        lead_hours=flight.lead,
    )


def _of_hours(parts: Sequence[xr.Dataset]) -> xr.Dataset:
    """Return for each hour the larger edge of what the error needs, for all members."""
    names = (*_BANDS, *_DEVIATIONS, _RATE, *_CHANCES.values(), _SIGNS, *_JETS.values())
    return _join([_of_all_phases(c)[[*names, *_cells_in(c)]].max("edge", skipna=False) for c in parts])


def _of_all_phases(conditions: xr.Dataset) -> xr.Dataset:
    """Return conditions with the larger chances of the flight at its height and of the way back."""
    back = of_phase(conditions, "return")
    names = [name for name in (*_CHANCES.values(), _SIGNS) if name in back]
    return conditions.assign({n: np.maximum(conditions.variables[n], back[n]) for n in names})


def _margins_of_one(
    conditions: xr.Dataset,
    assessment: xr.Dataset,
    lead: Array,
    spreads: Mapping[str, Array],
    laws: Mapping[str, ErrorLaw],
) -> xr.DataArray:
    """Return the standard margin of one forecast, with the whole of the usual error of each hour's model."""
    whole: xr.DataArray | None = None
    for name, here in hours_of_models(conditions).items():
        standard_margin = _margins_of_model(conditions, assessment, lead, spreads, laws[name])
        whole = standard_margin if whole is None else whole.where(xr.DataArray(~here, dims="time"), standard_margin)
    assert whole is not None
    return whole.transpose("element", "time", MEMBER)


def _margins_of_model(
    conditions: xr.Dataset, assessment: xr.Dataset, lead: Array, spreads: Mapping[str, Array], law: ErrorLaw
) -> xr.DataArray:
    names = (*_DEVIATIONS, _RATE, "precipitation_probability")
    conditions = _of_all_phases(conditions)
    wind, gust, rate, probability = (conditions[n].max("edge", skipna=False) for n in names)
    cells = _cells_in(conditions)
    return standard_margins(
        assessment,
        lead,
        height_deviation=wind,
        gust_deviation=gust,
        precipitation_rate=rate,
        precipitation_probability=probability,
        chances={name: conditions[condition].max("edge", skipna=False) for name, condition in _CHANCES.items()},
        spreads=spreads,
        # Where the model changes, one edge of an hour has no cells: that of the other counts.
        **_around(conditions[cells].max("edge") if cells else xr.Dataset()),
        law=law,
    )


def _cells_in(conditions: xr.Dataset) -> list[str]:
    """Return the names that conditions have of what the cells around add."""
    return [name for name in (*_OF_CELLS.values(), _CELLS_LOST) if name in conditions]


def _around(hours: xr.Dataset) -> dict[str, Any]:
    """Return what `standard_margins` takes of the cells around; nothing without them."""
    if _CELLS_LOST not in hours:
        return {}
    return {"around": {e: hours[name] for e, name in _OF_CELLS.items()}, "around_is_lost": hours[_CELLS_LOST]}


def _put_beside(standard_margin: xr.DataArray, around: xr.DataArray | None) -> xr.DataArray:
    """Put the hours before and after, out of a longer stretch, beside those asked about; without it they are not known.

    A way back is worked out for the hours asked about alone: beside them it is as in the nearest of them.
    """
    hours = np.clip(np.arange(-REACH, standard_margin.sizes["time"] + REACH), 0, standard_margin.sizes["time"] - 1)
    padded = standard_margin.isel(time=hours).assign_coords(
        time=standard_margin["time"].values[0] + np.arange(-REACH, hours.size - REACH) * HOUR
    )
    values = padded.values.copy()
    for part in (slice(None, REACH), slice(-REACH, None)):
        values[: len(NAMES), part] = np.nan if around is None else around.values[:, part]
    return padded.copy(data=values)


def _counted_once(icing: xr.DataArray, by_signs: xr.DataArray, false_alarms_of: Array) -> xr.DataArray:
    """Return the chance of icing of each member, in which what the members show is not counted again.

    The probability of precipitation is that of the one forecast, and means the same rain that falls in some of the
    members. So it is given to the members without it only as far as it is more than the share of those with it, less
    their false alarms: all members together have the larger of the two. A member that is not known shows nothing.
    """
    icing, by_signs = icing.transpose("time", MEMBER), by_signs.transpose("time", MEMBER)
    shown = by_signs.fillna(0.0).mean(MEMBER)
    stated = shown * xr.DataArray(1.0 - false_alarms_of, dims="time", coords={"time": shown["time"]})
    rest = (icing - stated) / (1.0 - shown).clip(min=1e-9)
    return icing.where(~(icing > by_signs), np.minimum(np.maximum(rest, by_signs), icing))


def add_jets(conditions: xr.Dataset, hours: HourValues, height: float, site: Site, limits: Limits) -> xr.Dataset:
    """Return conditions with the chance that a wind or gust over its limit above a height comes down to it.

    Parameters
    ----------
    conditions : Dataset
        The hours, as `wxfly.assessment.conditions.derive` returns them.
    hours : HourValues
        As `wxfly.assessment.conditions.hours_of` returns them.
    height : float
        The highest of the flight, above ground [m].
    site, limits
        As the hours are judged.
    """
    jets = of_each_model(hours, lambda part: WindAloft(part, site).chance_of_lower_jet(height, limits))
    return conditions.assign({_JETS[name]: (hours.dims, chance) for name, chance in jets.items()})


def below_jets(standard_margin: xr.DataArray, conditions: xr.Dataset) -> xr.DataArray:
    """Lower the standard margin of wind and gust to what a jet over the limit above leaves, if it is forecast too high.

    Parameters
    ----------
    standard_margin : DataArray
        ``(element, time, realization)`` [1].
    conditions : Dataset
        The same hours, as `add_jets` returns them, the worse edge of each.
    """
    values = standard_margin.values.copy()
    for name, variable in _JETS.items():
        jet = conditions[variable]
        chance = (jet if MEMBER in jet.dims else jet.expand_dims(MEMBER, -1)).transpose("time", MEMBER).values
        left = np.where(chance > 0, -normal_quantile(np.maximum(chance, _LEAST_SHOWN)), np.inf)
        values[NAMES.index(name)] = np.minimum(values[NAMES.index(name)], left)
    return standard_margin.copy(data=values)


def _return_leg(flight: xr.Dataset, at_return: xr.Dataset, sortie: Sortie, deviation: Array) -> xr.Dataset:
    # Only flights that are planned need the rotors; the other answers start faster without.
    from wxfly.probability.return_leg import return_leg_margins

    return return_leg_margins(flight, at_return, sortie, deviation)


def with_what_is_missing(ensemble: xr.Dataset, central: xr.Dataset | None) -> xr.Dataset:
    """Take from the one forecast what the ensemble does not provide, the same for every member.

    Parameters
    ----------
    ensemble, central : xarray.Dataset
        Cubes at one site. Variables at heights are never mixed: one model's profile is one model's.
    """
    if central is None:
        return ensemble
    provided = {name for name, *_ in provided_entries(ensemble)}
    lacking = [
        str(n)
        for n in central.data_vars
        if n not in ensemble
        and n not in provided
        and n in VARIABLES
        and not VARIABLES[str(n)].has_height
        and MEMBER not in central[n].dims
    ]
    if _CAPE in ensemble:  # the inhibition of one model does not apply to the unstable air of another
        lacking = [n for n in lacking if n != _INHIBITION]
    if not lacking:
        return ensemble
    own = stated_text(ensemble, PROVIDED)
    taken = central[lacking].reindex(time=ensemble["time"].values)
    added = {n: (taken[n].dims, taken[n].values, central[n].attrs) for n in lacking}
    spans = {n: covers_hours(central, n) for n in lacking}
    whole = mark_provided(state_spans(ensemble.assign(added), spans))
    if FORECAST_MODEL not in central.coords:
        return whole
    # Not all models of the one forecast provide the same: an hour lacks only what its own model has lost.
    by_model = [[n for n in lacking if n in text.split()] for text in _entries_by_model(central)]
    if all(names == by_model[0] for names in by_model):
        return whole
    return with_models_of(whole, central, ["; ".join(filter(None, [own, *names])) for names in by_model])


def _entries_by_model(central: xr.Dataset) -> list[str]:
    """Return the names of what each model of the one forecast provides, as far as any of them does."""
    texts = provided_by_model(central)
    of_some = {name for text in texts for name, *_ in read_entries(text)}
    of_none = [str(n) for n in central.data_vars if n not in of_some]  # Kp is of no model
    return [" ".join([*(name for name, *_ in read_entries(text)), *of_none]) for text in texts]


def _join(parts: Sequence[xr.Dataset]) -> xr.Dataset:
    """Put members of several models side by side, numbered through."""
    if len(parts) == 1:
        return parts[0]
    first, shift = [], 0
    for part in parts:
        own = ("time", "element", REQUIRED, JUDGED, MEMBER, "last_time")
        kept = part.drop_vars([c for c in part.coords if c not in own])
        first.append(kept.assign_coords({MEMBER: np.arange(shift, shift + part.sizes[MEMBER])}))
        shift += part.sizes[MEMBER]
    return xr.concat(first, MEMBER, data_vars="minimal", coords="minimal", compat="override", join="outer")


def _with_return_leg(standard_margin: xr.DataArray, added: xr.DataArray) -> xr.DataArray:
    """Add the way back. It is required: members that do not know it fail, and where none knows it nothing is known."""
    unknown = np.isnan(added.values)
    row = np.where(unknown, np.where(unknown.all(axis=1, keepdims=True), np.nan, -np.inf), added.values)
    return xr.DataArray(
        np.concatenate([standard_margin.values, row[None]]),
        dims=standard_margin.dims,
        coords={"element": [*standard_margin["element"].values, "return_leg"], "time": standard_margin["time"].values},
        name=standard_margin.name,
    )


def _band(winds: xr.Dataset) -> xr.Dataset:
    """Return the lines of the band; an hour with a member missing that should be there keeps the others'."""
    lines = {}
    for name in _BANDS:
        values = winds[name].transpose("time", MEMBER).values
        known = np.isfinite(values).any(axis=1)
        quantiles = np.full((values.shape[0], len(BAND)), np.nan)
        if known.any():
            quantiles[known] = np.nanquantile(values[known], BAND, axis=1).T
        lines[name] = (("time", "share"), quantiles, {"units": "m s-1"})
    return xr.Dataset(lines, coords={"time": winds["time"].values, "share": list(BAND)})


NOT_NAMED = "not known"
"""The model of members whose reply names none."""

Flags = npt.NDArray[np.bool_]
Times = npt.NDArray[np.datetime64]


def tell_gaps(cube: xr.Dataset, assessment: xr.Dataset, asked: Times, clock: SiteClock) -> list[Note]:
    """Return which members are missing, in whole or in part, and from when to when.

    What all members lack is no gap between them: the hours show it as not known.

    Parameters
    ----------
    cube : xarray.Dataset
        One ensemble at the site, with the dimension ``realization``, without what is taken from the one forecast.
    assessment : xarray.Dataset
        Assessment of its members, with at least the hours asked about.
    asked : ndarray of datetime64
        Starts of the hours asked about, UTC.
    clock : SiteClock
        Clock of the site.
    """
    total, model = cube.sizes[MEMBER], str(cube.attrs.get("model", NOT_NAMED))
    stamps = cube["time"].values
    known = hours_of_members(cube)
    came = known.any(axis=0)
    if not came.any():
        return []
    last = stamps[stamps.size - 1 - np.argmax(known[::-1], axis=0)]
    ends = cube["last_time"].values if "last_time" in cube.coords else np.full(total, last[came].max())
    asked = np.intersect1d(asked, assessment["time"].values)
    moments = _Moments(asked, clock)
    stops = came & (last < ends) & (last < asked[-1] + HOUR)
    notes = []
    if not came.all():
        notes.append(_note(lost_members(cube), total, model, "did not come"))
    if stops.any():
        count, first = int(stops.sum()), moments.at(last[stops].min())
        verb = "stops" if count == 1 else "stop"
        at = f"{verb} at {first}" if np.unique(last[stops]).size == 1 else f"{verb} early, the first at {first}"
        notes.append(_note(count, total, model, at))
    reaches = came & (asked[:, None] < np.where(stops, last, ends))
    return notes + _of_elements(assessment.sel(time=asked), reaches, total, model, moments)


def _of_elements(assessment: xr.Dataset, reaches: Flags, total: int, model: str, moments: _Moments) -> list[Note]:
    """Return which elements some members have lost; `reaches` says which members should know which hours."""
    order = ("element", "time", MEMBER)
    margin = assessment["margin"].transpose(*order).values
    lost = assessment["lost"].transpose(*order).values if "lost" in assessment else np.zeros(margin.shape, dtype=bool)
    skipped, required = not_judged(assessment), required_names(assessment)
    found: dict[tuple[int, int, int, bool], list[str]] = {}
    for k, name in enumerate(NAMES):
        if name in skipped:
            continue
        gone = np.isnan(margin[k]) if name in required else lost[k]
        here = gone & reaches
        here &= (reaches & ~here).any(axis=1, keepdims=True)
        if not here.any():
            continue
        hours, members = here.any(axis=1), here.any(axis=0)
        first, last = (int(i) for i in np.flatnonzero(hours)[[0, -1]])
        is_whole = bool(here[first : last + 1, members].all())
        found.setdefault((int(members.sum()), first, last, is_whole), []).append(BY_NAME[name].title)
    return [
        _note(
            count, total, model,
            f"{'has' if count == 1 else 'have'} no {_either(titles)} {'' if is_whole else 'in some hours '}"
            f"{moments.span(first, last)}",
        )
        for (count, first, last, is_whole), titles in found.items()
    ]  # fmt: skip


def _note(count: int, total: int, model: str, what: str) -> Note:
    counted = "it counts" if count == 1 else "they count"
    model = "a model that is not known" if model == NOT_NAMED else model
    return Note(f"{count} of {total} members of {model} {what}: {counted} as breaking a limit", NoteKind.MEMBERS)


def _either(titles: Sequence[str]) -> str:
    return " or ".join(part for part in (", ".join(titles[:-1]), titles[-1]) if part)


class _Moments:
    """Writes moments on the site's clock, with the date where the hours asked about are not all of one day."""

    def __init__(self, asked: Times, clock: SiteClock) -> None:
        self._asked, self._clock = asked.astype("datetime64[s]"), clock
        self._days = {clock.date(moment) for moment in self._asked}

    def at(self, moment: np.datetime64) -> str:
        moment = moment.astype("datetime64[s]")
        return f"{self._written(moment)} {self._clock.zone(moment)}"

    def span(self, first: int, last: int) -> str:
        start, end = self._asked[first], self._asked[last] + HOUR
        is_same_day = self._clock.date(start) == self._clock.date(end)
        until = f"{self._clock.hour(end)} {self._clock.zone(end)}" if is_same_day else self.at(end)
        return f"from {self._written(start)} to {until}"

    def _written(self, moment: np.datetime64) -> str:
        day = self._clock.date(moment)
        return self._clock.hour(moment) if self._days == {day} else f"{day} {self._clock.hour(moment)}"
