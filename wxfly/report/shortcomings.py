"""What is not known, and why nothing holds, in sentences."""

from __future__ import annotations

import numpy as np

from wxfly.answers import SiteAnswer
from wxfly.elements import BY_NAME, RETURN_LEG
from wxfly.report import findings, phrases, sentences
from wxfly.report.findings import Day
from wxfly.report.phrases import Clock
from wxfly.report.sentences import Reader


def not_known_first(answer: SiteAnswer) -> str:
    """Name what the decision needs and does not have, in one sentence; empty when all is known."""
    found = findings.gaps(answer)
    parts = []
    required = [gap for gap in found if gap.required]
    if required:
        hours = len({hour for gap in required for hour in gap.hours})
        lit = int(findings.lit_hours(answer).sum())
        parts.append(f"{sentences.titles([g.element for g in required])} missing: {_hours(hours, lit)} not known")
    never = [gap.element for gap in found if not gap.required and gap.everywhere]
    partly = [gap.element for gap in found if not gap.required and not gap.everywhere]
    advised = [sentences.titles(never)] if never else []
    advised += [f"{sentences.titles(partly)} in some hours"] if partly else []
    if advised:
        parts.append(f"{', and '.join(advised)} (advised): find out before you fly")
    if answer.request.energy_missing:
        parts.append(f"{RETURN_LEG.title} is not judged: {energy_missing(answer)}")
    skipped = [name for name in answer.assessment.attrs["not_judged"] if name != RETURN_LEG.name]
    if skipped:
        parts.append(f"{sentences.titles(skipped)} is not judged: the aircraft gives no limit")
    return "; ".join(parts)


def energy_missing(answer: SiteAnswer) -> str:
    """Say which figures are missing that the way home needs."""
    missing = phrases.listed([name.replace("_", " ") for name in answer.request.energy_missing])
    return f"the aircraft's figures give no {missing}"


def _hours(count: int, lit: int) -> str:
    if count == lit:
        return "every lit hour is"
    return f"{count} of {lit} lit hours {'is' if count == 1 else 'are'}"


def not_known_in_full(answer: SiteAnswer, clock: Clock) -> list[str]:
    """List what is not known with its hours; elements that lack the same hours are told together."""
    start, end = findings.usable_parts(answer)
    together: dict[tuple[bool, tuple[int, ...]], list[findings.Gap]] = {}
    for gap in findings.gaps(answer):
        together.setdefault((gap.required, gap.hours), []).append(gap)
    lines = []
    for (is_required, hours), gaps in together.items():
        what = f"{sentences.titles([g.element for g in gaps])} ({'required' if is_required else 'advised'})"
        if gaps[0].everywhere:
            lines.append(f"{what}: known in no hour")
            continue
        spans = [_span_with_day(start[a], end[b], answer, clock) for a, b in findings.runs(hours)]
        lines.append(f"{what}: not {', '.join(spans)}")
    return lines


def _span_with_day(start: np.datetime64, end: np.datetime64, answer: SiteAnswer, clock: Clock) -> str:
    one_day = clock.date(answer.start) == clock.date(answer.end - np.timedelta64(1, "s"))
    if one_day or clock.date(start) == clock.date(end - np.timedelta64(1, "s")):
        return clock.span(start, end) if one_day else f"{clock.day(start)} {clock.span(start, end)}"
    return f"{clock.day(start)} {clock.hour(start, up=True)} to {clock.day(end)} {clock.hour(end)}"


def why_none(answer: SiteAnswer, day: Day | None, minimum: np.timedelta64, reader: Reader) -> list[str]:
    """Say why no window holds, on one day or in the whole period: what decides, how near it came, and when."""
    count = findings.count_hours(answer, None if day is None else day.hours)
    start, end = (answer.start, answer.end) if day is None else (day.start, day.end)
    if count.lit == 0:
        return ["dark throughout"]
    lines = []
    if count.not_known == count.lit:
        missing = sentences.titles([g.element for g in findings.gaps(answer) if g.required])
        return [f"not known: {missing} missing in {_all(count.lit)}"]
    stretch = findings.longest_stretch(answer, start, end)
    if stretch is not None:
        span = reader.clock.span(*stretch)
        lines.append(
            f"the longest stretch that holds is {span}, {phrases.duration(stretch[1] - stretch[0])},"
            f" shorter than {phrases.duration(minimum)}"
        )
    if count.deciding:
        title = BY_NAME[count.deciding].title
        lines.append(f"{title} decides in {count.deciding_hours} of {count.lit} lit hours")
    if stretch is None and count.nearest is not None:
        lines.append(f"nearest {nearest(answer, count.nearest, reader)}")
    if count.not_known:
        lines.append(f"{count.not_known} of {count.lit} lit hours not known")
    return lines


def _all(count: int) -> str:
    return "the only lit hour" if count == 1 else f"all {count} lit hours"


def nearest(answer: SiteAnswer, hour: int, reader: Reader) -> str:
    """Say which hour came nearest and how near."""
    start, end = (part[hour] for part in findings.usable_parts(answer))
    text = f"{reader.clock.span(start, end)}: {sentences.reason_of(answer, hour, reader.units)}"
    return f"{text}, margin {phrases.margin(float(answer.assessment['hour_margin'].values[hour]))}"
