"""What a picture of one site's hours shows beside the facts of the answer: light to the minute, and every height."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.assessment.suitability import counts_as_required, names_of, not_judged
from wxfly.physics.sun import CIVIL_TWILIGHT, HORIZON, sun_position
from wxfly.pilot.elements import BY_NAME, ROW
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.site import SiteAnswerFacts
from wxfly.report.facts.values import Facts, Metres, Share, column, moment_of, number

Array = npt.NDArray[np.float64]

_MINUTE = np.timedelta64(1, "m")


class LightSpan(Facts, frozen=True):
    """A span of one kind of light."""

    start: datetime
    end: datetime
    """Its ends, to the minute."""
    kind: Literal["night", "twilight", "day"]
    """The borders are the sun at the horizon, and at 6 degrees below it."""


class FlightWind(Facts, frozen=True):
    """Wind or gust at flight height, whichever phase of the flight decides."""

    demand: list[float | None]
    """Demand of each hour, SI."""
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
    margin_by_height: list[list[Share | None]]
    """The smallest, by height, then by hour, margin of wind at that height and of the other elements of the hour; null
    where that is not known."""
    decides_by_height: list[list[str]]
    """For the same heights and hours, the element that decides or is not known; ``wind`` for wind, gust and wind
    difference."""


def timeline_facts(briefing: Briefing, facts: AnswerFacts) -> list[TimelineFacts]:
    """Return what a picture of each site's hours shows, from a briefing and its facts."""
    return [_of_site(*both) for both in zip(briefing.answers, facts.sites, strict=True)]


def _of_site(answer: SiteAnswer, site: SiteAnswerFacts) -> TimelineFacts:
    margin, decides = margins_by_height(answer)
    return TimelineFacts(
        site=site,
        wind=_at_flight_height(answer, "wind"),
        gust=_at_flight_height(answer, "gust"),
        light=light_spans(answer),
        heights=answer.heights["height"].values.tolist(),
        margin_by_height=[column(row) for row in margin],
        decides_by_height=decides.tolist(),
    )


def margins_by_height(answer: SiteAnswer) -> tuple[Array, npt.NDArray[np.object_]]:
    """Return what each height leaves in each hour, and the element that decides, both by height and hour.

    Wind, gust, wind difference and the distance to cloud are those of the height; every other element, and a hold after
    a gust, are those of the hour. What makes an hour not known makes it so at every height.
    """
    assessment = answer.assessment.transpose("element", "time", ...)
    profile = answer.heights.transpose("height", "time")
    heights = profile["height"].values
    names, rows = ["wind"], [1.0 - profile["share_of_limit"].values]
    counts, skipped = counts_as_required(assessment), not_judged(assessment)
    shape, prefix = rows[0].shape, _prefix(answer)
    for k, name in enumerate(names_of(assessment)):
        if name in _OF_WIND or name in skipped:
            continue
        margin = assessment["margin"].values[k]
        if name == "cloud_base":
            demand, limit = (assessment[f"{prefix}{row}"].values[k] for row in ("demand", "limit"))
            margin = BY_NAME[name].margin(demand, limit - answer.request.height + heights[:, None])
        names.append(name)
        rows.append(np.broadcast_to(np.where(np.isnan(margin) & ~counts[k], np.inf, margin), shape))
    if "waiting_after" in assessment:
        cause = assessment["waiting_after"].values.astype(str)
        for name in sorted(set(cause) - {""}):
            names.append(name)
            rows.append(np.broadcast_to(np.where(cause == name, assessment["hour_margin"].values, np.inf), shape))
    stacked = np.stack(rows)
    decides = np.where(np.isnan(stacked), -np.inf, stacked).argmin(axis=0)
    return stacked.min(axis=0), np.array(names, dtype=object)[decides]


_OF_WIND = ("wind", "gust", "wind_difference")


def _prefix(answer: SiteAnswer) -> str:
    """Return how the rows at flight height are named: apart, where another phase of the flight may be tighter."""
    return "flight_" if "flight_demand" in answer.assessment else ""


def _at_flight_height(answer: SiteAnswer, element: str) -> FlightWind:
    demand, limit = (
        answer.assessment[f"{_prefix(answer)}{name}"].transpose("element", "time").values[ROW[element]]
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
