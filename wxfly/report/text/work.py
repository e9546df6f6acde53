"""What follows for what the pilot means to do, in words: work and waits, what is held back, and whether it pays."""

from __future__ import annotations

import math

import numpy as np

from wxfly.answer import findings
from wxfly.answer.request import SiteAnswer
from wxfly.answer.survey import Spell, Survey
from wxfly.answer.windows import Window
from wxfly.physics.probability import least_chance
from wxfly.pilot.intent import Costs, drives_out, takes_off
from wxfly.report.facts.values import listed
from wxfly.report.text import chances, sentences
from wxfly.report.text.sentences import Reader

Line = tuple[str, str]


def conduct_lines(answer: SiteAnswer, reader: Reader, window: Window | None = None) -> list[Line]:
    """Return the lines on what the pilot means to do at one site, in the best window or another; none if not asked."""
    lines: list[Line] = []
    if answer.survey is not None:
        lines.append(("Survey", survey_words(answer.survey, reader)))
    held = held_words(answer, reader)
    if held:
        lines.append(("Held back", held))
    costs = answer.request.intent.costs
    if costs is not None:
        lines += cost_lines(costs, answer, window)
    return lines


def survey_words(survey: Survey, reader: Reader) -> str:
    """Say when to work and when to wait, how sure that is, or how much of the work finds no hour."""
    hours = f"{survey.hours} h of work"
    if not survey.spells:
        return f"{hours}: no full hour holds"
    spells = _spells(survey.spells, reader)
    if not survey.is_done:
        found = "only 1 full hour holds" if survey.found == 1 else f"only {survey.found} full hours hold"
        return f"{hours} do not fit: {found} ({spells})"
    told = f"{hours}: {spells}"
    if survey.chance is not None and not math.isnan(survey.chance.value):
        told += f"; {chances.in_ten(survey.chance.value)} that every limit holds in every hour of work"
        causes = chances.causes_in_words(survey.chance)
        told += f"; may break: {causes}" if causes else ""
    if survey.surer is not None and survey.surer.chance is not None:
        sure = chances.in_ten(survey.surer.chance.value)
        told += f". Surer on one day: {_spells(survey.surer.spells, reader)}; {sure}"
    return told


def _spells(spells: tuple[Spell, ...], reader: Reader) -> str:
    parts, day = [], ""
    for spell in spells:
        here = reader.clock.day(spell.start)
        last = reader.clock.day(spell.end - np.timedelta64(1, "s"))
        if last == here:
            span = reader.clock.span(spell.start, spell.end)
        else:
            span = f"{reader.clock.hour(spell.start)} to {last} {reader.clock.hour(spell.end)}"
        parts.append(f"{'' if here == day else f'{here} '}{span} {'work' if spell.is_work else 'wait'}")
        day = last
    return ", ".join(parts)


def held_words(answer: SiteAnswer, reader: Reader) -> str:
    """Name the lit hours that would hold by themselves and are held back."""
    if "held_back" not in answer.assessment:
        return ""
    lit = answer.assessment["usable_end"].values > answer.assessment["usable_start"].values
    held = [i for i in np.flatnonzero(lit).tolist() if sentences.held_back(answer, i)]
    hours = int(answer.assessment.attrs["hold_hours"])
    after = "the hour" if hours == 1 else f"the {hours} hours"
    rule = f"each hour over the wind or gust limit holds back {after} after it"
    if not held:
        return f"nothing; {rule}"
    times = answer.assessment["time"].values.astype("datetime64[s]")
    spans = [
        f"{reader.clock.day(times[a])} {reader.clock.span(times[a], times[b] + np.timedelta64(1, 'h'))}"
        for a, b in findings.runs(held)
    ]
    return f"{listed(spans)}; {rule}"


def cost_lines(costs: Costs, answer: SiteAnswer, window: Window | None = None) -> list[Line]:
    """Say whether driving out pays and whether taking off would, each against its own threshold."""
    found = findings.chance_for_costs(answer, window)
    drive, risk = costs.least_chance_to_drive, costs.largest_risk_to_take_off
    if found is None:
        return [("Drive out", "no window holds: not advised")]
    if math.isnan(found.value):
        return [
            ("Drive out", "the chance is not known: not advised"),
            ("Take off", "the risk is not known: not advised"),
        ]
    pays = drives_out(found.value, costs)
    stretch = window or answer.best
    assert stretch is not None
    is_wet = any(findings.is_wet(answer, part) for part in (stretch, stretch.surest or stretch))
    wet = f"{sentences.WET}; " if is_wet else ""
    lines = [
        (
            "Drive out",
            f"{wet}{'pays' if pays else 'does not pay'} by your figures: the chance of the window is "
            f"{_percent(found.value)}, it pays above {_percent(drive)}",
        )
    ]
    bad = 1.0 - found.value
    flies = takes_off(found.value, costs)
    law = None if answer.sureness is None else answer.sureness.law
    least = float(least_chance(found.members))
    if found.is_weak and law is not None:
        least = law.least_of_single
    told = (
        f"{wet}would{'' if flies else ' not'} be worth it by your figures on this forecast: the risk of a "
        f"broken limit is {_percent(bad)}, worth it below {_percent(risk)}"
    )
    if not flies and least >= risk - 1e-9:
        by = "one forecast" if found.is_weak else f"{found.members} members"
        told += f"; {by} cannot tell a risk below {_percent(least)}, {costs.members_needed} members can"
    elif found.is_weak:
        told += "; from one forecast, weaker than members"
    return [*lines, ("Take off", f"{told}; look again on the spot")]


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.0995 else f"{100 * share:.1f} %"
