"""Past forecasts compared with observations of a place: their errors, and a correction learned from them.

A day counts once, however many of its hours were compared, because the errors of one day are correlated. A correction
is shrunk towards none, needs at least `FEWEST_DAYS` days, and is used only when the pilot switches it on.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.assessment.forecast_error import ErrorLaw, default_error_law
from wxfly.errors import WxflyError, shortened
from wxfly.history.observations import HourlyRecord
from wxfly.pilot.own_files import alone_with, parse_toml, read_if_there, read_table, write_whole
from wxfly.pilot.settings import config_folder
from wxfly.pilot.site import COMPASS, Site

Array = npt.NDArray[np.float64]

FEWEST_DAYS = 30
"""Fewest days of comparison for a correction."""
SHRINK_DAYS = 30.0
"""Number of days with the same weight as the prior that the forecast is right here: our estimate."""
FACTOR_RANGE = (0.7, 1.5)
"""Range of a correction: beyond it the station, the site or the file is wrong."""
LEADS = ((0, 24), (24, 72), (72, 120), (120, 400))
"""Ranges of lead time, compared and scored separately [h]."""
TIMES_OF_DAY = ((0, 6), (6, 12), (12, 18), (18, 24))
ELEMENTS = ("wind", "gust")


@dataclass(frozen=True)
class Pairs:
    """Forecasts and observations of the same hours, SI.

    Attributes
    ----------
    hour : ndarray of datetime64
        Start of the hour, UTC.
    lead_hours : ndarray
        Lead time [h].
    wind, gust : ndarray
        Forecast at the height of the observation [m s-1].
    observed_wind, observed_gust : ndarray
        Observations [m s-1].
    direction : ndarray
        Forecast direction from which the wind blows [degree].
    solar_hour : ndarray
        Local solar time [h].
    """

    hour: npt.NDArray[np.datetime64]
    lead_hours: Array
    wind: Array
    gust: Array
    observed_wind: Array
    observed_gust: Array
    direction: Array
    solar_hour: Array

    def of(self, element: str) -> tuple[Array, Array]:
        """Return forecast and observation of an element."""
        return (self.wind, self.observed_wind) if element == "wind" else (self.gust, self.observed_gust)


def pair_hours(conditions: xr.Dataset, lead_hours: npt.ArrayLike, record: HourlyRecord) -> Pairs:
    """Pair the hours of a forecast with their observations.

    Parameters
    ----------
    conditions : xarray.Dataset
        Conditions of one place at the height of the observation, from `wxfly.assessment.conditions.derive`.
    lead_hours : array_like
        Lead time of each hour, or one for all hours [h].
    record : HourlyRecord
        The observations.
    """
    hours = conditions["time"].values.astype("datetime64[s]")
    shared, mine, theirs = np.intersect1d(hours, record.hour, return_indices=True)
    lead = np.broadcast_to(np.asarray(lead_hours, dtype=float), hours.shape)[mine]
    at_start = conditions.isel(edge=0)
    gust = conditions["wind_speed_of_gust"]
    gust = gust.max("edge", skipna=False) if "edge" in gust.dims else gust
    clock = (shared - shared.astype("datetime64[D]")) / np.timedelta64(1, "h")
    return Pairs(
        hour=shared,
        lead_hours=lead,
        wind=at_start["wind_speed"].values[mine],
        gust=gust.values[mine],
        observed_wind=record.wind_speed[theirs],
        observed_gust=record.wind_speed_of_gust[theirs],
        direction=at_start["wind_from_direction"].values[mine],
        solar_hour=np.asarray((clock + float(conditions["longitude"]) / 15) % 24, dtype=float),
    )


def join_pairs(parts: Iterable[Pairs]) -> Pairs:
    """Join the pairs of several forecasts."""
    listed = list(parts)
    if not listed:
        raise WxflyError(
            "no past forecast shares an hour with the observations; give observations of days that were fetched"
        )
    return Pairs(*(np.concatenate([getattr(p, n) for p in listed]) for n in Pairs.__dataclass_fields__))


@dataclass(frozen=True, kw_only=True)
class ErrorRow:
    """Errors of one element in one group of hours.

    Attributes
    ----------
    element, group, label : str
        The element, such as ``gust``; the kind of group: ``lead``, ``sector``, ``time of day`` or ``all``; its name.
    hours, days : int
        Their numbers.
    bias : float
        Mean of forecast minus observation [m s-1].
    error : float
        Root mean square of the same difference [m s-1].
    """

    element: str
    group: str
    label: str
    hours: int
    days: int
    bias: float
    error: float


def error_rows(pairs: Pairs) -> list[ErrorRow]:
    """Return bias and error for all hours, by lead time, wind sector and time of day, without empty groups."""
    groups: list[tuple[str, str, npt.NDArray[np.bool_]]] = [("all", "all", np.ones(pairs.hour.size, dtype=bool))]
    lead, sector = pairs.lead_hours, np.round(np.nan_to_num(pairs.direction, nan=0.0) / 45.0).astype(int) % 8
    groups += [("lead", f"{a} to {b} h", (lead >= a) & (lead < b)) for a, b in LEADS]
    groups += [("sector", s, (sector == k) & np.isfinite(pairs.direction)) for k, s in enumerate(COMPASS[::2])]
    groups += [
        ("time of day", f"{a:02d} to {b:02d}, by the sun", (pairs.solar_hour >= a) & (pairs.solar_hour < b))
        for a, b in TIMES_OF_DAY
    ]
    rows = []
    for element in ELEMENTS:
        forecast, observed = pairs.of(element)
        known = np.isfinite(forecast) & np.isfinite(observed)
        for group, label, here in groups:
            chosen = known & here
            if chosen.any():
                off = forecast[chosen] - observed[chosen]
                rows.append(
                    ErrorRow(
                        element=element,
                        group=group,
                        label=label,
                        hours=int(chosen.sum()),
                        days=_days(pairs, chosen),
                        bias=float(off.mean()),
                        error=float(np.sqrt(np.mean(off**2))),
                    )
                )
    return rows


def _days(pairs: Pairs, chosen: npt.NDArray[np.bool_]) -> int:
    return int(np.unique(pairs.hour[chosen].astype("datetime64[D]")).size)


@dataclass(frozen=True)
class SiteRecord:
    """The correction learned for a site; the pilot must switch it on.

    Attributes
    ----------
    site : str
        Name of the site.
    model : str
        The only model whose forecasts it corrects.
    days : mapping
        Days compared, by element.
    factors : mapping
        Factors for wind and gust [1].
    error_factors : mapping
        Factors for wxfly's own error law [1].
    """

    site: str
    model: str
    days: Mapping[str, int]
    factors: Mapping[str, float]
    error_factors: Mapping[str, float]

    @property
    def words(self) -> str:
        """Return the line for every answer that uses it."""
        parts = [f"{n} times {self.factors[n]:.2f} ({self.days[n]} days)" for n in self.factors]
        return f"corrected by the record of {self.site}: {', '.join(parts)}"


def learn(pairs: Pairs, site: str, model: str) -> SiteRecord | None:
    """Learn a correction from pairs.

    Parameters
    ----------
    pairs : Pairs
        Pairs of one site and one model.
    site, model : str
        Their names.

    Returns
    -------
    SiteRecord or None
        None where no element has `FEWEST_DAYS` days. The ratio of observed to forecast is shrunk towards 1 by
        ``days / (days + SHRINK_DAYS)`` and kept within `FACTOR_RANGE`. So is the ratio of errors, which is that of
        the corrected forecast.
    """
    law = default_error_law()
    days: dict[str, int] = {}
    factors: dict[str, float] = {}
    error_factors: dict[str, float] = {}
    for element in ELEMENTS:
        forecast, observed = pairs.of(element)
        known = np.isfinite(forecast) & np.isfinite(observed)
        count = _days(pairs, known)
        if count < FEWEST_DAYS or float(forecast[known].mean()) <= 0.5:
            continue
        weight = count / (count + SHRINK_DAYS)
        ratio = float(observed[known].mean()) / float(forecast[known].mean())
        days[element] = count
        factors[element] = float(np.clip(1.0 + weight * (ratio - 1.0), *FACTOR_RANGE))
        off = forecast[known] * factors[element] - observed[known]
        usual = law.figure(element, "error", pairs.lead_hours[known])
        size = float(np.sqrt(np.mean(off**2) / np.mean(usual**2)))
        error_factors[element] = float(np.clip(1.0 + weight * (size - 1.0), *FACTOR_RANGE))
    return SiteRecord(site, model, days, factors, error_factors) if factors else None


def correct(cube: xr.Dataset, record: SiteRecord) -> xr.Dataset:
    """Multiply the wind and the gust of a cube by the factors of a site's record; missing values stay missing."""
    changed = {}
    for element, name in (("wind", "wind_speed"), ("gust", "wind_speed_of_gust")):
        if element in record.factors and name in cube:
            changed[name] = cube[name].copy(data=cube[name].values * record.factors[element])
    return cube.assign(changed).assign_attrs(corrected=record.words)


def save_record(path: Path, record: SiteRecord) -> None:
    """Add the record of a site to a file, for the pilot to read and switch on; other records in it are kept."""
    import tomlkit

    with alone_with(path):
        text = read_if_there(path) or ""
        parse_toml(text, str(path))
        document = tomlkit.parse(text)
        document[record.site] = {
            "model": record.model,
            "days": dict(record.days),
            "factors": {k: round(v, 4) for k, v in record.factors.items()},
            "error_factors": {k: round(v, 4) for k, v in record.error_factors.items()},
        }
        write_whole(path, tomlkit.dumps(document).encode(), private=True)


def load_record(path: Path, site: str) -> SiteRecord:
    """Read the record of a site.

    Raises
    ------
    WxflyError
        Where the file has no record of the site, or not a valid one.
    """
    records = read_table(path, _read_record)
    records.refuse_uncertain(site, "the record of")
    if site not in records:
        raise WxflyError(f"there is no record of {site}; make one with: wxfly verify {site} --observed FILE --learn")
    return records[site]


def _read_record(site: str, row: Any, place: str) -> SiteRecord:
    keys = {"model", "days", "factors", "error_factors"}
    if not isinstance(row, dict) or set(row) != keys:
        given = ", ".join(map(str, row)) if isinstance(row, dict) else repr(row)
        raise WxflyError(f"{place}: the record of {site} has {shortened(given)}; wanted {', '.join(sorted(keys))}")
    model, days, factors, error_factors = (row[key] for key in ("model", "days", "factors", "error_factors"))
    if not isinstance(model, str) or not all(isinstance(table, dict) for table in (days, factors, error_factors)):
        raise WxflyError(f"{place}: the record of {site} must have a text as its model, and tables of numbers")
    low, high = FACTOR_RANGE
    for name, value in {**factors, **{f"error of {k}": v for k, v in error_factors.items()}}.items():
        if not _is_number(value) or not low <= value <= high:
            written = shortened(repr(value), 80)
            raise WxflyError(f"{place}: the factor {written} for {name} at {site} is not between {low} and {high}")
    if set(days) != set(factors) or not all(_is_number(n) for n in days.values()):
        raise WxflyError(f"{place}: the record of {site} must have a number of days for each of its factors")
    if not all(n >= FEWEST_DAYS for n in days.values()):
        raise WxflyError(f"{place}: the record of {site} covers fewer than {FEWEST_DAYS} days; it is not used")
    return SiteRecord(site, model, days, factors, error_factors)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def records_file() -> Path:
    """Return the path of the file of site records."""
    return config_folder() / "records.toml"


def with_record(
    cube: xr.Dataset, ensembles: tuple[xr.Dataset, ...], sites: Sequence[Site], switched_on: bool
) -> tuple[xr.Dataset, tuple[xr.Dataset, ...], ErrorLaw | None, list[str]]:
    """Apply a site's record where the pilot asks for it; the answer reports that."""
    if not switched_on:
        return cube, ensembles, None, []

    if len(sites) > 1:
        raise WxflyError("--site-record is for one site; ask for one at a time")
    record = load_record(records_file(), sites[0].name)
    if cube.attrs.get("model") != record.model:
        raise WxflyError(
            f"the record of {record.site} is for forecasts of {record.model}, not of {cube.attrs.get('model')}; "
            f"ask with --model {record.model}"
        )
    law = replace(default_error_law(), factors=record.error_factors)
    same = tuple(correct(e, record) if e.attrs.get("model") == record.model else e for e in ensembles)
    return correct(cube, record), same, law, [record.words]
