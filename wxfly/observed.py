"""Is the forecast right this morning? The latest airport report beside the forecast of its hour, in words."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, replace

import numpy as np

from wxfly.belongings import aligned
from wxfly.errors import WxflyError
from wxfly.freshness import hide_stale
from wxfly.obtained import Obtained
from wxfly.questions import Progress, sites_file
from wxfly.report.phrases import CAUTIONS
from wxfly.report.sentences import printable
from wxfly.report_check import FARTHEST_KM, OLDEST, Difference, compare_report, latest_report
from wxfly.settings import load_settings
from wxfly.site import Site, read_sites
from wxfly.sources.aviation_weather import ATTRIBUTION, AirportReport
from wxfly.sources.open_meteo import distance_km
from wxfly.units import SYSTEMS, from_si

_NAMES = {
    "wind_speed": ("wind at 10 m", "wind"),
    "wind_speed_of_gust": ("gust", "wind"),
    "air_temperature": ("temperature", "temperature"),
    "visibility_in_air": ("visibility", "visibility"),
}
ELSEWHERE = (
    "An airport is open, level and not your site: measure where you stand (wxfly check) before you trust either."
)


@dataclass(frozen=True)
class Observed:
    """An airport report beside the forecast of its hour.

    Attributes
    ----------
    site : Site
        For which it was asked.
    report : AirportReport
        The newest of the nearest airport.
    differences : tuple of Difference
        What both know.
    obtained : Obtained
        The forecast.
    """

    site: Site
    report: AirportReport
    differences: tuple[Difference, ...]
    obtained: Obtained


def ask_observed(site: str | None, *, model: str | None, offline: bool, on_progress: Progress) -> Observed:
    """Set the latest airport report near a site beside the forecast.

    Parameters
    ----------
    site : str or None
        As the pilot wrote it; None for the first saved one.
    model : str or None
        Forecast model to ask.
    offline : bool
        Use what is kept.
    on_progress : callable
        Told what is being asked.

    Raises
    ------
    WxflyError
        When there is no forecast, no airport near that has reported lately, or its service cannot be reached.
    """
    from wxfly import retrieval

    obtained = retrieval.obtain(
        [site] if site else [], saved=read_sites(sites_file()), model=model, offline=offline, on_progress=on_progress
    )
    place = obtained.sites[0]
    if obtained.is_demo:
        raise WxflyError(f"{place.name} has invented weather, of which no airport reports; name a real place")
    if not offline:
        on_progress("asking for airport reports")
    report = latest_report(place, settings=load_settings(), offline=offline)
    if report is None:
        minutes = OLDEST / np.timedelta64(1, "m")
        raise WxflyError(
            f"no airport within {FARTHEST_KM:g} km of {place.name} has reported in the last {minutes:g} minutes"
            f"{', as far as is kept on this machine' if offline else ''}; measure on the spot: wxfly check"
        )
    # A forecast that is too old to answer from is too old to be found right.
    since = obtained.retrieved if np.isnat(obtained.run) else obtained.run
    cube, notes = hide_stale(obtained.cube.isel(site=0), obtained.now, since=since)
    obtained = replace(obtained, notes=(*notes, *obtained.notes))
    return Observed(place, report, tuple(compare_report(report, cube)), obtained)


def render(observed: Observed, *, units: str, width: int) -> str:
    """Write it as text.

    Parameters
    ----------
    observed : Observed
        What to tell.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    width : int
        Columns of the terminal.
    """
    report, obtained = observed.report, observed.obtained
    away = distance_km(observed.site.latitude, observed.site.longitude, report.latitude, report.longitude)
    name = printable(f"{report.station} ({report.name})" if report.name else report.station)
    minutes = (obtained.now - report.observed) / np.timedelta64(1, "m")
    # No airport reports Kp: what is to be said of it has no part in this comparison.
    notes = [note for note in obtained.notes if "Kp" not in note]
    blocks = [[printable(note[:1].upper() + note[1:]) for note in notes]]
    blocks.append(
        [_verdict(observed), f"Reported by {name}, {away:.0f} km from {observed.site.name}, {minutes:.0f} min ago."]
    )
    table = _table(observed, units) if observed.differences else ""
    run = "not known" if np.isnat(obtained.run) else f"{str(obtained.run)[:16]}Z"
    closing = [
        f"As sent: {printable(report.text)}" if report.text else "",
        f"Forecast: {obtained.cube.attrs.get('source', 'not known')}, run {run}.",
        ELSEWHERE,
        *CAUTIONS,
        f"{obtained.cube.attrs.get('attribution', '')}; {ATTRIBUTION}",
    ]
    wrapped = ["\n".join(_wrap(text, width) for text in block if text) for block in (*blocks, closing)]
    return "\n\n".join(text for text in (*wrapped[:2], table, wrapped[2]) if text)


def _verdict(observed: Observed) -> str:
    at = f"at {str(observed.report.observed)[11:16]}Z"
    if not observed.differences:
        return f"The report and the forecast have nothing in common to compare {at}."
    off = [_NAMES[d.name][0] for d in observed.differences if d.is_large]
    if not off:
        return f"The forecast agrees with what the nearest airport reported {at}."
    return (
        f"THE FORECAST IS OFF {at}: {', '.join(off)}. Hold the worse of the two against your limits, today's later "
        "hours too."
    )


def _table(observed: Observed, units: str) -> str:
    rows = [("", "reported", "forecast", "difference", "")]
    for d in observed.differences:
        name, quantity = _NAMES[d.name]
        unit = SYSTEMS[units][quantity]
        reported, forecast = (float(from_si(v, unit)) for v in (d.reported, d.forecast))
        shown = {"degC": "°C", "degF": "°F"}.get(unit, unit)
        at_least = d.name == "visibility_in_air" and observed.report.visibility_is_more
        between = "-" if at_least and reported < forecast else f"{reported - forecast:+.1f} {shown}"
        mark = "large" if d.is_large else ""
        rows.append((name, f"{'≥' * at_least}{reported:.1f} {shown}", f"{forecast:.1f} {shown}", between, mark))
    return aligned(rows)


def _wrap(text: str, width: int) -> str:
    return textwrap.fill(text, max(width, 24), break_long_words=False, break_on_hyphens=False)
