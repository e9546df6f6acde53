"""The keywords of a question, typed; written by docs/generate_reference.py from wxfly/pilot/options.py."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TypedDict

import numpy as np


class Keywords(TypedDict, total=False):
    """What every question may say; each may be left out, and None leaves it out too.

    A number is in SI units, whatever `units` says; a text has its unit, and one without a unit is read in that of
    `units`, as on the command line.

    Attributes
    ----------
    duration : float | str
        Shortest window of use, such as 45min or 2h [s]. By default 45min.
    contingency : float | str
        Time in reserve beyond --duration, such as 20min, or as-long; windows and their chance are for both [s]. By
        default none.
    survey : float | str
        Work that can stop at any hour, such as 4h on several batteries; it is laid into the hours with room [s].
    wait : int
        Waiting hours after one over the wind or gust limit. By default 0.
    prefer : str
        Rank windows in golden or blue hour first; no hour gets room by it.
    costs : str | Sequence[float]
        What driving out costs, what a flight is worth and what a broken limit costs, in one currency.
    time_zone : str
        Show times in this IANA zone. By default each site's own.
    plan : str
        Take what is not given here from a saved plan (see: wxfly plans).
    aircraft : str
        Aircraft class or one of your own (see: wxfly aircraft). By default camera-quad-250g.
    height : float | str
        Flight height above ground, such as 80m or 260ft [m]. By default 60m.
    rules : str
        Rules for height, visibility, cloud and daylight (see: wxfly rules). By default own.
    limits : str | Sequence[str] | Mapping[str, str]
        Your limit for today in place of one element's, such as gust=8m/s.
    reserve : float | str
        Share of every limit to keep, such as 20%; an hour with less left is narrow. By default 0.2.
    launch_limit : float | str
        Largest gust for launching and landing, 2 m above ground [m/s]. By default the aircraft's, or none.
    required : str | Sequence[str]
        An element that must be known: where it is unknown, the hour is not known.
    advised : str | Sequence[str]
        An element that may be unknown: the answer then says so first and goes by the others.
    distance : float | str
        To the farthest point over ground, such as 400m; judges the way back in every hour [m]. By default as far as its
        attitude is seen.
    return_height : float | str
        Height of the way back above ground [m]. By default the flight height.
    toward : float | str
        Where the sortie goes and you look, in degrees or as a point such as SW or southwest; also tells of glare.
    work : float | str
        Time at the farthest point, such as 5min [s]. By default none.
    batteries : int
        How many are charged. By default 1.
    battery_reserve : float | str
        Share of a battery to land with, such as 25%. By default 0.25.
    battery_temperature : float | str
        Temperature of the battery before take-off, such as 20degC [K]. By default the air's.
    payload : float | str
        Mass beyond the aircraft's own, such as 120g [kg]. By default none.
    zones : str | Path
        Your file of UAS zones (ED-269, ED-318 or GeoJSON); the answer says which the site is in or near.
    confidence : float | str
        Probability that wind and gust at flight height stay below what is compared with their limits. By default 0.5.
    ensemble : str | Sequence[str]
        Members that give the chance: ensembles such as icon_eu_eps, several single models, or none. By default an
        ensemble chosen by place and hours.
    site_record : bool
        Correct wind and gust by the record of the site (see: wxfly verify).
    fresh : bool
        Rank the windows anew: do not stay with one chosen in an earlier answer.
    model : str
        The one forecast model to ask. By default chosen by place and hours.
    forecast_path : str | Path
        Answer from this saved reply (.json) or forecast file (.nc, .grib2) instead of asking; - reads standard input.
    as_of : str | datetime | np.datetime64
        Answer as if it were this time (ISO 8601, UTC unless it names an offset).
    offline : bool
        Use only forecasts that are already on this machine.
    units : str
        Units of the answer, and of a number without one: m, m/s and degC, or ft, mph and degF, or ft, kt and degC; mass
        is in g and time in min in each. By default metric.
    """

    duration: float | str | None
    contingency: float | str | None
    survey: float | str | None
    wait: int | None
    prefer: str | None
    costs: str | Sequence[float] | None
    time_zone: str | None
    plan: str | None
    aircraft: str | None
    height: float | str | None
    rules: str | None
    limits: str | Sequence[str] | Mapping[str, str] | None
    reserve: float | str | None
    launch_limit: float | str | None
    required: str | Sequence[str] | None
    advised: str | Sequence[str] | None
    distance: float | str | None
    return_height: float | str | None
    toward: float | str | None
    work: float | str | None
    batteries: int | None
    battery_reserve: float | str | None
    battery_temperature: float | str | None
    payload: float | str | None
    zones: str | Path | None
    confidence: float | str | None
    ensemble: str | Sequence[str] | None
    site_record: bool | None
    fresh: bool | None
    model: str | None
    forecast_path: str | Path | None
    as_of: str | datetime | np.datetime64 | None
    offline: bool | None
    units: str | None


class KeywordsOfDay(Keywords, total=False):
    """Those of a question about one day.

    Attributes
    ----------
    day : str | date
        The day at the site: today, tomorrow, a weekday or YYYY-MM-DD. By default tomorrow; for why, the next such hour.
    """

    day: str | date | None


class KeywordsOfDays(Keywords, total=False):
    """Those of a question about several days.

    Attributes
    ----------
    days : int
        How many days, from today. By default 7.
    """

    days: int | None


class KeywordsOfNow(Keywords, total=False):
    """Those of a question about the time from now on.

    Attributes
    ----------
    hours : int
        How many hours from now to look at. By default the rest of the day.
    """

    hours: int | None
