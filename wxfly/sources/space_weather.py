"""Kp, the planetary index of geomagnetic activity: forecast and outlook of NOAA, and what GFZ has measured.

The forecast of NOAA's Space Weather Prediction Center reaches about three days; its 27-day outlook has the largest Kp
of each day beyond. Past both, Kp is unknown (services.swpc.noaa.gov, NWS Service Change Notice 26-21 for the two forms
of the JSON). The second source is the GFZ German Research Centre for Geosciences, which produces the index: it has Kp
up to now but none for the hours ahead (kp.gfz.de, JSON interface). Stamps are the start of a three-hour interval, UTC.

References
----------
[Matzka-2021] Matzka, J. et al. (2021): The geomagnetic Kp index and derived indices of geomagnetic activity. Space
    Weather 19, e2020SW002641.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.cube.contract import attributes_of
from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.sources.http import download
from wxfly.sources.reply import Reply, SourceError, parse_json, read_moment, retrieved_stamp, sendable

Times = npt.NDArray[np.datetime64]
Array = npt.NDArray[np.float64]

SOURCE, ATTRIBUTION = SERVICES["space_weather"].source, SERVICES["space_weather"].attribution
GFZ_SOURCE, GFZ_ATTRIBUTION = SERVICES["gfz"].source, SERVICES["gfz"].attribution
FORECAST_PATH = "/products/noaa-planetary-k-index-forecast.json"
OUTLOOK_PATH = "/text/27-day-outlook.txt"
_INTERVAL = np.timedelta64(3, "h")
REACH = np.timedelta64(3, "D")
"""Length of the forecast, from the start of its first day."""


@dataclass(frozen=True)
class KpSeries:
    """Kp by three-hour intervals.

    Attributes
    ----------
    start : ndarray of datetime64
        Start of each interval, UTC, increasing.
    kp : ndarray
        Kp [1], 0 to 9; NaN where an interval has no value.
    kind : tuple of str
        ``observed``, ``estimated`` or ``predicted`` for each.
    """

    start: Times
    kp: Array
    kind: tuple[str, ...]

    @property
    def observed_until(self) -> np.datetime64:
        """Return the end of the newest observed interval, which shows the age of the product.

        Without any observed interval, this is the start of the first one.
        """
        last = self._last_observed
        return np.datetime64(str(self.start[0] if last is None else last + _INTERVAL), "s")

    @property
    def _last_observed(self) -> np.datetime64 | None:
        rows = zip(self.start, self.kp, self.kind, strict=True)
        return next((s for s, kp, kind in reversed([*rows]) if kind == "observed" and not np.isnan(kp)), None)

    @property
    def speaks_until(self) -> np.datetime64:
        """Return the end of the hours that the forecast covers, whether or not the reply has them: three days of UTC.

        The first of them is the day of the newest observation (NWS 3-day forecast, issued 0030 and 1230 UTC).
        """
        first = self.start[0] if self._last_observed is None else self._last_observed
        return np.datetime64(str(max(first.astype("datetime64[D]") + REACH, self.start[-1] + _INTERVAL)), "s")


@dataclass(frozen=True)
class KpOutlook:
    """The largest Kp of each day, weeks ahead.

    Attributes
    ----------
    issued : datetime64
        Time of issue, UTC.
    day : ndarray of datetime64[D]
        Days, UTC.
    kp : ndarray
        Largest Kp of the day [1].
    """

    issued: np.datetime64
    day: Times
    kp: Array


def get_kp_text(path: str, *, settings: Settings, etag: str = "") -> tuple[str | None, str]:
    """Request one product, check that it can be read, and return its text with the service's mark.

    Parameters
    ----------
    path : str
        `FORECAST_PATH` or `OUTLOOK_PATH`.
    settings : Settings
        Address, User-Agent and patience.
    etag : str, optional
        The mark of the kept text; where that is still the newest, the service sends no text.

    Returns
    -------
    text : str or None
        None when the kept text is still the newest.
    etag : str
        Its mark; empty when the service sends none.
    """
    what = f"{SOURCE}, {path.rsplit('/', 1)[-1]}"
    etag = sendable(etag)

    def parse(reply: Reply) -> tuple[str | None, str]:
        mark = sendable(reply.headers.get("etag", ""))
        if reply.status == 304:
            if not etag:
                raise SourceError(f"{what}: nothing new, though nothing was there before")
            return None, etag
        if path == OUTLOOK_PATH:
            parse_outlook(reply.body, what)
        else:
            parse_kp(reply.body, what)
        return reply.body.decode("utf-8", errors="replace"), mark

    return download(
        settings.addresses["space_weather"] + path,
        {},
        parse,
        settings=settings,
        what=what,
        headers={"If-None-Match": etag} if etag else {},
        accepted=(200, 304),
        maximum_bytes=1_000_000,
    )


def parse_kp(body: bytes, what: str = SOURCE) -> KpSeries:
    """Read forecast or observed Kp in either published form.

    Since 2026-03-31 rows are objects; before, they were lists of texts under a header row. The key is ``Kp`` in
    one file and ``kp`` in the other.

    Raises
    ------
    SourceError
        For a row without time or Kp, a Kp outside 0 to 9, or times out of order.
    """
    rows = parse_json(body, what)
    if not isinstance(rows, list) or not rows:
        raise SourceError(f"{what}: no rows of Kp in it")
    if isinstance(rows[0], list):
        header, *rest = rows
        rows = [dict(zip(header, row, strict=False)) if isinstance(row, list) else row for row in rest]
        if not rows or not all(isinstance(name, str) for name in header):
            raise SourceError(f"{what}: a header row and nothing below it")
    starts, values, kinds = [], [], []
    for row in rows:
        if not isinstance(row, dict):
            raise SourceError(f"{what}: a row is not an object")
        lowered = {str(key).lower(): value for key, value in row.items()}
        starts.append(read_moment(lowered.get("time_tag"), what))
        value = lowered.get("kp")
        values.append(np.nan if value is None else _kp_value(value, what))  # without a value, Kp is unknown
        kinds.append(str(lowered.get("observed", "observed"))[:12])
    return _series(starts, values, kinds, what)


def _series(starts: list[np.datetime64], values: list[float], kinds: list[str], what: str) -> KpSeries:
    start = np.array(starts, dtype="datetime64[s]")
    if np.isnan(values).all():
        raise SourceError(f"{what}: no value of Kp in it")
    if (np.diff(start) <= np.timedelta64(0, "s")).any():
        raise SourceError(f"{what}: the times of Kp are not in order")
    return KpSeries(start, np.array(values), tuple(kinds))


def _kp_value(value: Any, what: str) -> float:
    """Read a Kp, number or text."""
    try:
        number = float(value) if isinstance(value, str | int | float) and not isinstance(value, bool) else np.nan
    except (ValueError, OverflowError):
        number = np.nan
    if not 0 <= number <= 9:
        raise SourceError(f"{what}: Kp '{str(value)[:20]}' is not between 0 and 9")
    return number


_OUTLOOK_ROW = re.compile(r"^(\d{4} [A-Z][a-z]{2} \d{1,2})\s+(\d+)\s+(\d+)\s+(\d+)\s*$")


def parse_outlook(body: bytes, what: str = SOURCE) -> KpOutlook:
    """Read the 27-day outlook: rows of date, radio flux, A index and largest Kp of the day.

    Raises
    ------
    SourceError
        When it is not an outlook, has no issue time, or has an unreadable row.
    """
    text = body.decode("utf-8", errors="replace")
    match = re.search(r"^:Issued:\s*(\d{4} [A-Z][a-z]{2} \d{1,2} \d{4})(?: UTC?)?\s*$", text, re.MULTILINE)
    if not match:
        raise SourceError(f"{what}: not a 27-day outlook (it has no line ':Issued:')")
    issued = _calendar(match[1], "%Y %b %d %H%M", what)
    days, values = [], []
    for line in text.splitlines():
        if not line.strip() or line[0] in ":#":
            continue
        row = _OUTLOOK_ROW.match(line)
        if not row:
            raise SourceError(f"{what}: the row '{line.strip()[:40]}' cannot be read")
        days.append(np.datetime64(_calendar(row[1], "%Y %b %d", what), "D"))
        values.append(_kp_value(row[4], what))
    day = np.array(days, dtype="datetime64[D]")
    if day.size == 0 or (np.diff(day) <= np.timedelta64(0, "s")).any():
        raise SourceError(f"{what}: no days in it, or not in order")
    return KpOutlook(np.datetime64(issued, "s"), day, np.array(values))


def _calendar(text: str, form: str, what: str) -> datetime:
    try:
        return datetime.strptime(text, form)
    except ValueError:
        raise SourceError(f"{what}: '{text}' is not on the calendar") from None


_GFZ_BACK = timedelta(days=2)


def get_measured_text(*, settings: Settings, now: datetime) -> str:
    """Request the last two days from GFZ, check that they can be read, and return the reply unchanged.

    Parameters
    ----------
    settings : Settings
        Address, User-Agent and patience.
    now : datetime
        End of the requested period.

    Raises
    ------
    SourceError
        One line with the fault.
    """
    end = now.astimezone(UTC)

    def parse(reply: Reply) -> str:
        parse_measured(reply.body)
        return reply.body.decode("utf-8")

    return download(
        settings.addresses["gfz"] + "/",
        {"start": f"{end - _GFZ_BACK:%Y-%m-%dT%H:%M:%SZ}", "end": f"{end:%Y-%m-%dT%H:%M:%SZ}", "index": "Kp"},
        parse,
        settings=settings,
        what=GFZ_SOURCE,
        maximum_bytes=200_000,
    )


def parse_measured(body: bytes, what: str = GFZ_SOURCE) -> KpSeries:
    """Read a reply of GFZ; an interval without a value is left out.

    Raises
    ------
    SourceError
        For a missing column, columns of different lengths, a Kp outside 0 to 9, or times out of order.
    """
    document = parse_json(body, what)
    times, values = (document.get(key) if isinstance(document, dict) else None for key in ("datetime", "Kp"))
    if not isinstance(times, list) or not isinstance(values, list) or len(times) != len(values):
        raise SourceError(f"{what}: not a list of times and one of Kp, of one length")
    pairs = [(read_moment(t, what), _kp_value(v, what)) for t, v in zip(times, values, strict=True) if v is not None]
    return _series([moment for moment, _ in pairs], [kp for _, kp in pairs], ["observed"] * len(pairs), what)


def kp_on(
    time: Times,
    series: KpSeries | None,
    outlook: KpOutlook | None,
    *,
    outlook_after: np.datetime64 | None = None,
    retrieved: datetime | None = None,
    source: str = SOURCE,
    attribution: str = ATTRIBUTION,
) -> xr.DataArray:
    """Assign Kp to the hours of a forecast, constant within each interval.

    Parameters
    ----------
    time : ndarray of datetime64
        Hours, UTC.
    series : KpSeries or None
        Forecast; it takes precedence over the outlook in the hours that it covers.
    outlook : KpOutlook or None
        Used after the end of a forecast: every hour of a day gets the day's largest Kp. It was issued days before,
        without knowledge of a coming storm, so it never replaces a lost forecast.
    outlook_after : datetime64, optional
        Time from which it may be used; by default the end of the hours that `series` covers; without `series`, always.
    retrieved : datetime, optional
        Time of retrieval of the forecast.
    source, attribution : str, optional
        Source and attribution of Kp, where not only NOAA's.

    Returns
    -------
    xarray.DataArray
        ``kp_index`` by time; NaN where neither has a value. Attributes: ``known_until`` and ``outlook_from`` (the
        first hour whose value is a day's largest), each ISO or empty.
    """
    values = np.full(time.size, np.nan)
    outlook_from = ""
    if outlook is not None:
        day = time.astype("datetime64[D]")
        position = np.searchsorted(outlook.day, day)
        found = position < outlook.day.size
        found[found] = outlook.day[position[found]] == day[found]
        values[found] = outlook.kp[position[found]]
    until = outlook_after if outlook_after is not None or series is None else series.speaks_until
    if until is not None:
        values[time < until] = np.nan
    if series is not None:
        position = np.searchsorted(series.start, time, side="right") - 1
        inside = position >= 0
        inside[inside] = time[inside] < series.start[position[inside]] + _INTERVAL
        values[inside] = series.kp[position[inside]]
        beyond = np.isfinite(values) & (time >= series.start[-1] + _INTERVAL)
    else:
        beyond = np.isfinite(values)
    if beyond.any():
        outlook_from = f"{np.datetime_as_string(time[beyond][0], 'm')}Z"
    known = np.flatnonzero(np.isfinite(values))
    known_until = f"{np.datetime_as_string(time[known[-1]] + np.timedelta64(1, 'h'), 'm')}Z" if known.size else ""
    attributes = attributes_of("kp_index") | {
        "source": source,
        "attribution": attribution,
        "observed_until": f"{np.datetime_as_string(series.observed_until, 'm')}Z" if series is not None else "none",
        "retrieved": retrieved_stamp(retrieved),
        "outlook_issued": f"{np.datetime_as_string(outlook.issued, 'm')}Z" if outlook else "none",
        "outlook_from": outlook_from or "none",
        "known_until": known_until or "none",
        "comment": "the hours from outlook_from on hold the largest Kp of their day",
    }
    return xr.DataArray(values, dims=("time",), coords={"time": time}, name="kp_index", attrs=attributes)
