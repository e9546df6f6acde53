"""The words of a fleet: what is not known, then a table of its sites, the best first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

from wxfly.report.command_facts.fleet import FleetFacts, FleetSiteFacts
from wxfly.report.facts.values import listed
from wxfly.report.facts.writing import Clock, age, amount, in_ten, margin, room_in_words, titles
from wxfly.report.text.console import aligned, columns, isolated, shown, wrapped

SHOWN = 25
"""So many sites stand in the table unless more are asked for."""
_FAULTS = 8
OLD = 12 * 3600.0
"""Age from which a forecast is named before the table [s]; common practice, no source."""
_LEAST_NAME = 12

Cells = Callable[[FleetSiteFacts], str]


class FleetWords:
    """Words of a fleet for one reader.

    Parameters
    ----------
    facts : FleetFacts
        The fleet.
    units : str
        Key of `wxfly.units.SYSTEMS`.
    time_zone : str or None
        IANA zone for times; None for each site's own.
    """

    def __init__(self, facts: FleetFacts, units: str, time_zone: str | None) -> None:
        self.facts, self.units, self.time_zone = facts, units, time_zone
        counted = Counter(note for site in facts.sites for note in site.notes)
        self._noted_above = {note for note, count in counted.items() if count > 1}

    def first_line(self) -> str:
        """Return whether there is room anywhere, and where it is best."""
        facts = self.facts
        count = f"{facts.with_room} of {facts.rows} site{'s' if facts.rows > 1 else ''}"
        before = ["invented, do not fly by this"] if facts.invented else []
        unknown = facts.without_answer + facts.not_known + facts.partly_known
        before += ["as far as known"] if unknown else []
        before += ["sites in or near zones"] if any(site.zone_warning for site in facts.sites) else []
        before += ["old forecasts, see below"] if any((site.age or 0) >= OLD for site in facts.sites) else []
        if not facts.sites or facts.without_answer == facts.rows:
            words = "not known whether there is room to fly at any site."
        elif not facts.with_room:
            outside = " outside a prohibited zone" if facts.in_prohibited_zone else ""
            words = f"no site of {facts.rows} has room to fly{outside}."
        else:
            best = facts.sites[0]
            zone = f" ({best.zone_warning})" if best.zone_warning else ""
            words = (
                f"{count} have room to fly, best {isolated(best.name)}{zone}, {self.when(best)}, {self.chance(best)}."
            )
        line = ": ".join([*([", ".join(before)] if before else []), words])
        return line[:1].upper() + line[1:]

    def unknown_lines(self) -> list[str]:
        """Return what is not known, by how many sites."""
        facts = self.facts
        lines = []
        if facts.without_answer:
            why = Counter(site.fault for site in facts.sites if site.fault)
            most = why.most_common(_FAULTS)
            lines += [f"No answer for {count} of {facts.rows}: {fault}" for fault, count in most]
            if len(why) > len(most):
                rest = facts.without_answer - sum(count for _, count in most)
                lines.append(f"No answer for {rest} more, each for a reason of its own.")
        if facts.stopped:
            lines.append("The sites that were asked about are kept: the same command goes on from there.")
        if facts.not_known:
            lines.append(f"Not known at {facts.not_known} of {facts.rows}: no lit hour there is known.")
        if facts.partly_known:
            missing = Counter(e for s in facts.sites if s.word.is_known for e in s.unknown_elements)
            counted = listed([f"{titles([e])} at {count}" for e, count in missing.most_common(4)])
            lines.append(f"As far as known at {facts.partly_known} of {facts.rows}: {counted or 'an hour'} not known.")
        old = [site.age for site in facts.sites if site.age is not None and site.age >= OLD]
        if old:
            lines.append(f"The forecast is up to {age(max(old))} at {len(old)} of {facts.rows}.")
        return lines

    def when(self, site: FleetSiteFacts) -> str:
        """Write the best window of a site."""
        if not site.windows:
            return ""
        best = site.windows[0]
        year = None if self.facts.now is None else self.clock(site).date(self.facts.now).year
        return self.clock(site).when(best.start, best.end, year)

    def clock(self, site: FleetSiteFacts) -> Clock:
        """Return the clock of a site's times."""
        return Clock(self.time_zone or site.time_zone)

    @staticmethod
    def chance(site: FleetSiteFacts) -> str:
        """Write the chance of the best window."""
        return in_ten(site.windows[0].chance) if site.windows else ""

    @staticmethod
    def verdict(site: FleetSiteFacts) -> str:
        """Write the verdict, what must be known first before it."""
        if site.fault is not None:
            return "no answer"
        room = room_in_words(site.word, site.windows[0].chance if site.windows else None)
        if site.zone_warning:
            return f"{site.zone_warning}: {room}"
        return f"as far as known: {room}" if site.as_far_as_known and site.word.is_known else room

    @staticmethod
    def margin(site: FleetSiteFacts) -> str:
        """Write the margin of the best window."""
        best = site.windows[0] if site.windows else None
        return "" if best is None or best.margin is None else margin(best.margin)

    @staticmethod
    def decides(site: FleetSiteFacts) -> str:
        """Write the deciding element."""
        return "" if site.deciding_element is None else titles([site.deciding_element])

    def asked(self, site: FleetSiteFacts) -> str:
        """Write what is flown and how high."""
        return f"{site.aircraft} {amount(site.height, 'height', self.units)}"

    def about(self, site: FleetSiteFacts) -> str:
        """Return what must be known of one site: why there is no answer, or what is not known, and its own notes."""
        unknown = f"not known: {site.not_known}" if site.not_known else ""
        notes = [note for note in site.notes if note not in self._noted_above]
        return "; ".join(filter(None, [site.fault or "", unknown, *notes]))

    def whose(self, site: FleetSiteFacts) -> str:
        """Write whose forecast it is and how old."""
        return "" if site.fault is not None else f"{', '.join(site.models)}, {age(site.age)}"


def to_text(words: FleetWords, width: int, *, more: bool) -> str:
    """Return a fleet as text: what is not known first, then the table, never wider than the terminal."""
    facts = words.facts
    lines = [words.first_line(), *(f"Note: {note}" for note in facts.notes), *words.unknown_lines()]
    part = facts.sites if more else facts.sites[:SHOWN]
    text = [wrapped(lines, width), "", table(words, part, width)]
    rest: list[str] = []
    if len(part) < len(facts.sites):
        rest.append(f"{len(facts.sites) - len(part)} more sites: --more, --html or --csv shows them.")
    if more:
        rest += [f"{isolated(site.name)}: {words.about(site)}" for site in facts.sites if words.about(site)]
    cost = f"{facts.requests} requests, {facts.weighted_calls:.0f} weighted calls"
    rest += [" ".join([f"Asked: {cost}.", *facts.attributions])]
    rest += [f"Mind: {caution}" for caution in (facts.cautions if more else [*facts.cautions[:2], facts.cautions[-1]])]
    return "\n".join([*text, "", wrapped(rest, width)])


def table(words: FleetWords, sites: Sequence[FleetSiteFacts], width: int) -> str:
    """Return the table of sites that fits a terminal: columns of less use go first, then names are cut."""
    every: list[tuple[str, Cells, bool]] = [
        ("site", lambda s: s.name, True),
        ("verdict", words.verdict, True),
        ("best window", words.when, True),
        ("chance", words.chance, True),
        ("decides", words.decides, True),
        ("margin", words.margin, False),
        ("with", words.asked, len({words.asked(s) for s in sites}) > 1),
        ("forecast", words.whose, False),
    ]
    made = [([name, *(shown(cells(site)) for site in sites)], is_needed) for name, cells, is_needed in every]
    widths = [max(map(columns, column)) for column, _ in made]
    name = min(widths[0], max(_LEAST_NAME, width // 4))
    left = width - name - sum(2 + w for w, (_, needed) in zip(widths[1:], made[1:], strict=True) if needed)
    kept = [made[0][0]]
    for (column, needed), size in zip(made[1:], widths[1:], strict=True):
        if needed or size + 2 <= left:
            left -= 0 if needed else size + 2
            kept.append(column)
    if left > 0:
        kept[0] = [_cut(cell, min(name + left, widths[0])) for cell in kept[0]]
    else:  # names and aircraft give way alike, the first a little less
        last = max(map(columns, kept[-1])) if len(kept) > 4 and kept[-1] == made[6][0] else 0
        of_last = max(_LEAST_NAME, last + left) if last else 0
        of_name = max(_LEAST_NAME, name + left + (last - of_last))
        kept[0] = [_cut(cell, of_name) for cell in kept[0]]
        kept[-1] = [_cut(cell, of_last) for cell in kept[-1]] if last else kept[-1]
    lines = aligned(list(zip(*kept, strict=True))).split("\n")
    return "\n".join(_cut(line, width) for line in lines)


def _cut(text: str, width: int) -> str:
    """Return a text that takes at most so many columns, its end marked where it is cut."""
    if columns(text) <= width:
        return text
    while text and columns(text) > width - 1:
        text = text[:-1]
    return f"{text.rstrip()}…"
