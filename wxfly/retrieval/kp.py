"""Kp for the hours of a forecast: from a kept reply or a new one, and never reported as newer than it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial

import numpy as np
import xarray as xr

from wxfly.cube.contract import VARIABLES, attributes_of, check_forecast, mark_provided, state_spans
from wxfly.cube.notes import Note, NoteKind
from wxfly.errors import WxflyError
from wxfly.pilot.settings import Settings
from wxfly.sources import space_weather
from wxfly.sources.http import together
from wxfly.sources.reply import SourceError
from wxfly.sources.space_weather import KpOutlook, KpSeries
from wxfly.store.replies import KeptReply, newest_reply
from wxfly.times import as_moment, utc_now

Progress = Callable[[str], None]

KP_AGE = timedelta(minutes=30)
OUTLOOK_AGE = timedelta(hours=12)
"""Age below which a kept reply is not requested again."""
FROZEN = np.timedelta64(12, "h")
"""Age of the newest observation above which a forecast of Kp is not being renewed. It is renewed twice a day, and its
rows every three hours (NWS: issued 0030 and 1230 UTC)."""
OUTLOOK_OLD = np.timedelta64(10, "D")
"""Greatest age of the outlook. It is issued about weekly, so an older one has missed a renewal (days: common practice,
no source)."""
_OF_OUTLOOK = "kp_index_of_outlook"


@dataclass(frozen=True)
class _Product:
    path: str
    age: timedelta
    words: str
    parse: Callable[[bytes], object]


Answered = tuple[KeptReply | None, WxflyError | None]
"""A reply, and the fault when it could not be renewed."""


def ask_kp(*, offline: bool, settings: Settings, on_progress: Progress) -> tuple[Answered, Answered]:
    """Return the replies with the forecast and the outlook of Kp, for `with_kp`."""
    now = utc_now()
    forecast = _Product(space_weather.FORECAST_PATH, KP_AGE, "Kp", space_weather.parse_kp)
    ahead = _Product(space_weather.OUTLOOK_PATH, OUTLOOK_AGE, "the outlook of Kp", space_weather.parse_outlook)
    with together() as group:
        first, second = (
            group.start(partial(_ask, product, offline, settings, now, on_progress)) for product in (forecast, ahead)
        )
        return first.result(), second.result()


def with_kp(
    cube: xr.Dataset,
    *,
    offline: bool,
    settings: Settings,
    on_progress: Progress,
    answered: tuple[Answered, Answered] | None = None,
) -> tuple[xr.Dataset, list[str]]:
    """Add Kp to a cube for the hours in which it is known.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube.
    offline : bool
        Whether to ask no service.
    settings : Settings
        Settings of the services.
    on_progress : callable
        Called with a line on each request.
    answered : tuple, optional
        What `ask_kp` returned; without it the services are asked now.

    Returns
    -------
    cube : xarray.Dataset
        With ``kp_index``; unchanged where Kp is unknown.
    notes : list of str
        What the reader must know about Kp.
    """
    now, notes = utc_now(), []
    series = retrieved = None
    source, attribution = space_weather.SOURCE, space_weather.ATTRIBUTION
    (kept, fault), of_outlook = answered or ask_kp(offline=offline, settings=settings, on_progress=on_progress)
    if fault:
        notes.append(f"{'an older Kp is used' if kept else 'Kp is not known in full'}: {fault}")
    if kept is not None:
        series, retrieved = space_weather.parse_kp(kept.text.encode()), kept.retrieved
    if series is not None and as_moment(now) - series.observed_until > FROZEN:
        seen = f"{np.datetime_as_string(series.observed_until, 'm')}Z"
        notes.append(f"the forecast of Kp has not been renewed since {seen}")
        retrieved = series.observed_until.astype(datetime).replace(tzinfo=UTC)  # age counts from the observation
    if series is None and not offline:
        series, retrieved = _from_gfz(settings, now, on_progress)
        if series is not None:
            source, attribution = space_weather.GFZ_SOURCE, space_weather.GFZ_ATTRIBUTION
            notes.append(f"Kp of the hours just past is from {source}, which has no forecast")
    outlook, of_outlook_notes = _outlook(of_outlook, now, series if source == space_weather.GFZ_SOURCE else None)
    notes += of_outlook_notes
    if series is None and outlook is None:
        notes = notes or ["Kp is not known: none in the store"]
    if outlook is not None and attribution != space_weather.ATTRIBUTION:
        attribution = f"{attribution}; {space_weather.ATTRIBUTION}"
    # The outlook does not replace a lost forecast, because a forecast is issued every twelve hours for three days.
    speaks_until = (as_moment(now - timedelta(hours=12)).astype("datetime64[D]") + space_weather.REACH).astype("M8[s]")
    if series is not None and source == space_weather.SOURCE:
        speaks_until = max(speaks_until, series.speaks_until)
    kp = space_weather.kp_on(
        cube["time"].values,
        series,
        outlook,
        outlook_after=speaks_until,
        retrieved=retrieved,
        source=source,
        attribution=attribution,
    )
    cube = cube.assign(kp_index=kp).assign_attrs(attribution=f"{cube.attrs['attribution']}; {attribution}")
    spans = {"kp_index": VARIABLES["kp_index"].covers_hours}
    expected = _where_lost(kp, outlook)
    if expected is not None:
        cube = cube.assign({_OF_OUTLOOK: expected})
        spans[_OF_OUTLOOK] = VARIABLES[_OF_OUTLOOK].covers_hours
    cube = mark_provided(state_spans(cube, spans))
    notes += _reach(kp)
    return check_forecast(cube, place="forecast with Kp"), [Note(note, NoteKind.KP) for note in notes]


def _outlook(answered: Answered, now: datetime, measured: KpSeries | None) -> tuple[KpOutlook | None, list[str]]:
    """Return the outlook that may be used, None without one, and what the reader must know about it."""
    kept, fault = answered
    notes = [f"{'an older outlook of Kp is used' if kept else 'Kp is not known in full'}: {fault}"] if fault else []
    if kept is None:
        return None, notes
    outlook = space_weather.parse_outlook(kept.text.encode())
    if not -np.timedelta64(1, "D") <= as_moment(now) - outlook.issued <= OUTLOOK_OLD:
        issued = f"{np.datetime_as_string(outlook.issued, 'm')}Z"
        return None, [*notes, f"the outlook of Kp is not used: it was issued {issued}"]
    if measured is None:
        return outlook, notes
    outlook, disproved = _not_disproved(outlook, measured)
    lower = ["the outlook of Kp is not used where the measured Kp is already above it"] if disproved else []
    return outlook, notes + lower


def _where_lost(kp: xr.DataArray, outlook: KpOutlook | None) -> xr.DataArray | None:
    """Return the outlook's Kp in the hours without any; None where it has none for them.

    It replaces no lost forecast, because it knows of no coming storm. But one that it does expect counts.
    """
    if outlook is None:
        return None
    values = space_weather.kp_on(kp["time"].values, None, outlook).where(kp.isnull())
    if not values.notnull().any():
        return None
    return values.rename(_OF_OUTLOOK).assign_attrs(attributes_of(_OF_OUTLOOK))


def _ask(product: _Product, offline: bool, settings: Settings, now: datetime, on_progress: Progress) -> Answered:
    """Return the newest available reply, and the fault when it could not be renewed."""

    def ask(kept: KeptReply | None) -> KeptReply:
        on_progress(f"asking for {product.words}")
        text, etag = space_weather.get_kp_text(product.path, settings=settings, etag=kept.etag if kept else "")
        return KeptReply(now, kept.text if text is None and kept else text or "", etag)

    name = product.path.rsplit("/", 1)[-1]
    return newest_reply("space_weather", name, product.parse, ask, age=product.age, now=now, offline=offline)


def _from_gfz(
    settings: Settings, now: datetime, on_progress: Progress
) -> tuple[KpSeries, datetime] | tuple[None, None]:
    """Return the second source's Kp for the hours just past."""
    on_progress("asking the second source for Kp")
    try:
        return space_weather.parse_measured(space_weather.get_measured_text(settings=settings, now=now).encode()), now
    except SourceError:
        return None, None  # the fault of the first source is already reported


def _not_disproved(outlook: KpOutlook, series: KpSeries) -> tuple[KpOutlook, bool]:
    """Remove the days of an outlook on which the measured Kp was above it by more than rounding to a whole number."""
    day = series.start.astype("datetime64[D]")
    still_valid = [not (series.kp[day == d] > kp + 0.5).any() for d, kp in zip(outlook.day, outlook.kp, strict=True)]
    return replace(outlook, day=outlook.day[still_valid], kp=outlook.kp[still_valid]), not all(still_valid)


def _reach(kp: xr.DataArray) -> list[str]:
    """Return notes on the times from which Kp comes from the outlook, and from which it is unknown."""
    notes = []
    known = np.isfinite(kp.values)
    if known.any() and kp.attrs.get("outlook_from", "none") != "none":
        note = f"from {kp.attrs['outlook_from']} on Kp is the largest of its day from the outlook"
        notes.append(f"{note} issued {kp.attrs['outlook_issued']}")
    if not known.any():
        notes.append("Kp is not known for these days; to go without it: --advise kp")
    elif not known.all() and known[-1]:
        hours = np.flatnonzero(~known)
        first = str(kp["time"].values[hours[0]])[:16]
        notes.append(f"Kp is lost in {hours.size} hours from {first}Z on; to go without it: --advise kp")
    elif not known[-1]:
        notes.append(f"Kp is not known past {str(kp['time'].values[known][-1] + np.timedelta64(1, 'h'))[:16]}Z")
    return notes
