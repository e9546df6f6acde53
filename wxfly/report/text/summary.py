"""The summary of an answer: labelled lines, the answer first, then the reason, the next best, what is not known.

Terminal, page and calendar print the same lines.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wxfly.answer import findings
from wxfly.answer.comparison import ComparedHour
from wxfly.answer.findings import Day
from wxfly.answer.request import Briefing, SiteAnswer
from wxfly.answer.windows import Window, rank_by_chance
from wxfly.report.facts.values import listed
from wxfly.report.text import advice, chances, sentences, work
from wxfly.report.text.console import isolated
from wxfly.report.text.sentences import Clock, Reader

Line = tuple[str, str]

_NEXT_SHOWN = 2


def not_known_lines(briefing: Briefing, names: Sequence[str]) -> list[Line]:
    """Name, before the answer, what the decision needs and does not have."""
    lines = []
    for name, answer in zip(names, briefing.answers, strict=True):
        told = sentences.not_known_first(answer)
        if told:
            lines.append(("Not known", told if len(names) == 1 else f"{name}: {told}"))
    return lines


def summarise(briefing: Briefing, *, units: str, time_zone: str | None) -> list[Line]:
    """Return the whole summary of a briefing as pairs of label and text."""
    readers = [sentences.reader_for(a, units=units, time_zone=time_zone) for a in briefing.answers]
    if briefing.question == "compare":
        return _summarise_comparison(briefing, readers)
    lines = []
    for answer, reader in zip(briefing.answers, readers, strict=True):
        lines += _summarise_site(briefing, answer, reader)
    return lines


def _summarise_site(briefing: Briefing, answer: SiteAnswer, reader: Reader) -> list[Line]:
    days = findings.days_of(answer, reader.clock)
    lines = _best(briefing, answer, reader, days)
    if answer.best:
        lines += _why_best(answer, reader)
        lines += chances.sure_lines(briefing, answer, reader)
        lines += work.conduct_lines(answer, reader)
        others = answer.windows[1:]
        if briefing.question == "best":
            others = tuple(findings.next_windows(answer, briefing.minimum_duration))
        lines.append(("Next best", _next(answer, reader, others)))
    else:
        lines += chances.sure_lines(briefing, answer, reader)
        lines += work.conduct_lines(answer, reader)
    lines.append(("Not known", _not_known(answer, reader.clock)))
    if len(days) == 1:
        lines.append(("Light", sentences.light(answer, days[0], reader.clock)))
    lines += advice.advice_lines(answer, reader)
    lines.append(("Asked", asked_in_full(briefing, answer, reader)))
    return lines


def asked_in_full(briefing: Briefing, answer: SiteAnswer, reader: Reader) -> str:
    """Say for what the answer is, and how long a window had to be."""
    minimum = sentences.duration(briefing.minimum_duration)
    intent = answer.request.intent
    told = f"{sentences.asked(answer, reader.units)}; windows of {minimum} or more"
    if intent.contingency > np.timedelta64(0, "s"):
        told += f" ({sentences.duration(intent.planned)} planned, {sentences.duration(intent.contingency)} in hand)"
    if answer.request.sortie is None:
        return told
    # Only flights that are planned need the rotors; the other answers start faster without.
    from wxfly.report.text.sortie import asked_for

    return f"{told}; {asked_for(answer.request.sortie.plan, reader)}"


def _way_home(answer: SiteAnswer, reader: Reader) -> list[Line]:
    if answer.way_home is None:
        return []
    from wxfly.report.text.sortie import way_home

    return way_home(answer, reader)


def period_words(answer: SiteAnswer, days: Sequence[Day]) -> str:
    """Say which days were asked about."""
    if not days:
        return "in the time asked about"
    first, last = days[0].date, days[-1].date
    if first == last:
        return f"on {sentences.day_name(first)}"
    return f"from {sentences.day_name(first)} to {sentences.day_name(last)}"


def _best(briefing: Briefing, answer: SiteAnswer, reader: Reader, days: Sequence[Day]) -> list[Line]:
    period = period_words(answer, days)
    if answer.best:
        site = isolated(answer.request.site.name)
        when = sentences.when(answer.best, reader.clock)
        return [("Best", f"{site}, {when}, {sentences.standing(answer, answer.best)}")]
    minimum = sentences.duration(briefing.minimum_duration)
    count = findings.count_hours(answer)
    if count.lit and count.not_known == count.lit:
        lines = [("Best", f"not known {period}")]
    else:
        lines = [("Best", f"none: no window of {minimum} holds {period}")]
    reasons = sentences.why_none(answer, None, briefing.minimum_duration, reader)
    if len(days) > 1 and count.nearest is not None:
        day = reader.clock.day(answer.assessment["time"].values[count.nearest])
        reasons = [f"{r} ({day})" if r.startswith("nearest ") else r for r in reasons]
    return [*lines, ("Because", "; ".join(reasons))]


def _why_best(answer: SiteAnswer, reader: Reader) -> list[Line]:
    assert answer.best is not None
    lines = [("Decides", sentences.window_reason(answer, answer.best, reader.units))]
    around = sentences.around(answer, answer.best, reader)
    if around:
        lines.append(("Within", around))
    ends = sentences.what_ends(answer, answer.best, reader)
    if ends:
        lines.append(("Ends", ends))
    expect = sentences.what_it_is_like(answer, answer.best, reader.units)
    if expect:
        lines.append(("Expect", expect))
    return lines + _way_home(answer, reader)


def _next(answer: SiteAnswer, reader: Reader, others: Sequence[Window]) -> str:
    if not others:
        return "nothing else holds long enough"
    told = [
        f"{sentences.when(w, reader.clock)}, {sentences.standing(answer, w)}"
        f" ({sentences.window_reason(answer, w, reader.units)})"
        for w in others[:_NEXT_SHOWN]
    ]
    left = len(others) - len(told)
    return "; ".join(told) + (f"; and {left} more" if left else "")


def _not_known(answer: SiteAnswer, clock: Clock) -> str:
    told = sentences.not_known_in_full(answer, clock)
    return "; ".join(told) if told else "nothing that the limits ask for"


# --- several sites ---------------------------------------------------------------------------------------------


def _summarise_comparison(briefing: Briefing, readers: Sequence[Reader]) -> list[Line]:
    names = sentences.labels(briefing, readers[0].units)
    having = [i for i, a in enumerate(briefing.answers) if a.best]
    order = _order(briefing, having)
    lines: list[Line] = []
    for place, i in enumerate(order):
        answer, reader = briefing.answers[i], readers[i]
        assert answer.best is not None
        label = "Best" if place == 0 else "Next best"
        lines.append(
            (label, f"{names[i]}, {both_clocks(answer, readers, i)}, {sentences.standing(answer, answer.best)}")
        )
        lines.append(("Decides", sentences.window_reason(answer, answer.best, reader.units)))
        if place == 0:
            expect = sentences.what_it_is_like(answer, answer.best, reader.units)
            lines += [("Expect", expect)] if expect else []
        lines += _way_home(answer, reader)
        lines += chances.sure_lines(briefing, answer, reader)
        lines += work.conduct_lines(answer, reader)
    better = chances.better_in_words(briefing, names)
    lines += [("How sure", better)] if better else []
    minimum = sentences.duration(briefing.minimum_duration)
    if not order:
        unknown = all(_is_not_known(a) for a in briefing.answers)
        lines.append(("Best", "not known" if unknown else f"none: no window of {minimum} holds at any site"))
    for i, answer in enumerate(briefing.answers):
        if answer.best:
            continue
        why = "; ".join(sentences.why_none(answer, None, briefing.minimum_duration, readers[i]))
        lines.append(("None", f"{names[i]}: no window of {minimum}: {why}"))
        lines += work.conduct_lines(answer, readers[i])
    lines.append(("Hours", _tally(briefing, briefing.compared, names)))
    told = [_not_known(a, r.clock) for a, r in zip(briefing.answers, readers, strict=True)]
    if len(set(told)) == 1:
        lines.append(("Not known", told[0]))
    else:
        lines += [("Not known", f"{n}: {t}") for n, t in zip(names, told, strict=True)]
    asked = {(a.request.aircraft.name, a.request.height) for a in briefing.answers}
    if len(asked) == 1:
        in_full = asked_in_full(briefing, briefing.answers[0], readers[0])
        lines.append(("Asked", in_full.partition(", ")[2]))
    else:
        lines += [("Asked", asked_in_full(briefing, a, r)) for a, r in zip(briefing.answers, readers, strict=True)]
    return lines


def _order(briefing: Briefing, having: Sequence[int]) -> list[int]:
    """Return the sites that have a window, the better first: by chance where members tell it, else by margin."""
    windows = {i: briefing.answers[i].best for i in having}
    ranked = [w for w in windows.values() if w is not None]
    ranked = rank_by_chance(ranked, briefing.now)
    return [next(i for i in having if windows[i] is w) for w in ranked]


def _tally(briefing: Briefing, hours: Sequence[ComparedHour], names: Sequence[str]) -> str:
    lit = [h for h in hours if h.is_lit]
    parts = [f"{name} is better in {sum(h.better == (i,) for h in lit)}" for i, name in enumerate(names)]
    equal, none = sum(len(h.better) > 1 for h in lit), sum(not h.better for h in lit)
    parts += [f"equal in {equal}"] if equal else []
    parts.append(f"none holds in {none} of {len(lit)} lit hours")
    return ", ".join(parts)


def _is_not_known(answer: SiteAnswer) -> bool:
    count = findings.count_hours(answer)
    return bool(count.lit) and count.not_known == count.lit


def both_clocks(answer: SiteAnswer, readers: Sequence[Reader], own: int) -> str:
    """Write a site's best window on its own clock, and on the first site's where that shows another time."""
    assert answer.best is not None
    told = sentences.when(answer.best, readers[own].clock)
    other = sentences.when(answer.best, readers[0].clock)
    return told if told == other else f"{told} ({other})"


def distinct_clocks(readers: Sequence[Reader], moment: np.datetime64) -> list[Clock]:
    """Return one clock for each offset from UTC that the readers' clocks show at a moment, in order."""
    found: dict[object, Clock] = {}
    for reader in readers:
        found.setdefault(reader.clock.local(moment).utcoffset(), reader.clock)
    return list(found.values())


def who_is_better(
    briefing: Briefing, hours: Sequence[ComparedHour], names: Sequence[str]
) -> list[tuple[int, int, str]]:
    """Return runs of hours and who is better in them; hours in which all sites are dark are left out."""
    told = []
    from wxfly.report.text import comparison

    for turn in comparison.turns(hours):
        part = range(turn.first, turn.last + 1)
        lit = [i for i in part if hours[i].is_lit]
        if not lit:
            continue
        if len(turn.better) == len(briefing.answers):
            who = "equal"
        else:
            who = listed([names[i] for i in turn.better]) or "none"
        told.append((lit[0], lit[-1], who))
    return told
