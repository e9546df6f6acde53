"""The field check: a reading of an anemometer compared with the forecast, and the verdict on a launch now."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, replace

import numpy as np

from wxfly.answer.alternatives import LOWEST
from wxfly.answer.briefing import age_counts_from
from wxfly.answer.flight_brief import roughness_of
from wxfly.answer.request import BeforeReading, Briefing, Request
from wxfly.assessment.conditions import derive, derive_flight, hours_of
from wxfly.assessment.forecast_error import default_error_law, lead_time
from wxfly.assessment.suitability import assess
from wxfly.assessment.usable_height import steps_to
from wxfly.cube.contract import models_of
from wxfly.flight.anemometer_reading import (
    AnemometerRule,
    Correction,
    Reading,
    anemometer_rule,
    correct_forecast,
    weigh,
)
from wxfly.flight.launch_decision import LOOK_AHEAD, LaunchDecision, LaunchVerdict, coming, judge_reading
from wxfly.pilot.options import Words
from wxfly.question.ask import Prepared, Progress, brief_of, prepare
from wxfly.question.question import NO_MEMBERS, read_check_question
from wxfly.units import errors_in


@dataclass(frozen=True)
class CheckAsked:
    """A reading compared with the forecast, and the rest of the day corrected by it.

    Attributes
    ----------
    correction : Correction
        The effect of the reading.
    rule : AnemometerRule
        The limits as an anemometer shows them in the hours of a flight from now on.
    verdict : LaunchDecision
        The verdict on a launch now.
    briefing : Briefing
        The rest of the day, corrected.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        IANA zone of the question; None for the site's own.
    highest : float or None
        Height above ground up to which the limits hold by the same decision, in the steps of the usable height from
        10 m on [m]; 0 where at none, None where a way back is planned.
    """

    correction: Correction
    rule: AnemometerRule
    verdict: LaunchDecision
    briefing: Briefing
    units: str
    time_zone: str | None
    highest: float | None


def ask_check(place: str | None, words: Words, *, on_progress: Progress) -> CheckAsked:
    """Compare a reading with the forecast and answer for the rest of the day.

    Parameters
    ----------
    place : str or None
        As the pilot wrote it.
    words, on_progress
        As in `wxfly.question.ask.ask`.

    Raises
    ------
    WxflyError
        For anything that the pilot can correct.
    """
    with errors_in(words.units):
        asked = read_check_question(place, words)
        # The reading does not correct the wind of members.
        question = replace(asked.question, forecast=replace(asked.question.forecast, ensembles=(NO_MEMBERS,)))
        prepared = prepare(question, on_progress=on_progress)
        request = prepared.requests[0]
        reading = Reading(prepared.now, asked.anemometer_height, asked.mean, asked.gust, asked.temperature)
        correction, rule, verdict, briefing = _judge(prepared, request, reading)
        holds = verdict.verdict is LaunchVerdict.HOLDS
        highest = None if request.has_way_back else _highest(prepared, request, reading, holds=holds)
        return CheckAsked(correction, rule, verdict, briefing, question.units, question.time_zone, highest)


def _highest(prepared: Prepared, request: Request, reading: Reading, *, holds: bool) -> float:
    """Return the height up to which the limits hold by the same decision [m]; 0 where not at the lowest step.

    Every hour is judged by the worst of the climb, so what holds at a height holds below: halving finds it.

    Parameters
    ----------
    prepared, request, reading
        As they were judged.
    holds : bool
        Whether the limits hold at the height of the request.
    """
    # Later hours decide nothing on a launch now.
    of_flight = replace(prepared, periods=((prepared.now, _flight_end(prepared)),))

    def passes(height: float) -> bool:
        at_height = replace(request, height=height, return_height=height)
        return _judge(of_flight, at_height, reading)[2].verdict is LaunchVerdict.HOLDS

    steps = steps_to(request.limits.height_limit)
    left = [float(h) for h in steps if h >= LOWEST and (h > request.height if holds else h < request.height)]
    highest = request.height if holds else 0.0
    if not left or not passes(left[0]):
        return highest
    return left[bisect_left(left, True, lo=1, key=lambda height: not passes(height)) - 1]


def _flight_end(prepared: Prepared) -> np.datetime64:
    """Return the end of a flight that starts now and takes as long as the shortest useful window."""
    return prepared.now + prepared.question.work.reference_period


def _judge(
    prepared: Prepared, request: Request, reading: Reading
) -> tuple[Correction, AnemometerRule, LaunchDecision, Briefing]:
    """Return the effect of a reading, the rule for the anemometer, the verdict, and the period corrected by it."""
    question, cube = prepared.question, prepared.cube.isel(site=0)
    home = request.height if request.return_height is None else request.return_height
    near_ground, flight, *returning = (
        derive(cube, height=height, site=request.site, start=prepared.now, end=prepared.periods[0][1])
        for height in (reading.anemometer_height, request.height, *((home,) if home != request.height else ()))
    )
    flight_end = _flight_end(prepared)
    of_flight = {"time": flight["time"].values < flight_end}
    roughness = roughness_of(request.site)
    rule = anemometer_rule(
        near_ground.isel(of_flight),
        [level.isel(of_flight) for level in (flight, *returning)],
        request.limits,
        roughness_length=roughness,
        confidence=question.confidence,
    )
    law = default_error_law().of_forecast(models_of(cube), request.height, 1)
    lead = lead_time(reading.time, age_counts_from(prepared.provenance))
    correction = weigh(
        reading,
        near_ground,
        flight,
        roughness_length=roughness,
        forecast_deviation=float(law.figure("wind", "error", lead)),
    )
    corrected = correct_forecast(prepared.cube, correction)
    note = "the forecast is corrected by your reading, from its hour on and fading over the day"
    if not (correction.added_wind or correction.added_gust or correction.added_temperature):
        note = "your reading changes nothing in the forecast; the reason is below"
    # Where the forecast has no gust, gusts are derived from the wind, and a gust that was read is not used.
    has_gust = "wind_speed_of_gust" in cube
    may_improve = tuple(name for name in correction.may_improve if has_gust or name != "gust")
    request = replace(request, before=BeforeReading(cube, may_improve))
    briefing = brief_of(prepared, request=request, corrected=corrected, notes=(note,))
    around = [
        assess(
            derive_flight(
                hours_of(c.isel(site=0), start=prepared.now - LOOK_AHEAD, end=flight_end + LOOK_AHEAD),
                height=request.height, site=request.site, limits=request.limits, return_height=home,
            ),
            request.limits,
        )
        for c in (prepared.cube, corrected)
    ]  # fmt: skip
    beside = coming(around, prepared.now, flight_end, float(law.timing_deviation(lead)))
    answer = briefing.answers[0]
    hours = answer.assessment.isel(of_flight)
    chances = {} if answer.site_chance is None else answer.site_chance.of_elements(0, hours.sizes["time"] - 1)
    return correction, rule, judge_reading(correction, rule, hours, beside, chances), briefing
