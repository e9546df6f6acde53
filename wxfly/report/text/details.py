"""The details of an answer as labelled lines: what `--more` and the folded parts of a page say below the verdict."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import timedelta

from wxfly.pilot.elements import BY_NAME, GRAVEST
from wxfly.pilot.rules import DEFAULT as DEFAULT_RULES
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.hours import DayFacts
from wxfly.report.facts.site import KpFacts, SiteAnswerFacts, deciding_at, hour_at, title_of_variable, waiting_after
from wxfly.report.facts.sortie import (
    AdviceFacts,
    DecisionFacts,
    PlanFacts,
    SpellFacts,
    WorstFacts,
    after_sunset,
    out_of_sight,
    what_to_mind,
)
from wxfly.report.facts.values import INVENTED, energy_missing, listed
from wxfly.report.facts.verdict import NoteKind, change_in_words, how_sure, names_of
from wxfly.report.facts.windows import (
    CauseFacts,
    ChanceBasis,
    ChoiceFacts,
    ChoiceOutcome,
    SightLimit,
    WindowFacts,
    is_grave,
)
from wxfly.report.facts.writing import (
    Clock,
    Reader,
    age,
    amount,
    climb_end,
    direction,
    duration,
    height_down,
    in_ten,
    minutes,
    number,
    room_in_words,
    titles,
    unit_of,
    way,
)
from wxfly.report.facts.zones import zone_lines
from wxfly.report.text.console import clean, isolated, with_names_isolated
from wxfly.units import UNITS

Line = tuple[str, str]

CAUSES_SHOWN = 3
_RUNS_SHOWN = 4
_JUMPY = 0.2
_WINDOWS_SHOWN = 4
_PROBABILITY = "probability of precipitation"


def readers_of(facts: AnswerFacts) -> list[Reader]:
    """Return for each site the units and the clock of the words of an answer."""
    zone = facts.display_time_zone
    return [Reader(facts.display_units, Clock(zone or site.site.time_zone)) for site in facts.sites]


def verdict_with_names(facts: AnswerFacts) -> tuple[str, list[Line]]:
    """Return the first line and the lines below it, the names of the sites in them isolated as a whole."""
    names = names_of(facts.sites, facts.display_units)
    lines = [(line.label, with_names_isolated(line.words, names)) for line in facts.verdict.lines]
    return with_names_isolated(facts.verdict.first_line, names), lines


def detail_lines(facts: AnswerFacts, position: int) -> list[Line]:
    """Return what there is to say of one site below the verdict."""
    site, reader = facts.sites[position], readers_of(facts)[position]
    year = reader.clock.date(facts.now).year
    window = site.best
    lines: list[Line] = []
    if window is not None:
        lines += _of_window(site, window, reader)
    lines += sure_lines(site, window, reader)
    lines += conduct_lines(site, reader)
    others = [w for w in site.windows if w is not window]
    if others:
        windows = [
            f"{room_in_words(w.room, (w.surest or w).chance)} {reader.clock.when(w.start, w.end, year)}, "
            f"{how_sure(w, reader)}"
            for w in others
        ]
        more = len(windows) - _WINDOWS_SHOWN
        lines.append(("Other times", "; ".join(windows[:_WINDOWS_SHOWN]) + (f"; and {more} more" if more > 0 else "")))
    lines += [("Not known", line) for line in not_known_in_full(site, reader.clock)]
    if len(site.days) == 1:
        lines.append(("Light", light(site.days[0], reader.clock)))
    lines += _advice(site, window, reader)
    lines += zone_lines(site.zones, site.period, reader)
    taken = taken_from(facts)
    return [*lines, ("Asked", asked_in_full(facts, position, reader)), *([("From", taken)] if taken else [])]


def _of_window(site: SiteAnswerFacts, window: WindowFacts, reader: Reader) -> Iterator[Line]:
    if (window.within.start, window.within.end) != (window.start, window.end):
        span = reader.clock.span(window.within.start, window.within.end)
        weakest = deciding_at(site, hour_at(site, window.weakest_hour), reader.units)
        yield "Within", f"the best part of {span}, which is within its limits throughout; at its tightest {weakest}"
    yield "Expect", what_it_is_like(window, reader.units)
    yield from _return_leg(site, reader)


def what_it_is_like(window: WindowFacts, units: str) -> str:
    """Describe the air and the rain of a window, and how well the wind is known."""
    c = window.expected
    parts = []
    if c.wind_uncertainty is not None and float(number(c.wind_uncertainty, unit_of("wind", units))) > 0:
        uncertainty = amount(c.wind_uncertainty, "wind", units)
        parts.append(
            f"wind ±{uncertainty} (2 in 3) from interpolating between the forecast's heights; its own error is larger"
        )
    if c.temperature_low is not None and c.temperature_high is not None:
        unit = unit_of("temperature", units)
        low, high = (number(v, unit) for v in (c.temperature_low, c.temperature_high))
        parts.append(f"{low if low == high else f'{low} to {high}'} {UNITS[unit].written}")
    if c.precipitation_probability is not None:
        parts.append(f"{_PROBABILITY} {100 * c.precipitation_probability:.0f} %")
    return "; ".join(parts) or "not known"


# --- how sure --------------------------------------------------------------------------------------------------


def sure_lines(site: SiteAnswerFacts, window: WindowFacts | None, reader: Reader) -> Iterator[Line]:
    """Yield the lines on how sure one site's answer is."""
    if window is not None:
        yield "How sure", sure_in_full(site, window, reader)
    elif known := [o for o in site.outlooks if o.chance is not None]:
        surest = max(known, key=lambda o: o.chance or 0.0)
        causes = causes_in_words(surest.causes, by_members=not site.chance_basis.single_forecast)
        chance = f"{in_ten(surest.chance)} from {reader.clock.hour(surest.start, up=True)} ({whose(site)})"
        yield "Surest", chance + (f"; may break: {causes}" if causes else "")
    changes = [words for change in site.changes if (words := change_in_words(change, reader))]
    if changes:
        yield "Changes", "; ".join(changes)
    if site.choice is not None:
        yield "Choice", choice_words(site.choice, reader.clock)
    if site.earlier:
        yield "Before", _before(site, reader.clock)
    if len(site.days) > 1 and site.outlooks:
        days = [
            f"{reader.clock.day(o.start)} {in_ten(o.chance)} from {reader.clock.hour(o.start, up=True)}"
            for o in site.outlooks
        ]
        yield "By day", ", ".join(days)


def sure_in_full(site: SiteAnswerFacts, window: WindowFacts, reader: Reader) -> str:
    """Return in words the chance of a window: for the time needed, all through, its source, what may break a limit."""
    surest = window.surest
    chance = how_sure(window, reader)
    if surest is not None and in_ten(window.chance) != in_ten(surest.chance):
        chance += f"; {in_ten(window.chance)} all through"
    chance += f" ({whose(site)})"
    known = surest.causes if surest is not None else window.causes
    by_members = not site.chance_basis.single_forecast
    causes = causes_in_words(known, window.limiting_element, by_members=by_members)
    chance += f"; may break: {causes}" if causes else ""
    if surest is not None:
        names = {cause.element for cause in reported_causes(known, window.limiting_element, by_members=by_members)}
        grave = [c for c in window.causes if is_grave(c) and c.element not in names]
        shares = [f"{BY_NAME[c.element].title} {in_ten(c.share)}" for c in grave]
        chance += f"; all through also {listed(shares)}" if shares else ""
    return chance


def whose(site: SiteAnswerFacts) -> str:
    """Return in words what a chance is from, and that it leaves the way back out where that is not judged."""
    without = ", the way back not counted" if site.sortie is not None and site.sortie.missing_figures else ""
    return f"{_from(site.chance_basis)}{without}"


def _from(basis: ChanceBasis) -> str:
    if basis.spread_of_source:
        spread = titles(basis.spread_of_source)
        return (
            f"from one forecast, the spread of {spread} that its source gives and the usual growth of its error, "
            "weaker than members"
        )
    if basis.single_forecast:
        return "from one forecast and the usual growth of its error, weaker than members"
    models = ["a model that is not known" if name == "not known" else name for name in basis.models]
    return f"{basis.member_count} members of {listed(models)}"


def reported_causes(causes: Sequence[CauseFacts], deciding: str = "", *, by_members: bool = False) -> list[CauseFacts]:
    """Return the causes that are listed: the largest, and in any case the element that decides and the gravest hazard.

    By members every hazard that one in ten has over its limit is listed, however many causes are larger.
    """
    grave = sorted(filter(is_grave, causes), key=lambda cause: GRAVEST.index(cause.element))
    first = [*(cause for cause in causes if cause.element == deciding), *grave[:1]]
    shown = [*first, *(cause for cause in causes if cause not in first)][:CAUSES_SHOWN] + (grave if by_members else [])
    return [cause for cause in causes if cause in shown]


def causes_in_words(causes: Sequence[CauseFacts], deciding: str = "", *, by_members: bool = False) -> str:
    """Name what may break a limit, each with its share and its share alone; they are not to be added up.

    A share that is not known is left out.
    """
    shares = []
    for cause in reported_causes(causes, deciding, by_members=by_members):
        if cause.share is None:
            continue
        has_others = len(causes) > 1 and cause.share_alone is not None
        has_others = has_others and in_ten(cause.share) != in_ten(0.0)  # its share alone is no more
        alone = f" ({in_ten(cause.share_alone)} on its own)" if has_others else ""
        shares.append(f"{BY_NAME[cause.element].title} {in_ten(cause.share)}{alone}")
    return "; ".join(shares)


def _before(site: SiteAnswerFacts, clock: Clock) -> str:
    """Return in words what earlier runs gave for the same hours, and how much the answer changed back and forth."""
    chances = [f"{in_ten(e.chance)} ({clock.day(e.run)} {clock.hour(e.run)})" for e in site.earlier[-_RUNS_SHOWN:]]
    words, swing = f"earlier runs gave {listed(chances)} for these hours", site.run_to_run_swing
    if swing is None:
        return words
    if swing > _JUMPY:
        return f"{words}; the answer keeps changing between runs (by {swing:.1f}): wait for the next"
    return f"{words}; over {len(site.earlier) + 1} runs the answer is steady (it changes by {swing:.2f})"


def choice_words(choice: ChoiceFacts, clock: Clock) -> str:
    """Return in words what became of the window chosen in the run before."""
    when = f"{clock.day(choice.start)} {clock.span(choice.start, choice.end)}"
    run = f"the run of {clock.day(choice.run)} {clock.hour(choice.run)}"
    match choice.outcome:
        case ChoiceOutcome.SAME:
            return f"{run} chose {when}: the best window is still around it"
        case ChoiceOutcome.GONE:
            return f"{run} chose {when}, which has no room any more"
        case ChoiceOutcome.LEFT:
            return f"{run} chose {when}; another window is now better by more than 1 in 10, or better known"
    now, best = map(in_ten, (choice.chance, choice.best_chance))
    return f"{when} is kept from {run}: another window is better by no more than 1 in 10 ({now} and {best})"


# --- what the pilot means to do --------------------------------------------------------------------------------


def _return_leg(site: SiteAnswerFacts, reader: Reader) -> Iterator[Line]:
    """Yield what the best window asks of the sortie in its worst moment."""
    if site.sortie is None or site.sortie.worst is None or site.sortie.plan is None:
        return
    plan, worst = site.sortie.plan, site.sortie.worst
    at = reader.clock.hour(worst.moment)
    if worst.refusal or worst.needed_share is None:
        yield "Way back", f"cannot be flown at {at}: {worst.refusal}" if worst.refusal else "not known"
        return
    needs = f"at worst, at {at}, {battery_use(worst.needed_share, plan)}"
    if worst.needed_share > 1 or worst.charge_at_turn is None or worst.latest_turn is None:
        yield "Way back", needs
        return
    turn = f"at {math.ceil(100 * worst.charge_at_turn)} % shown, or {minutes(worst.latest_turn)} after take-off"
    yield "Way back", f"{needs}; turn for home {turn}, whichever is first"
    if batteries := batteries_in_words(plan, worst):
        yield "Batteries", batteries
    beyond = out_of_sight(plan, site.windows[0].sight_range, reader.units)
    if beyond:
        yield "Beyond", beyond


def batteries_in_words(plan: PlanFacts, worst: WorstFacts) -> str:
    """Return in words how many flights the batteries allow in a window, and how long; empty where not known."""
    if worst.flight_time is None or worst.time_in_air is None:
        return ""
    flights = f"{worst.flights} flight{'' if worst.flights == 1 else 's'}"
    air, each = minutes(worst.time_in_air), minutes(worst.flight_time)
    longest = "" if worst.flights == 1 and air == each else f"; {each} each"
    return f"{plan.batteries}: {flights}, {air} in the air{longest} at the most"


def battery_use(needed_share: float, plan: PlanFacts) -> str:
    """Return in words what a flight uses of one battery and what is left on landing, against the reserve.

    Parameters
    ----------
    needed_share : float
        Share of one battery that is needed, the reserve included.
    plan : PlanFacts
        What is to be flown.
    """
    used = math.ceil(round(100 * (needed_share - plan.battery_reserve), 4))
    reserve = f"the reserve of {100 * plan.battery_reserve:.0f} %"
    if used > 100:
        return f"the flight takes {used} % of one battery, more than it holds, and {reserve} besides"
    against = f"less than {reserve}" if needed_share > 1 else f"{reserve} included"
    return f"the flight uses {used} % of one battery; {100 - used} % is left on landing, {against}"


def planned(plan: PlanFacts, units: str) -> str:
    """Return in words what is to be flown, such as ``400 m out toward SW (225°), 5 min there``."""
    toward = "in the most demanding direction" if plan.direction is None else f"toward {direction(plan.direction)}"
    there = f", {minutes(plan.work_time)} there" if plan.work_time else ""
    return f"{way(plan.distance, units)} out {toward}{there}"


def conduct_lines(
    site: SiteAnswerFacts, reader: Reader, window: WindowFacts | None = None, decisions: DecisionFacts | None = None
) -> Iterator[Line]:
    """Yield the lines on what the pilot means to do at one site, in the best window or another; none if not asked."""
    if site.survey is not None:
        yield "Survey", survey_words(site, reader)
    waiting = waiting_words(site, reader)
    if waiting:
        yield "Held back", waiting
    decision = decisions or site.decisions
    if decision is not None:
        yield from cost_lines(site, decision, window or site.best)


def survey_words(site: SiteAnswerFacts, reader: Reader) -> str:
    """Return in words when to work and when to wait, how sure that is, or how much of the work finds no hour."""
    survey = site.survey
    assert survey is not None
    hours = f"{survey.wanted_hours} h of work"
    if not survey.laid.spells:
        return f"{hours}: no full hour has room"
    spells = _spells(survey.laid.spells, reader)
    if survey.found_hours < survey.wanted_hours:
        found = "only 1 full hour has" if survey.found_hours == 1 else f"only {survey.found_hours} full hours have"
        return f"{hours} do not fit: {found} room ({spells})"
    words = f"{hours}: {spells}"
    if survey.laid.chance is not None:
        causes = causes_in_words(survey.laid.causes)
        words += f"; {in_ten(survey.laid.chance)} that every limit holds in every hour of work"
        words += f"; may break: {causes}" if causes else ""
    if survey.surer is not None and survey.surer.chance is not None:
        words += f". Surer on one day: {_spells(survey.surer.spells, reader)}; {in_ten(survey.surer.chance)}"
    return words


def _spells(spells: Sequence[SpellFacts], reader: Reader) -> str:
    parts, day = [], ""
    for spell in spells:
        here, last = reader.clock.day(spell.start), reader.clock.day(spell.end - timedelta(seconds=1))
        if last == here:
            span = reader.clock.span(spell.start, spell.end)
        else:
            span = f"{reader.clock.hour(spell.start)} to {last} {reader.clock.hour(spell.end)}"
        parts.append(f"{'' if here == day else f'{here} '}{span} {'work' if spell.work else 'wait'}")
        day = last
    return ", ".join(parts)


def waiting_words(site: SiteAnswerFacts, reader: Reader) -> str:
    """Name the lit hours that would have room by themselves and are held back."""
    hours = site.intent.wait_hours
    if not hours:
        return ""
    waiting = [i for i, lit in enumerate(site.hours.usable_start) if lit is not None and waiting_after(site, i)]
    after = "the hour" if hours == 1 else f"the {hours} hours"
    rule = f"each hour over the wind or gust limit holds back {after} after it"
    if not waiting:
        return f"nothing; {rule}"
    starts, hour = site.hours.start, timedelta(hours=1)
    spans = [f"{reader.clock.day(starts[i])} {reader.clock.span(starts[i], starts[i] + hour)}" for i in waiting]
    return f"{listed(spans)}; {rule}"


def cost_lines(site: SiteAnswerFacts, decision: DecisionFacts, best: WindowFacts | None) -> Iterator[Line]:
    """Yield whether driving out pays and whether taking off would, each against its own threshold."""
    if best is None:
        yield "Drive out", "no window has room: not advised"
        return
    if decision.chance is None or decision.risk is None:
        yield "Drive out", "the chance is not known: not advised"
        yield "Take off", "the risk is not known: not advised"
        return
    wet = "forecast wet all along; " if best.forecast_wet or (best.surest or best).forecast_wet else ""
    yield (
        "Drive out",
        f"{wet}{'pays' if decision.drive_out else 'does not pay'} by your figures: the chance of the window is "
        f"{_fine(decision.chance)}, it pays above {_fine(decision.least_chance_to_drive)}",
    )
    words = (
        f"{wet}would{'' if decision.take_off else ' not'} be worth it by your figures on this forecast: the risk of a "
        f"broken limit is {_fine(decision.risk)}, worth it below {_fine(decision.largest_risk_to_take_off)}"
    )
    least, basis = decision.least_risk_shown, site.chance_basis
    if not decision.take_off and least is not None and least >= decision.largest_risk_to_take_off - 1e-9:
        by = "one forecast" if basis.single_forecast else f"{basis.member_count} members"
        words += f"; {by} cannot resolve a risk below {_fine(least)}, {decision.members_needed} members can"
    elif basis.single_forecast:
        words += "; from one forecast, weaker than members"
    yield "Take off", f"{words}; look again on the spot"


def _fine(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.0995 else f"{100 * share:.1f} %"


# --- what is not known, light, advice --------------------------------------------------------------------------


def not_known_in_full(site: SiteAnswerFacts, clock: Clock) -> list[str]:
    """List what is not known with its hours; elements that lack the same hours are listed together."""
    together: dict[tuple[bool, tuple[tuple[int, int], ...], bool], list[str]] = {}
    for gap in site.not_known.gaps:
        runs = tuple((first, last) for first, last in gap.hour_runs)
        together.setdefault((gap.is_required, runs, gap.everywhere), []).append(gap.element)
    lines = []
    for (is_required, runs, everywhere), names in together.items():
        what = f"{titles(names)} ({'required' if is_required else 'advised'})"
        lines.append(f"{what}: known in no hour" if everywhere else f"{what}: not {_spans(site, runs, clock)}")
    lost = site.not_known.lost_probability_runs
    if lost:
        everywhere = sum(last - first + 1 for first, last in lost) == site.lit_hours.lit_count
        lines.append(f"{_PROBABILITY}: {'known in no hour' if everywhere else f'not {_spans(site, lost, clock)}'}")
    return lines


def _spans(site: SiteAnswerFacts, runs: Sequence[tuple[int, int]], clock: Clock) -> str:
    one_day = len(site.days) == 1
    spans = []
    for first, last in runs:
        start, end = site.hours.usable_start[first], site.hours.usable_end[last]
        assert start is not None and end is not None
        if one_day or clock.date(start) == clock.date(end - timedelta(seconds=1)):
            spans.append(clock.span(start, end) if one_day else f"{clock.day(start)} {clock.span(start, end)}")
        else:
            spans.append(f"{clock.day(start)} {clock.hour(start, up=True)} to {clock.day(end)} {clock.hour(end)}")
    return ", ".join(spans)


def light(day: DayFacts, clock: Clock) -> str:
    """Return in words when the sun rises and sets on a day."""
    events = (
        ("first light", day.civil_dawn, True),
        ("sunrise", day.sunrise, True),
        ("sunset", day.sunset, False),
        ("last light", day.civil_dusk, False),
    )
    moments = [(f"{word} {clock.hour(at, up=up)}", clock.zone(at)) for word, at, up in events if at is not None]
    if not moments:
        # The highest sun tells polar night from polar day.
        if day.highest_sun_elevation > 0:
            return "the sun does not set"
        return f"the sun does not rise; {'twilight' if day.lowest_sun_elevation > -6 else 'no twilight'} all day"
    # The day's first hours may lie before a change of the clocks: the zone is that of the events.
    zones = [zone for _, zone in moments]
    parts = [
        f"{words} {zone}" if i + 1 == len(moments) or zones[i + 1] != zone else words
        for i, (words, zone) in enumerate(moments)
    ]
    return ", ".join(parts)


def _advice(site: SiteAnswerFacts, window: WindowFacts | None, reader: Reader) -> Iterator[Line]:
    if window is None or site.advice is None:
        return
    yield "Height", usable_height(window, reader.units)
    if window.sight_range is None:
        yield "Sight", "sight range not known: the aircraft's size is not given"
    else:
        far = amount(window.sight_range, "height", reader.units)
        why = "its size" if window.sight_decided_by is SightLimit.SIZE else "the visibility"
        hazy = "" if window.visibility_is_known else ", less if the air is hazy: visibility is not known"
        yield "Sight", f"this aircraft is seen to about {far} ({why}; EASA guidance){hazy}"
    sun = _sun(site.advice)
    if sun:
        yield "Sun", sun
    for words in what_to_mind(site.advice, reader.units):
        yield "Mind", words
    dark = after_sunset(site.advice, site.limits.aircraft_light)
    if dark:
        yield "Mind", dark


def usable_height(window: WindowFacts, units: str) -> str:
    """Return in words how high the hours of a window may be used, and what ends the climb."""
    if window.usable_height is None or window.usable_height_ends_by is None:
        return "usable height not known in every hour of it"
    ends = climb_end(window.usable_height_ends_by)
    cloud = "" if window.cloud_base_is_known else "; cloud may end it lower: its base is not known"
    return f"usable to {height_down(window.usable_height, units)}, ended by {ends}{cloud}"


def _sun(advice: AdviceFacts) -> str:
    if advice.lowest_sun is None or advice.highest_sun is None:
        return ""
    where = f"{elevation(advice.lowest_sun, advice.highest_sun)} in the {direction(advice.sun_azimuth)}"
    parts = [where, listed(advice.light)]
    if advice.longest_shadow is not None:
        length = f"{advice.longest_shadow:.1f}" if advice.longest_shadow < 10 else "more than 10"
        parts.append(f"shadows up to {length} times the height")
    if advice.glare is not None:
        parts.append("you look into the sun" if advice.glare else "the sun is not in your eyes")
    return "; ".join(part for part in parts if part)


def elevation(low: float, high: float) -> str:
    """Return in words how high the sun stands, or how far below the horizon."""
    first, last = sorted((round(low), round(high)))
    if last <= 0 and first < 0:
        return f"{-last}° to {-first}° below the horizon" if first != last else f"{-last}° below the horizon"
    if first < 0:
        return f"from {-first}° below the horizon to {last}° high"
    return f"{first}° to {last}° high" if first != last else f"{last}° high"


# --- what was asked, and where it is from ----------------------------------------------------------------------


def asked(site: SiteAnswerFacts, units: str) -> str:
    """Return in words for what the answer is, such as ``Kelderness, 60 m above ground, camera quad under 250 g``."""
    limits = site.limits
    height = amount(site.height, "height", units)
    flight = f"{isolated(site.site.name)}, {height} above ground, {isolated(site.aircraft.title)}"
    if limits.rules != DEFAULT_RULES:
        flight += f", rules {isolated(limits.rules)}"
    if limits.confidence > 0.5:
        flight += f", confidence {limits.confidence:g} in wind and gust"
    if limits.gust_at_launch is not None:
        flight += f", launch in gusts to {amount(limits.gust_at_launch, 'wind', units)}"
    return flight


def asked_in_full(facts: AnswerFacts, position: int, reader: Reader) -> str:
    """Return in words for what the answer is, and how long a window had to be."""
    site = facts.sites[position]
    question = f"{asked(site, reader.units)}; windows of {duration(facts.minimum_duration)} or more"
    intent = site.intent
    if intent.contingency:
        question += f" ({duration(intent.planned)} planned, {duration(intent.contingency)} in hand)"
    if site.sortie is None:
        return question
    if site.sortie.plan is None:
        return f"{question}; battery for the way back not judged: {energy_missing(site.sortie.missing_figures)}"
    plan = site.sortie.plan
    home = amount(plan.return_height, "height", reader.units)
    sure = f"{in_ten(plan.confidence)} sure"
    return f"{question}; sortie {planned(plan, reader.units)}, home at {home}, {sure}"


def taken_from(facts: AnswerFacts) -> str:
    """Return which parts of the question are from a plan, the defaults of a site or the settings; empty for none."""
    by_source: dict[str, list[str]] = {}
    for one in facts.question.origins if facts.question is not None else ():
        by_source.setdefault(one.source, []).append(one.option)
    return "; ".join(f"{listed(options)} from {isolated(source)}" for source, options in by_source.items())


def first_notes(facts: AnswerFacts) -> list[str]:
    """Return what must be read before anything else: that it is invented, and the notes of the answer."""
    notes = [clean(note.text[:1].upper() + note.text[1:]) for note in facts.notes if note.kind is not NoteKind.INVENTED]
    return [INVENTED, *notes] if facts.invented else notes


def origin(facts: AnswerFacts, clock: Clock) -> list[str]:
    """Return origin, age and terms of the forecast, with the links that the sources require."""
    p = facts.forecasts[0]
    old = f"{age(p.age)} at {clock.stamp(facts.now)}"
    counted = ", counted from its first hour" if p.age_counts_from == "first_hour" else ""
    lines = [
        f"{p.attribution or 'not known'}.",
        f"Model {p.model or 'not known'}, run {clock.stamp(p.run)}, retrieved {clock.stamp(p.retrieved)}; {old}"
        f"{counted}.",
        *_by_hours(facts, clock),
        *_ages_of_kp(p.kp_ages, clock),
        f"The chance {'counts' if p.has_surrounding_cells else 'does not count'} how far the model's cells around the "
        "site differ.",
        f"Licence of the data: {p.licence or 'not known'}.",
    ]
    return [clean(line) for line in lines]


def _ages_of_kp(kp: KpFacts | None, clock: Clock) -> list[str]:
    """Return in words how old forecast, observation and outlook of Kp are; nothing where none of them is known."""
    if kp is None:
        return []
    parts = []
    if kp.forecast_age is not None:
        parts.append(f"forecast retrieved {clock.stamp(kp.forecast_retrieved)}, {age(kp.forecast_age)}")
    if kp.observed_age is not None:
        parts.append(f"observed until {clock.stamp(kp.observed_until)}, {age(kp.observed_age)}")
    if kp.outlook_age is not None:
        used = f", used from {clock.stamp(kp.outlook_from)}" if kp.outlook_from is not None else ""
        parts.append(f"outlook issued {clock.stamp(kp.outlook_issued)}, {age(kp.outlook_age)}{used}")
    return [f"Kp: {'; '.join(parts)}."] if parts else []


def _by_hours(facts: AnswerFacts, clock: Clock) -> list[str]:
    """Return where one model follows another in the hours asked about, and what comes from a model of its own."""
    starts = [start for site in facts.sites for start in site.hours.start]
    asked = [of for of in facts.forecasts[0].by_hours if of.last > min(starts) and of.first <= max(starts)]
    taken: dict[str, list[str]] = {}
    for of in asked:
        for name, model in of.taken.items():
            taken.setdefault(model, []).append(title_of_variable(name))
    parts = []
    if len(asked) > 1:
        following = [f"from {clock.stamp(of.first)} {of.model}" for of in asked[1:]]
        parts.append(f"Hours of {asked[0].model}, {', '.join(following)}")
    parts += [f"{' and '.join(dict.fromkeys(names))} of {model}" for model, names in taken.items()]
    return [f"{'; '.join(parts)}."] if parts else []


def origin_in_short(facts: AnswerFacts) -> str:
    """Return in one line where the forecast is from and how old it is."""
    p = facts.forecasts[0]
    parts = [p.attribution or "Source not known", p.licence or "licence not known", p.model or "model not known"]
    return clean(f"{', '.join(part.rstrip('.') for part in parts)}, {age(p.age)}.")
