"""What the pilot means to do, and what follows for it, in the answer for machines."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from wxfly.answers import SiteAnswer
from wxfly.costs import drives_out, takes_off
from wxfly.report.answer_values import chance_of, number, time_of
from wxfly.report.conduct import chance_for_costs
from wxfly.survey import Survey

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
