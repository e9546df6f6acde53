"""The words of a flight brief in their order, one place for page and terminal: the launch limits first."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from wxfly.pilot.elements import BY_NAME
from wxfly.pilot.site import compass_point
from wxfly.report.command_facts.brief import BriefFacts, EnergyFacts
from wxfly.report.facts.answer import AnswerFacts
from wxfly.report.facts.site import HourWords
from wxfly.report.facts.sortie import SIGHT_TOLERANCE, WARM_PACK, of_the_storm, out_of_sight
from wxfly.report.facts.values import CAUTIONS, STATE_WORDS, Period, energy_missing, listed
from wxfly.report.facts.verdict import (
    OUTLOOK_ONLY,
    About,
    not_known,
    period_words,
    tightest,
    title_of,
    what_ends,
    wind_and_gust,
)
from wxfly.report.facts.writing import (
    Reader,
    amount,
    distance,
    duration,
    height_down,
    in_ten,
    minutes,
    number,
    titles,
    unit_of,
    way,
)
from wxfly.report.facts.zones import volumes_met, zone_lines
from wxfly.report.text import details
from wxfly.report.text.answer import Table, hours_table, to_spare
from wxfly.report.text.console import aligned, columns, isolated, wrapped
from wxfly.report.text.field_check import rounded_down
from wxfly.times import as_moment

Line = tuple[str, str]

BLANK = "________"
"""To be filled in by hand."""

MOST_ROWS = 8
"""Most rows of the table of hours."""

_BEFORE = (
    "Aircraft and controller batteries charged, counted, warm; phone too",
    "Storage card in, empty enough, and recording tried",
    "Rotors whole and tight, covers and gimbal guard off, arms locked",
    "Compass and position fix good; home point set here and read back",
    "Return height above every obstacle round the way back, below the height limit",
    "Observer briefed: where, how long, what to call out",
    "People, traffic, animals and other aircraft: a clear place to launch and a second one to land",
    f"Local rules, airspace and zones looked up today; permission {BLANK}{BLANK}",
    f"Contact on the ground or in the air {BLANK}{BLANK}",
    "Anemometer read for two minutes, and written above",
)

_IF = (
    ("Link lost", "stay where you are, aerial toward it, hands off; count the time; it climbs to its return height and"
                  " comes home. Let it, keep its way clear, and land at once"),
    ("Aircraft near", "sink and come in, out of its way, at once: it does not see you. Go on when it is gone"),
    ("Out of hand", "keep people away; tell whom local rules name, with height, heading and time left in the air"),
)  # fmt: skip
"""Common practice, no source; the maker's manual says what the aircraft does by itself."""


class Block(NamedTuple):
    """A title, and below it what it holds: a table, labelled lines, points to tick, a note."""

    name: str
    title: str
    lines: Sequence[Line] = ()
    table: Table | None = None
    points: Sequence[str] = ()
    note: str = ""


class BriefWords(NamedTuple):
    """What a brief says: title, verdict, what must be read first, blocks, where it is from, what to mind."""

    title: str
    verdict: str
    first: list[str]
    blocks: list[Block]
    closing: list[str]
    cautions: list[str]


def words_of(facts: BriefFacts | AnswerFacts) -> BriefWords:
    """Return the words of a flight brief, or of an answer in which no window holds."""
    if isinstance(facts, AnswerFacts):
        return _without_window(facts)
    site, window, reader = facts.answer.sites[0], facts.window, details.readers_of(facts.answer)[0]
    words = _Words(facts, reader)
    phrase = not_known(site)
    unknown = [*([phrase] if phrase else []), *words.not_known()]
    sun = next((details.light(d, reader.clock) for d in site.days if d.start <= window.start < d.end), "")
    blocks = [
        words.launch(),
        Block("decision", "Decision", _decision(facts, reader)),
        words.energy(),
        words.hours(),
        *words.directions(),
        words.sky(sun),
        Block("if", "If it goes wrong", _IF, note="Common practice, no source: your manual says what yours does."),
        Block("before", "Before take-off", points=_BEFORE),
    ]
    return BriefWords(
        f"Flight brief: {isolated(site.site.name)}, {reader.clock.when(window.start, window.end)}",
        _verdict(facts, reader),
        [*details.first_notes(facts.answer), *(f"Not known: {line}" for line in unknown)],
        blocks,
        details.origin(facts.answer, reader.clock),
        list(CAUTIONS),
    )


def _without_window(facts: AnswerFacts) -> BriefWords:
    """Return the words of a day on which no window holds: that there is none, why, and what was asked."""
    (site,), (reader,) = facts.sites, details.readers_of(facts)
    # Zones and notes stand above.
    lines = [line for line in facts.verdict.lines if line.about not in (About.ZONES, About.NOTE)]
    verdict = [(line.label, line.words) for line in lines]
    hours = hours_table(site, reader, site.period.start, site.period.end)
    return BriefWords(
        f"Flight brief: {isolated(site.site.name)}, no window {period_words(site)}",
        facts.verdict.first_line,
        details.first_notes(facts),
        [
            Block("decision", "Decision", [*verdict, *details.detail_lines(facts, 0)]),
            Block("whole-day", "Hour by hour", table=hours),
        ],
        details.origin(facts, reader.clock),
        list(CAUTIONS),
    )


def to_text(words: BriefWords, width: int = 100) -> str:
    """Write a brief for the terminal; a table that is wider than it is left to the page."""
    parts = [wrapped(block, width) for block in ([words.verdict], words.first) if block]
    for block in words.blocks:
        body = [wrapped([f"  {label}: {text}" for label, text in block.lines], width)]
        if block.table is not None:
            header, rows = block.table
            written = aligned([[f"  {row[0]}", *row[1:]] for row in (header, *rows)])
            if max(map(columns, written.split("\n"))) <= width:
                body.insert(0, written)
        body.append(wrapped([f"  [ ] {point}" for point in block.points], width))
        if any(body):
            parts.append("\n".join(part for part in (block.title, *body) if part))
    return "\n\n".join([*parts, wrapped(words.closing, width), wrapped(words.cautions[:1], width)])


def _verdict(facts: BriefFacts, reader: Reader) -> str:
    """Return the first line of the answer, or that of the window asked for where it is another one."""
    window, verdict = facts.window, facts.answer.verdict
    if verdict.period == Period(window.start, window.end):
        return verdict.first_line
    when = reader.clock.when(window.start, window.end)
    title = title_of(facts.answer.sites[0], window, reader, is_invented=facts.answer.invented is not None)
    return f"Window {facts.rank}, {when}. {title}."


def _decision(facts: BriefFacts, reader: Reader) -> list[Line]:
    """Return what the answer says of the window."""
    site, window = facts.answer.sites[0], facts.window
    lines = [
        ("Tightest", tightest(site, window, reader)),
        ("Ends", what_ends(site, window, reader) or "not within the time asked about"),
        ("Wind", wind_and_gust(site, window, reader)),
        ("Expect", details.what_it_is_like(window, reader.units)),
        ("How sure", _how_sure(facts, reader)),
        ("Mind", OUTLOOK_ONLY if window.outlook_only else ""),
        *details.conduct_lines(site, reader, window, facts.decisions),
        *zone_lines(site.zones, site.period, reader),
        ("Asked", _asked(facts, reader)),
    ]
    return [line for line in lines if line[1]]


def _asked(facts: BriefFacts, reader: Reader) -> str:
    asked, e = details.asked(facts.answer.sites[0], reader.units), facts.energy
    return asked if e is None else f"{asked}, home at {amount(e.plan.return_height, 'height', reader.units)}"


def _how_sure(facts: BriefFacts, reader: Reader) -> str:
    """Return in words how sure the window is for the length that the title names, and for the time that is needed."""
    site, window = facts.answer.sites[0], facts.window
    if window.chance is None:
        return ""
    phrase = [
        f"{in_ten(window.chance)} that every limit holds all through, {reader.clock.span(window.start, window.end)}"
    ]
    if window.surest is not None and window.surest.chance is not None:
        needed = duration(facts.answer.minimum_duration)
        phrase.append(f"{in_ten(window.surest.chance)} for {needed} from {reader.clock.hour(window.surest.start)}")
    causes = details.causes_in_words(window.causes, window.limiting_element)
    return f"{'; '.join(phrase)} ({details.whose(site)})" + (f"; may break: {causes}" if causes else "")


class _Words:
    """Phrases the facts of a brief."""

    def __init__(self, facts: BriefFacts, reader: Reader) -> None:
        self._facts, self._units, self._clock = facts, reader.units, reader.clock
        self._reader = reader
        self._site = facts.answer.sites[0]
        self._hours = HourWords(self._site, reader.units)
        self._unit = unit_of("wind", reader.units)
        self._hand = amount(facts.launch.anemometer_height, "height", reader.units)

    def not_known(self) -> list[str]:
        """Name what is not known and matters to the brief beside what the answer names."""
        facts, lines = self._facts, []
        if facts.energy_missing:
            lines.append(f"energy and reach: {energy_missing(facts.energy_missing)}")
        elif facts.energy is not None and facts.energy.needed_share is None and not facts.energy.refusal:
            lines.append("energy and reach: wind, air or battery temperature is outside what is known")
        if facts.window.sight_range is None:
            lines.append("sight range")
        if facts.launch.largest_mean is None:
            lines.append("the field check: the forecast does not give the wind at the anemometer")
        return lines

    def launch(self) -> Block:
        """Return what the anemometer may show, mean and gust apart, with room for what it shows."""
        f, unit = self._facts.launch, self._unit
        sure, least = in_ten(f.confidence), number(f.least_mean, unit)
        header = [f"anemometer at {self._hand}", f"mean {unit}", f"gust {unit}"]
        flight, home = (amount(height, "height", self._units) for height in (self._site.height, self._return_height()))
        both = f"{flight} and at {home} on the way back"
        lines = [("Holds for", f"the wind at {both if home != flight else flight}{self._decides()}")]
        lines.append(("How", "two minutes, in the open, away from cars and walls; the worse of the two counts"))
        reading = ["Your reading", BLANK, BLANK]
        if f.largest_mean is None:
            lines.append(("Holds", "not known: read the wind, and do not rely on the forecast of it"))
            return Block("launch", "Launch limits", lines, (header, [reading]))
        rows = [
            ["Do not launch above", rounded_down(f.mean_stop, unit), rounded_down(f.gust_stop, unit)],
            ["Forecast", self._expected(), "?" if f.gust_expected is None else f"to {self._speed(f.gust_expected)}"],
            reading,
        ]
        if f.some_reading_passes:
            holds = [f"{least} to {rounded_down(f.largest_mean, unit)}", f"to {rounded_down(f.largest_gust, unit)}"]
            rows.insert(0, ["Limits kept aloft", *holds])
            beyond = "above those of the next row, more likely beyond than not"
            lines.append(("Sure", f"{sure} with both readings so low; {beyond}"))
            if f.gust_expected is not None and f.largest_gust is not None and f.gust_expected > f.largest_gust:
                lines.append(("Mind", "the gust of the forecast is already more than holds"))
        else:
            lines.append(("Holds", "at no reading: the wind grows too much with height"))
        stalls = f"a mean below {least} {unit}, where an anemometer may stand still"
        is_home_higher = self._return_height() > self._site.height
        lower = ", or return lower, only if nothing stands higher there" if is_home_higher else ""
        lines += [
            ("In doubt", f"every other pair of readings, {stalls}, among them: do not launch yet; wait{lower}"),
            ("Then", "put the reading in: wxfly check, or Check on the page; it says what to do, and how high"),
        ]
        return Block("launch", "Launch limits", lines, (header, rows))

    def _return_height(self) -> float:
        """Return the height of the way back [m]: as planned, as asked, or that of the flight."""
        if self._facts.energy is not None:
            return self._facts.energy.plan.return_height
        question = self._facts.answer.question
        asked = None if question is None or question.sortie_asked is None else question.sortie_asked.return_height
        return self._site.height if asked is None else asked

    def _decides(self) -> str:
        """Say that the way back decides where wind and gust are known to be greater there in every hour."""
        levels = {level.height: level for level in self._facts.levels}
        flight, home = levels[self._site.height], levels[self._return_height()]
        pairs = list(zip([*flight.wind, *flight.gust], [*home.wind, *home.gust], strict=True))
        is_greater = all(below is not None and above is not None and above > below for below, above in pairs)
        return ", which decides" if is_greater else ""

    def _expected(self) -> str:
        f = self._facts.launch
        ends = [v for v in (f.lowest_mean_expected, f.highest_mean_expected) if v is not None]
        return " to ".join(dict.fromkeys(map(self._speed, ends))) or "?"

    def _speed(self, value: float) -> str:
        return number(value, self._unit)

    def energy(self) -> Block:
        """Return what the sortie takes, when to turn, and what the batteries make of the window."""
        e, title = self._facts.energy, "Energy and the way back"
        if e is None:
            phrase = "the aircraft's figures do not say what it takes; keep the maker's reserve"
            return Block("energy", title, [("Not known", phrase)])
        no_work = "; no time at work (add it: --work, or Work on the page)"
        seen = out_of_sight(e.plan, self._facts.window.sight_range, self._units)
        lines = [("Out of sight", seen)] if seen else []
        lines.append(("Planned", details.planned(e.plan, self._units) + ("" if e.plan.work_time else no_work)))
        lines.append(("Battery", self._battery(e)))
        if not e.comes_home:
            is_known = e.needed_share is not None and not e.refusal
            lines += [("So", "it does not come home with its reserve: plan nearer or shorter")] if is_known else []
            return Block("energy", title, lines)
        lines += [("Turn for home", self._turn(e)), ("In the air", self._in_the_air(e))]
        lines += [("Way back", self._return_leg(e)), ("Reach", self._reach(e))]
        if e.packs_are_cold:
            lines.append(("Cold", self._cold(e)))
        sure = f"wind and consumption no worse than planned, {in_ten(e.plan.confidence)}"
        lines.append(("How sure", f"{sure}; the model's own error is about {100 * e.model_deviation:.0f} %"))
        return Block("energy", title, lines)

    def _sight(self) -> float:
        seen = self._facts.window.sight_range
        return math.nan if seen is None else seen

    def _battery(self, e: EnergyFacts) -> str:
        if e.refusal:
            return f"cannot be flown: {e.refusal}"
        if e.needed_share is None:
            return "not known"
        return details.battery_use(e.needed_share, e.plan)

    def _turn(self, e: EnergyFacts) -> str:
        """Return in words at which charge to turn, with the distance that it holds for."""
        if e.charge_at_turn is None:
            return "not known"
        far = way(e.plan.distance, self._units)
        turn = f"at {math.ceil(round(100 * e.charge_at_turn, 4))} % shown, from {far} away; from farther out, earlier"
        return turn if e.plan.work_time else f"{turn} (as planned you turn at once: this is for staying longer)"

    def _in_the_air(self, e: EnergyFacts) -> str:
        if e.flight_time is None or e.latest_turn is None or e.time_in_air is None:
            return "not known"
        phrase = (
            f"turn {minutes(e.latest_turn)} after take-off whatever is shown, or at that charge, whichever is first"
        )
        each = f"{minutes(e.flight_time)} on one battery at the most"
        if e.plan.batteries == 1:
            return f"{each}; {phrase}"
        flights = f"{e.plan.batteries} batteries: {e.flights_begun} flight{'' if e.flights_begun == 1 else 's'}"
        return f"{each}; {phrase}; {flights}, {minutes(e.time_in_air)} in all"

    def _return_leg(self, e: EnergyFacts) -> str:
        height = amount(e.plan.return_height, "height", self._units)
        fast = "not known" if e.airspeed_home is None else f"{self._speed(e.airspeed_home)} {self._unit}"
        return (
            f"at {height}, {fast} through the air; where the screen shows less over ground than the table of your"
            " direction, the wind is stronger than planned: go lower, come now"
        )

    def _reach(self, e: EnergyFacts) -> str:
        by_energy = [d.energy_reach for d in e.directions if d.energy_reach is not None]
        if len(by_energy) < len(e.directions):
            return "energy not known in some direction"
        least, most = (self._as_far(ends(by_energy), e) for ends in (min, max))
        span, seen = f"{least} to {most}, by direction", self._sight()
        if math.isnan(seen):
            return f"no farther than you see which way it points: how far is not known; the energy reaches {span}"
        far = f"no farther than {self._as_far(seen, e, SIGHT_TOLERANCE)}, where you still see which way it points"
        if seen < min(by_energy):
            return f"{far}; the energy would reach {span}"
        return f"{far}; nearer where the energy ends first: it reaches {span}"

    def _as_far(self, value: float, e: EnergyFacts, tolerance: float = 0.0) -> str:
        """Write a distance rounded down, but never as less than is planned where it is not less."""
        planned = e.plan.distance
        is_reached = value + tolerance >= planned
        looks_less = value < planned or distance(value, self._units) == distance(planned, self._units)
        return way(planned, self._units) if is_reached and looks_less else distance(value, self._units)

    def _cold(self, e: EnergyFacts) -> str:
        warm = amount(WARM_PACK, "temperature", self._units)
        usable = "?" if e.usable_share is None else math.floor(100 * e.usable_share)
        return (
            f"the pack gives about {usable} % of its energy, and then its voltage falls off a cliff: keep packs"
            f" above {warm} until take-off, hover a minute, avoid full power, and believe the voltage before the per"
            " cent"
        )

    def directions(self) -> list[Block]:
        """Return reach and the way back in eight directions; nothing without a reach."""
        e = self._facts.energy
        if e is None:
            return []
        header = ["Toward", "Energy reaches", "Home over ground"]
        rows: list[list[str]] = []
        for d in e.directions[:: len(e.directions) // 8]:
            if d.energy_reach is None or d.ground_speed_home is None:
                rows = []
                break
            name = compass_point(d.toward)
            speed = f"{rounded_down(d.ground_speed_home, self._unit)} {self._unit}"
            rows.append([name, self._as_far(d.energy_reach, e), speed])
        dot = "" if e.plan.direction is None else "; dot: the planned point"
        is_met = bool(volumes_met(self._facts.answer.sites[0].zones, self._facts.window))
        hatched = " Hatched: zones of your file; no others are drawn." if is_met else ""
        note = (
            f"Shaded: sight{dot}. Line: energy, out and home with the reserve in the worst moment; the table has it"
            f" where it lies beyond.{hatched} No map: obstacles, airspace and people are not on it."
        )
        return [Block("reach", "Reach", table=(header, rows) if rows else None, note=note)]

    def hours(self) -> Block:
        """Return the window hour by hour: how it stands, and wind and gust at each height.

        In a long window several hours share a row, which shows the worst of them, so that the brief stays one page.
        """
        first, last = self._facts.first, self._facts.last
        together = -(-(last - first + 1) // MOST_ROWS)
        heights = [amount(level.height, "height", self._units) for level in self._facts.levels]
        rows = [self._row(i, min(i + together, last + 1)) for i in range(first, last + 1, together)]
        note = f"Wind / gust in {self._unit} at each height above ground, the worse end of the hour"
        return Block("hours", "Hour by hour", table=(["Hours", "Stands", "Decides", *heights], rows), note=note)

    def _row(self, first: int, end: int) -> list[str]:
        hours, part = self._site.hours, range(first, end)
        at = min(part, key=lambda i: -math.inf if (m := hours.margin[i]) is None else m)
        state = max((hours.state[i] for i in part), key=STATE_WORDS.index)
        margin, element = hours.margin[at], hours.limiting_element[at]
        lit = [(s, e) for i in part if (s := hours.usable_start[i]) and (e := hours.usable_end[i])]
        row = [
            self._clock.span(as_moment(lit[0][0]), as_moment(lit[-1][1])),
            f"{state} {to_spare(margin).strip()}",
            titles([element]) if element else "-",
        ]
        within = slice(first - self._facts.first, end - self._facts.first)
        for level in self._facts.levels:
            row.append(" / ".join(self._largest(values[within]) for values in (level.wind, level.gust)))
        return row

    def _largest(self, values: Sequence[float | None]) -> str:
        known = [v for v in values if v is not None]
        return self._speed(max(known)) if len(known) == len(values) else "?"

    def sky(self, sun: str) -> Block:
        """Return how high, how far in sight, in which light, and what the weather may bring."""
        window, facts = self._facts.window, self._facts.advice
        height = "not known in some hour"
        if window.usable_height is not None and window.usable_height_ends_by is not None:
            by = window.usable_height_ends_by.replace("_", " ")
            height = f"{height_down(window.usable_height, self._units)} above ground ({by})"
        seen = amount(self._sight(), "height", self._units)
        by = f", by {window.sight_decided_by}" if window.sight_decided_by else ""
        limits = self._site.limits
        highest = height_down(limits.height_limit, self._units)
        storm = [self._worst("thunderstorm"), *of_the_storm(facts)]
        lines = [
            ("Thunderstorm", "; ".join(storm)),
            ("Usable height", height),
            ("Height limit", f"{highest} above ground, by the rules '{limits.rules}'; local rules may ask for less"),
            ("Sight range", f"{seen}{by}: how far you still see which way it points"),
            ("Sun", sun),
            ("Light", listed(facts.light)),
            ("Hands", facts.hands or ""),
            ("Heat", facts.heat or ""),
            ("Frost", "a machine left outside may take on frost: wipe the rotors dry" if facts.frost else ""),
        ]
        for name in ("kp", "visibility", "cloud_base", "precipitation", "icing"):
            title = titles([name])
            lines.append((title[:1].upper() + title[1:], self._worst(name)))
        return Block("sky", "Sky, sight and light", [line for line in lines if line[1]])

    def _worst(self, element: str) -> str:
        """Phrase the worst hour of an element in the window, without its name."""
        hour = next(one.hour for one in self._facts.worst_hours if one.element == element)
        height = amount(self._site.height, "height", self._units)
        subject = BY_NAME[element].wording.format(height=height)
        return self._hours.demand_in_words(element, hour).removeprefix(subject).strip(", ")
