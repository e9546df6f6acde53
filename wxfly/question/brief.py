"""From words on a command line to a flight brief and to a field check; `wxfly.question.ask` has the questions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from wxfly.answer.briefing import make_briefing, run_of
from wxfly.answer.flight_brief import FlightBrief, make_flight_brief, roughness_of
from wxfly.answer.request import BeforeReading, Briefing, Request
from wxfly.assessment.conditions import derive
from wxfly.assessment.forecast_error import default_error_law, lead_time
from wxfly.errors import WxflyError
from wxfly.flight.anemometer_limits import HAND_HEIGHT, HandRule, check_hand_height, hand_rule
from wxfly.flight.anemometer_reading import Correction, Reading, check_temperature, correct_forecast, weigh
from wxfly.flight.launch_decision import HandVerdict, judge_reading
from wxfly.question.ask import Prepared, Progress, prepare
from wxfly.question.sortie import confidence_of, length_of
from wxfly.units import read_quantity


@dataclass(frozen=True)
class BriefAsked:
    """A flight brief, and how its reader wants it shown.

    Attributes
    ----------
    brief : FlightBrief or None
        None where no window holds.
    briefing : Briefing
        The answer it is from.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        As given.
    """

    brief: FlightBrief | None
    briefing: Briefing
    units: str
    time_zone: str | None


@dataclass(frozen=True)
class CheckAsked:
    """A reading held against the forecast, and the rest of the day corrected by it.

    Attributes
    ----------
    correction : Correction
        What the reading does.
    rule : HandRule
        What the anemometer may show in the hours of a flight from now on.
    verdict : HandVerdict
        What the reading means for a launch now.
    briefing : Briefing
        The rest of the day with the correction in it.
    units, time_zone
        As in `BriefAsked`.
    """

    correction: Correction
    rule: HandRule
    verdict: HandVerdict
    briefing: Briefing
    units: str
    time_zone: str | None


def ask_brief(site: str | None, options: Mapping[str, Any], *, on_progress: Progress) -> BriefAsked:
    """Make the flight brief of a window.

    Parameters
    ----------
    site : str or None
        As the pilot wrote it.
    options : mapping
        Of the command line, by name; see ``wxfly brief --help``.
    on_progress : callable
        Told what is being done when it may take over a second.

    Raises
    ------
    WxflyError
        For anything the pilot can put right.
    """
    prepared = prepare("best", [site] if site else [], options, with_sortie=True, on_progress=on_progress)
    request = prepared.requests[0]
    return_height = length_of(options.get("return_height"), request.height, prepared.units)
    hand_height = length_of(options.get("hand_height"), HAND_HEIGHT, prepared.units)
    check_hand_height(hand_height)
    briefing = _answer(prepared, request)
    answer = briefing.answers[0]
    if not answer.windows:
        return BriefAsked(None, briefing, prepared.units, prepared.time_zone)
    rank = int(options.get("rank") or 1)
    if rank > len(answer.windows):
        raise WxflyError(f"there is no window {rank}; {len(answer.windows)} hold, the best is 1")
    brief = make_flight_brief(
        prepared.cube.isel(site=0),
        answer,
        answer.windows[rank - 1],
        sortie=request.sortie,
        energy_missing=request.energy_missing,
        hand_height=hand_height,
        return_height=return_height,
        forecast_run=run_of(prepared.provenance),
        confidence=confidence_of(options),
    )
    return BriefAsked(brief, briefing, prepared.units, prepared.time_zone)


def _answer(prepared: Prepared, request: Request, cube: Any = None, notes: tuple[str, ...] = ()) -> Briefing:
    return make_briefing(
        "best",
        prepared.cube if cube is None else cube,
        [request],
        prepared.periods,
        minimum_duration=prepared.minimum_duration,
        now=prepared.now,
        provenance=prepared.provenance,
        notes=(*prepared.notes, *notes),
        # A reading corrects the one forecast alone: members beside it would still tell of the wind before.
        ensembles=prepared.ensembles if cube is None else (),
        law=prepared.law,
    )


def ask_check(site: str | None, options: Mapping[str, Any], *, on_progress: Progress) -> CheckAsked:
    """Hold a reading against the forecast and answer for the rest of the day.

    Parameters
    ----------
    site, options, on_progress
        As in `ask_brief`; see ``wxfly check --help``.

    Raises
    ------
    WxflyError
        For anything the pilot can put right.
    """
    prepared = prepare("best", [site] if site else [], options, first_day=0, on_progress=on_progress)
    request = prepared.requests[0]
    reading = _reading(prepared, options)
    cube = prepared.cube.isel(site=0)
    home = request.height if request.sortie is None else request.sortie.plan.return_height
    hand, flight, *returning = (
        derive(cube, height=height, site=request.site, start=prepared.now, end=prepared.periods[0][1])
        for height in (reading.hand_height, request.height, *((home,) if home != request.height else ()))
    )
    # A flight that starts now lasts as long as the shortest window of use.
    of_flight = {"time": flight["time"].values < prepared.now + prepared.minimum_duration}
    roughness = roughness_of(request.site)
    rule = hand_rule(
        hand.isel(of_flight),
        [level.isel(of_flight) for level in (flight, *returning)],
        request.limits,
        roughness_length=roughness,
        confidence=confidence_of(options),
    )
    law = default_error_law().of_forecast([str(cube.attrs.get("model", "not known"))], request.height, 1)
    lead = lead_time(reading.time, run_of(prepared.provenance))
    correction = weigh(
        reading,
        hand,
        flight,
        roughness_length=roughness,
        forecast_deviation=float(law.figure("wind", "error", lead)),
    )
    corrected = correct_forecast(prepared.cube, correction)
    note = "the forecast is corrected by your reading, from its hour on and fading over the day"
    if not (correction.added_wind or correction.added_gust or correction.added_temperature):
        note = "your reading changes nothing in the forecast: see below why"
    # A gust that the forecast does not have is worked out from the wind: a reading of it is not put in.
    has_gust = "wind_speed_of_gust" in cube
    may_improve = tuple(name for name in correction.may_improve if has_gust or name != "gust")
    request = replace(request, before=BeforeReading(cube, may_improve))
    briefing = _answer(prepared, request, corrected, (note,))
    verdict = judge_reading(correction, rule, briefing.answers[0].assessment.isel(of_flight))
    return CheckAsked(correction, rule, verdict, briefing, prepared.units, prepared.time_zone)


def _reading(prepared: Prepared, options: Mapping[str, Any]) -> Reading:
    units = prepared.units
    hand_height = length_of(options.get("hand_height"), HAND_HEIGHT, units)
    check_hand_height(hand_height)
    mean = read_quantity(str(options["mean"]), "speed", units)
    gust, temperature = options.get("gust"), options.get("temperature")
    strongest = read_quantity(gust, "speed", units) if gust else None
    if mean < 0:
        raise WxflyError(f"a mean wind of '{options['mean']}' is below zero")
    if strongest is not None and strongest < mean:
        raise WxflyError(f"a gust of '{gust}' is below the mean of '{options['mean']}'; are the two exchanged?")
    warm = read_quantity(temperature, "temperature", units) if temperature else None
    if warm is not None:
        check_temperature(warm)
    return Reading(prepared.now, hand_height, mean, strongest, warm)
