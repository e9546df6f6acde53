"""Plain values of the answer for machines: numbers, times and chances.

The answer for machines: one JSON object in SI and UTC, described by ``wxfly/data/answer.schema.json``.

What the pilot means to do, and what follows for it, in the answer for machines.
"""

from __future__ import annotations

import json
import math
from importlib.resources import files
from typing import Any

import numpy as np

from wxfly.answer.request import Briefing, Change, SiteAnswer
from wxfly.answer.survey import Survey
from wxfly.answer.windows import Window
from wxfly.assessment.suitability import State, counts_as_required, names_of
from wxfly.pilot.elements import BY_NAME
from wxfly.pilot.intent import drives_out, takes_off
from wxfly.probability.chance import Chance, Outlook
from wxfly.report.text import chances, findings, phrases, sentences, summary
from wxfly.report.text.work import chance_for_costs

_PLACES = 6


def chance_of(chance: Chance | None) -> dict[str, Any]:
    """Give a chance and its causes."""
    if chance is None or math.isnan(chance.value):
        return {"value": None, "causes": []}
    causes = [
        {"element": c.element, "share": number(c.share), "share_alone": number(c.sole_share)} for c in chance.causes
    ]
    return {"value": number(chance.value), "causes": causes}


def number(value: float) -> float | None:
    """Give a plain number, rounded so that it is the same on every machine; None for NaN and infinity."""
    return round(float(value), _PLACES) if math.isfinite(value) else None


def time_of(moment: np.datetime64) -> str | None:
    """Give a moment in UTC; None for NaT."""
    return None if np.isnat(moment) else f"{moment.astype('datetime64[s]')}Z"


SCHEMA_VERSION = 2
"""Raised when a key changes its meaning or goes; a new key alone does not raise it."""


def schema() -> dict[str, Any]:
    """Give the JSON Schema (draft 2020-12) that every answer follows."""
    text = (files("wxfly") / "data" / "answer.schema.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def to_json(briefing: Briefing) -> dict[str, Any]:
    """Give a briefing as plain values that the standard JSON module writes without help.

    Parameters
    ----------
    briefing : Briefing
        What to tell.

    Returns
    -------
    dict
        SI units, UTC times as ISO 8601 with ``Z``, None for what is not known or does not exist.
    """
    answer = {
        "schema_version": SCHEMA_VERSION,
        "question": briefing.question,
        "now": time_of(briefing.now),
        "minimum_duration_s": int(briefing.minimum_duration / np.timedelta64(1, "s")),
        "invented": sentences.is_invented(briefing),
        "notes": list(briefing.notes),
        "cautions": list(phrases.CAUTIONS),
        "forecast": _forecast(briefing),
        "answers": [_site_answer(a) for a in briefing.answers],
    }
    if briefing.question == "compare":
        answer["comparison"] = _comparison(briefing)
    return answer


def _forecast(briefing: Briefing) -> dict[str, Any]:
    p = briefing.provenance
    run, retrieved = (sentences.moment_of(p.get(key)) for key in ("run", "retrieved"))
    since = retrieved if np.isnat(run) else run
    age = None if np.isnat(since) else int((briefing.now - since) / np.timedelta64(1, "s"))
    words = {key: str(p.get(key, "not known")) for key in ("source", "institution", "model", "attribution", "license")}
    return words | {
        "history": str(p.get("history", "not known")),
        "run": time_of(run),
        "retrieved": time_of(retrieved),
        "age_s": age,
    }


def _site_answer(answer: SiteAnswer) -> dict[str, Any]:
    request, site, aircraft = answer.request, answer.request.site, answer.request.aircraft
    found = findings.gaps(answer)
    return {
        "site": {
            "name": site.name,
            "latitude": site.latitude,
            "longitude": site.longitude,
            "surface_altitude_m": number(site.surface_altitude),
            "time_zone": site.time_zone,
            "surface_cover": site.surface_cover,
            "invented": site.is_demo,
        },
        "aircraft": {"name": aircraft.name, "title": aircraft.title, "kind": aircraft.kind},
        "height_m": request.height,
        "reserve": request.limits.reserve,
        "confidence": request.limits.confidence,
        "rules": request.limits.rules,
        "daylight_rule": request.limits.daylight_rule,
        "period": {"start": time_of(answer.start), "end": time_of(answer.end)},
        "not_known": {
            "required": [gap.element for gap in found if gap.required],
            "advised": [gap.element for gap in found if not gap.required],
            "not_judged": list(answer.assessment.attrs["not_judged"]),
        },
        "sureness": _sureness(answer),
        "outlooks": [_outlook(o) for o in answer.outlooks],
        "changes": [_change(c) for c in answer.changes],
        "earlier": [{"run": run, "chance": number(chance)} for run, chance in answer.earlier],
        **_sortie(answer),
        **conduct(answer),
        "windows": [_window(answer, rank, w) for rank, w in enumerate(answer.windows, start=1)],
        "hours": _hours(answer),
    }


def _sortie(answer: SiteAnswer) -> dict[str, Any]:
    """Give what is to be flown; nothing where no sortie was asked for."""
    sortie, missing, worst = answer.request.sortie, answer.request.energy_missing, answer.way_home
    if sortie is None and not missing:
        return {}
    told: dict[str, Any] = {"judged": sortie is not None, "missing_figures": list(missing), "plan": None, "worst": None}
    if sortie is not None:
        told["plan"] = {
            "distance_m": number(sortie.plan.distance),
            "direction_degree": None if sortie.plan.direction is None else number(sortie.plan.direction),
            "work_s": number(sortie.plan.work_time),
            "return_height_m": number(sortie.plan.return_height),
            "battery_reserve": number(sortie.plan.reserve),
            "sureness_wanted": number(sortie.plan.confidence),
            "batteries": sortie.batteries,
        }
    if worst is not None:
        told["worst"] = {
            "moment": time_of(worst.moment),
            "needed_share": number(float(worst.budget.needed_share)),
            "charge_at_turn": number(float(worst.budget.charge_at_turn)),
            "latest_turn_s": number(float(worst.budget.latest_turn)),
            "flight_time_s": number(worst.flight_time),
        }
    return {"sortie": told}


def _window(answer: SiteAnswer, rank: int, window: Window) -> dict[str, Any]:
    return {
        "rank": rank,
        "start": time_of(window.start),
        "end": time_of(window.end),
        "state": window.state.words,
        "margin": number(window.margin),
        "limiting_element": window.limiting_element,
        "limiting_hour": time_of(answer.assessment["time"].values[findings.deciding_hour(answer, window)]),
        "advised_not_known": list(window.unknown),
        "within": {"start": time_of(window.within_start), "end": time_of(window.within_end)},
        "chance": chance_of(window.chance),
        "surest": None if window.surest is None else _outlook(window.surest),
    }


def _sureness(answer: SiteAnswer) -> dict[str, Any]:
    sureness = answer.sureness
    if sureness is None:
        return {"members": 1, "models": [], "single_forecast": True, "notes": [], "spread_of_source": []}
    return {
        "members": sureness.members,
        "models": list(sureness.models),
        "single_forecast": sureness.is_weak,
        "notes": list(sureness.notes),
        "spread_of_source": list(sureness.by_percentiles),
    }


def _outlook(outlook: Outlook) -> dict[str, Any]:
    return {
        "start": time_of(outlook.start),
        "end": time_of(outlook.end),
        "kind": outlook.kind,
        "chance": chance_of(outlook.chance),
    }


def _change(change: Change) -> dict[str, Any]:
    window = change.window
    return {
        "kind": change.kind,
        "start": None if window is None else time_of(window.start),
        "end": None if window is None else time_of(window.end),
        "height_m": number(change.height),
        "aircraft": change.aircraft or None,
        "element": change.element or None,
        "amount": number(change.amount),
    }


def _members(answer: SiteAnswer, hour: int) -> dict[str, Any] | None:
    """Give the lines of the members' band in one hour."""
    if answer.sureness is None or answer.sureness.band is None:
        return None
    band = answer.sureness.band.isel(time=hour)
    names = {"wind": "wind_speed", "gust": "wind_speed_of_gust"}
    return {key: [number(v) for v in band[name].values] for key, name in names.items()}


def _hours(answer: SiteAnswer) -> list[dict[str, Any]]:
    assessment = answer.assessment
    table = {name: assessment[name].transpose("element", "time").values for name in ("demand", "limit", "margin")}
    names = names_of(assessment)
    required, skipped = (
        counts_as_required(assessment.transpose("element", "time", ...)),
        set(assessment.attrs["not_judged"]),
    )
    usable_start, usable_end = findings.usable_parts(answer)
    direction = answer.conditions["wind_from_direction"].transpose("edge", "time").values
    state, margin = assessment["state"].values, assessment["hour_margin"].values
    limiting = assessment["limiting_element"].values
    hours = []
    for i, time in enumerate(assessment["time"].values.astype("datetime64[s]")):
        elements = {
            name: {
                "demand": number(table["demand"][k, i]),
                "limit": number(table["limit"][k, i]),
                "margin": number(table["margin"][k, i]),
                "unit": BY_NAME[name].units,
                "required": bool(required[k, i]),
                "judged": name not in skipped,
                "known": not math.isnan(table["margin"][k, i]),
                "height_m": height_of(answer, name, i),
            }
            for k, name in enumerate(names)
        }
        hours.append(
            {
                "start": time_of(time),
                "end": time_of(time + findings.HOUR),
                "usable_start": time_of(usable_start[i]),
                "usable_end": time_of(usable_end[i]),
                "state": State(int(state[i])).words,
                "margin": number(margin[i]),
                "limiting_element": str(limiting[i]) or None,
                "held_back": held_back(answer, i),
                "chance": None if answer.sureness is None else number(answer.sureness.hours.values[i]),
                "members": _members(answer, i),
                "wind_from_direction_degree": [number(d) for d in direction[:, i]],
                "elements": elements,
            }
        )
    return hours


def _chance_better(briefing: Briefing, time: np.datetime64) -> list[float | None] | None:
    at = int(np.searchsorted(briefing.answers[0].assessment["time"].values, time))
    shares = chances.better_of_two(briefing, at, at)
    return None if shares is None or any(math.isnan(s) for s in shares) else [number(s) for s in shares]


def _comparison(briefing: Briefing) -> list[dict[str, Any]]:
    return [
        {
            "start": time_of(hour.time),
            "chance_better": _chance_better(briefing, hour.time),
            "better": list(hour.better),
            "lead": number(hour.lead),
            "sites": [
                {
                    "state": s.state.words,
                    "holds": s.holds,
                    "margin": number(s.margin),
                    "deciding_element": s.deciding or None,
                    "not_known": list(s.unknown),
                }
                for s in hour.standings
            ],
        }
        for hour in summary.compared_hours(briefing)
    ]


_SECOND = np.timedelta64(1, "s")


def conduct(answer: SiteAnswer) -> dict[str, Any]:
    """Give the keys of a site's answer that tell of what the pilot means to do."""
    intent, limits = answer.request.intent, answer.request.limits
    at_launch = limits.maximum_gust_at_launch
    return {
        "intent": {
            "planned_s": int(intent.planned / _SECOND),
            "contingency_s": int(intent.contingency / _SECOND),
            "survey_h": intent.survey_hours or None,
            "hold_h": intent.hold_hours,
            "gust_limit_at_launch_m_s": None if at_launch is None else number(at_launch),
        },
        "survey": _survey(answer),
        "decisions": _decisions(answer),
        "choice": _choice(answer),
    }


def height_of(answer: SiteAnswer, element: str, hour: int) -> float | None:
    """Give the height of the phase of the flight that wind or gust is told for; None for other elements."""
    if element not in ("wind", "gust"):
        return None
    if "phase_height" not in answer.assessment:
        return number(answer.request.height)
    return number(float(answer.assessment["phase_height"].sel(element=element).values[hour]))


def held_back(answer: SiteAnswer, hour: int) -> str | None:
    """Give the element whose break before the hour holds it back."""
    if "held_back" not in answer.assessment:
        return None
    return str(answer.assessment["held_back"].values[hour]) or None


def _survey(answer: SiteAnswer) -> dict[str, Any] | None:
    survey = answer.survey
    if survey is None:
        return None
    return {
        "hours": survey.hours,
        "found": survey.found,
        "spells": _spells(survey),
        "chance": chance_of(survey.chance),
        "surer": None if survey.surer is None else _laid(survey.surer),
    }


def _laid(survey: Survey) -> dict[str, Any]:
    return {"spells": _spells(survey), "chance": chance_of(survey.chance)}


def _spells(survey: Survey) -> list[dict[str, Any]]:
    return [{"start": time_of(s.start), "end": time_of(s.end), "work": s.is_work} for s in survey.spells]


def _decisions(answer: SiteAnswer) -> dict[str, Any] | None:
    costs = answer.request.intent.costs
    if costs is None:
        return None
    found = chance_for_costs(answer)
    chance = math.nan if found is None else found.value
    return {
        "chance": number(chance),
        "least_chance_to_drive": number(costs.least_chance_to_drive),
        "drive_out": drives_out(chance, costs),
        "risk": number(1.0 - chance),
        "largest_risk_to_take_off": number(costs.largest_risk_to_take_off),
        "take_off": takes_off(chance, costs),
        "members_needed": costs.members_needed,
    }


def _choice(answer: SiteAnswer) -> dict[str, Any] | None:
    choice = answer.choice
    if choice is None:
        return None
    return {
        "verdict": choice.verdict,
        "run": choice.run,
        "start": time_of(choice.start),
        "end": time_of(choice.end),
        "chance": number(choice.chance),
    }
