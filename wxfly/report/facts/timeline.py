"""What a picture of one site's hours shows beside the facts of the answer: light to the minute, and every height."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from typing import Literal

import numpy as np

from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.physics.air.sun import CIVIL_TWILIGHT, HORIZON, sun_position
from wxfly.pilot.elements import ROW
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.values import Facts, Metres, Share, column, moment_of, number

_MINUTE = np.timedelta64(1, "m")


class LightSpan(Facts, frozen=True):
    """A span of one kind of light."""

    start: datetime
    end: datetime
    """Its ends, to the minute."""
    kind: Literal["night", "twilight", "day"]
    """By the sun at the horizon, and at 6 degrees below it."""


class FlightWind(Facts, frozen=True):
    """Wind or gust at flight height, whichever phase of the flight decides."""

    demand: list[float | None]
    """Of each hour, SI."""
    limit: float | None
    """SI; null for none."""


class TimelineFacts(Facts, frozen=True):
    """The hours of one site as a timeline shows them."""

    site: SiteAnswerFacts
    """The answer for the site."""
    wind: FlightWind
    gust: FlightWind
    """At flight height."""
    light: list[LightSpan]
    """Over all hours of the answer."""
    heights: list[Metres]
    """The steps up to the height limit."""
    share_of_limit: list[list[Share | None]]
    """By height, then by hour: the largest share that wind, gust or wind difference takes of its limit."""


def timeline_facts(briefing: Briefing, facts: AnswerFacts) -> list[TimelineFacts]:
    """Return what a picture of each site's hours shows, from a briefing and its facts."""
    return [_of_site(*both) for both in zip(briefing.answers, facts.sites, strict=True)]


def _of_site(answer: SiteAnswer, site: SiteAnswerFacts) -> TimelineFacts:
    profile = answer.heights.transpose("height", "time")
    return TimelineFacts(
        site=site,
        wind=_at_flight_height(answer, "wind"),
        gust=_at_flight_height(answer, "gust"),
        light=light_spans(answer),
        heights=profile["height"].values.tolist(),
        share_of_limit=[column(row) for row in profile["share_of_limit"].values],
    )


def _at_flight_height(answer: SiteAnswer, element: str) -> FlightWind:
    prefix = "flight_" if "flight_demand" in answer.assessment else ""
    demand, limit = (
        answer.assessment[f"{prefix}{name}"].transpose("element", "time").values[ROW[element]]
        for name in ("demand", "limit")
    )
    return FlightWind(column(demand), number(limit[0]))


def light_spans(answer: SiteAnswer) -> list[LightSpan]:
    """Return the spans of night, twilight and day over the hours of an answer."""
    times = answer.assessment["time"].values.astype("datetime64[m]")
    minutes = np.arange(times[0], times[-1] + 61 * _MINUTE, _MINUTE)
    site = answer.request.site
    elevation, _ = sun_position(site.latitude, site.longitude, minutes)
    kind = np.where(elevation >= HORIZON, 2, np.where(elevation >= CIVIL_TWILIGHT, 1, 0))
    edges = [0, *(np.flatnonzero(np.diff(kind)) + 1).tolist(), kind.size - 1]
    words: tuple[Literal["night", "twilight", "day"], ...] = ("night", "twilight", "day")
    return [
        LightSpan(moment_of(minutes[a]), moment_of(minutes[b]), words[kind[a]]) for a, b in pairwise(edges) if b > a
    ]
