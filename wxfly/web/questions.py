"""The questions as addresses: what each may say, how it is asked, and the parts of its page.

Every option of a question is a field of its form and a parameter of its address, from the rows of
`wxfly.pilot.options`; only those that would let a visitor name a file or a service are left out.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

from msgspec import Struct

from wxfly.answer.request import QuestionKind
from wxfly.errors import WxflyError, shortened, unknown_name
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.options import (
    OPTIONS,
    USUAL_REACH,
    FilePath,
    Names,
    Option,
    Quantity,
    Switch,
    Words,
    kept_values,
    options_of,
    written,
)
from wxfly.pilot.rules import load_rules
from wxfly.pilot.settings import load_settings, own_aircraft_file, own_rules_file, plans_file, read_plans, sites_file
from wxfly.pilot.site import read_sites
from wxfly.question.ask import Asked, Progress, ask, ask_brief, ask_hour
from wxfly.question.field_check import ask_check
from wxfly.question.where import ask_where
from wxfly.report.command_facts.brief import brief_or_answer
from wxfly.report.command_facts.field_check import check_facts
from wxfly.report.command_facts.one_hour import one_hour_facts
from wxfly.report.command_facts.where import reader_of, where_facts
from wxfly.report.facts.answer import AnswerFacts, facts_of
from wxfly.report.facts.site import timeline_facts
from wxfly.report.facts.values import Facts
from wxfly.report.pages import brief as brief_page
from wxfly.report.pages import shell
from wxfly.report.pages import where as where_page
from wxfly.report.pages.page import Parts, parts_of
from wxfly.report.schemas import WHOLES
from wxfly.report.text import details
from wxfly.report.text.answer import words_of
from wxfly.report.text.brief import words_of as brief_words
from wxfly.report.text.field_check import CheckWords
from wxfly.report.text.where import words_of as where_words
from wxfly.retrieval.places import demo_sites

MOST_PLACES = 6
"""How many places one address may compare."""
LONGEST_VALUE = 400
"""Greatest length of one parameter [character]."""
SEE_COMMAND = re.compile(r" \(see: wxfly[^)]*\)")
"""Where a text sends to a command; no page says it."""
NOT_OFFERED = tuple(option.name for option in OPTIONS.values() if isinstance(option.kind, FilePath))
"""Options that name a file of this machine: no address and no form says one."""


@dataclass(frozen=True)
class Given:
    """What an address asks.

    Attributes
    ----------
    places : tuple of str
        As written.
    words : Words
        The options.
    hour, within : str
        The hour of `why` and the reach of `where`; empty where it is not given.
    """

    places: tuple[str, ...] = ()
    words: Words = field(default_factory=Words)
    hour: str = ""
    within: str = ""


@dataclass(frozen=True)
class Shown:
    """An answer: its facts, and the parts of its page.

    Attributes
    ----------
    facts : Facts
        What `--json` prints.
    title : str
        Of the page, not yet escaped.
    parts : Parts
        Escaped.
    style : str
        Name of the style sheet.
    asked : Asked or None
        What the other formats are made from; None where the question has none.
    """

    facts: Facts
    title: str
    parts: Parts
    style: str = "answer.css"
    asked: Asked | None = None


@dataclass(frozen=True)
class Other:
    """A parameter of one question alone, beside its places and options.

    Attributes
    ----------
    name : str
        As in the address, and of its field in `Given`.
    hint : str
        What is said below its field.
    help : str
        What the description of the JSON interface says.
    """

    name: str
    hint: str
    help: str


@dataclass(frozen=True)
class View:
    """A question with an address of its own.

    Attributes
    ----------
    name : str
        Last part of its address, and the command.
    title : str
        What it answers, as a heading.
    answer : callable
        Answers what is given.
    least_places, most_places : int
        How many places it takes.
    others : tuple of Other
        Parameters beside the places and the options.
    needs : tuple of str
        Parameters without which there is no question.
    schema : str
        Name of its facts in `wxfly.report.schemas.WHOLES`.
    """

    name: str
    title: str
    answer: Callable[[Given, Progress], Shown]
    least_places: int = 0
    most_places: int = 1
    others: tuple[Other, ...] = ()
    needs: tuple[str, ...] = ()
    schema: str = "answer"

    @property
    def options(self) -> list[Option]:
        """Return the options of its form."""
        return [option for option in options_of(self.name) if option.name not in NOT_OFFERED]

    @property
    def facts(self) -> type[Struct]:
        """Return the type of its facts."""
        return WHOLES[self.schema]


@dataclass(frozen=True)
class FormField:
    """A field of a form.

    Attributes
    ----------
    name, label, hint : str
        Its parameter, its label and what is said below it.
    value : str
        What it holds.
    choices : tuple of (str, str)
        Values and their words; a text is typed where there are none.
    offers : str
        Name of the list that it offers while one types; empty for none.
    is_front, is_needed, is_number, is_long : bool
        Whether it stands above the fold, must be filled, takes a keyboard of digits, and takes a long text.
    """

    name: str
    label: str
    hint: str = ""
    value: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    offers: str = ""
    is_front: bool = False
    is_needed: bool = False
    is_number: bool = False
    is_long: bool = False


# --- reading an address ----------------------------------------------------------------------------------------


def read_pairs(raw: bytes, *, long: str = "") -> list[tuple[str, str]]:
    """Return names and values of a query or a form, without the fields that were left empty.

    Parameters
    ----------
    raw : bytes
        The query or the form.
    long : str, optional
        Name of the one field that may hold a text of many lines.

    Raises
    ------
    WxflyError
        For too many or too long ones, and for what is no text.
    """
    try:
        pairs = parse_qsl(raw.decode("ascii"), keep_blank_values=True, max_num_fields=150, errors="strict")
    except ValueError:
        raise WxflyError("the address or the form is not understood; wanted up to 150 fields in UTF-8") from None
    found = []
    for name, value in pairs:
        value = value.strip()
        is_long = bool(long) and name == long
        if not is_long and (len(value) > LONGEST_VALUE or not value.isprintable()):
            raise WxflyError(
                f"{shortened(name, 40)} is not understood; wanted one line of up to {LONGEST_VALUE} characters"
            )
        if value:
            found.append((name, value))
    return found


def read_given(view: View, pairs: Sequence[tuple[str, str]]) -> Given:
    """Return what an address asks.

    Raises
    ------
    WxflyError
        For a parameter or a value that is not understood, with the nearest name.
    """
    by_key = {option.key: option for option in view.options}
    beside = [other.name for other in view.others]
    places: list[str] = []
    others: dict[str, str] = {}
    words: dict[str, Any] = {}
    for name, value in pairs:
        if name == "place":
            places.append(value)
        elif name in beside:
            others[name] = value
        elif name not in by_key:
            raise unknown_name("parameter", name, ["place", *beside, *by_key])
        else:
            option = by_key[name]
            word = option.kind.parse(option.key, value)
            if option.name in words and not isinstance(option.kind, Names):
                raise WxflyError(f"{option.key} is given twice; give it once")
            words[option.name] = (*words.get(option.name, ()), *word) if isinstance(option.kind, Names) else word
    if len(places) > view.most_places:
        raise WxflyError(f"{len(places)} places are named; wanted {view.most_places} at the most")
    return Given(tuple(places), Words(**words), **others)


def is_asked(view: View, pairs: Sequence[tuple[str, str]]) -> bool:
    """Return whether an address says enough to be a question; without it, the page is a form alone.

    A link to a form may say the place and the options of another answer; only what belongs to this question alone
    shows that somebody has begun to fill the form.
    """
    if not view.needs:
        return bool(pairs) or not view.least_places
    of_this = {option.key for option in view.options if option.is_of_reading} | {one.name for one in view.others}
    return any(name in of_this for name, _ in pairs)


def check_complete(view: View, given: Given, pairs: Sequence[tuple[str, str]]) -> None:
    """Refuse a question without what it needs.

    Raises
    ------
    WxflyError
        Naming what is wanted.
    """
    if len(given.places) < view.least_places:
        twice = "two places or more are wanted; one place may come twice with two heights, PLACE@40m"
        raise WxflyError("a place is wanted" if view.least_places == 1 else twice)
    names = {name for name, _ in pairs}
    missing = [name for name in view.needs if name not in names]
    if missing:
        raise WxflyError(f"{missing[0]} is wanted, for example {_EXAMPLES[missing[0]]}")


_EXAMPLES = {"mean": "3m/s", "hour": "15:00"}
FIRST_STEPS = {
    "mean": "Enter your reading: the mean wind and the gust that the anemometer shows",
    "hour": "Enter the hour that you ask about",
}
"""What a form says before anything is typed, by what its question needs."""


# --- the form --------------------------------------------------------------------------------------------------


def form_fields(view: View, pairs: Sequence[tuple[str, str]]) -> list[FormField]:
    """Return the fields of the form of a question, each with what an address says."""
    said: dict[str, list[str]] = {}
    for name, value in pairs:
        said.setdefault(name, []).append(value)
    places = said.get("place", [])
    shown = max(1, view.least_places, min(view.most_places, len(places) + (view.most_places > 1)))
    fields = [
        FormField(
            "place", "Place" if shown == 1 else f"Place {i + 1}", "A saved name, latitude,longitude or a search",
            places[i] if i < len(places) else "", offers="places", is_front=True, is_needed=i < view.least_places,
        )
        for i in range(shown)
    ]  # fmt: skip
    for other in view.others:
        value, is_needed = ", ".join(said.get(other.name, [])), other.name in view.needs
        fields.append(
            FormField(other.name, other.name.capitalize(), other.hint, value, is_front=True, is_needed=is_needed)
        )
    options = sorted(view.options, key=lambda option: not option.is_of_reading)
    own = kept_values(load_settings().usual)
    return [*fields, *(_with_own(option_field(o, ",".join(said.get(o.key, []))), own.get(o.key)) for o in options)]


def _with_own(field: FormField, own: Any) -> FormField:
    """Return a field that says what the pilot's settings hold, in place of the default."""
    if own is None:
        return field
    hint = re.sub(r"\s*\[default: [^]]*\]", "", field.hint)
    return replace(field, hint=f"{hint}  [yours: {written(own)}]")


def option_field(option: Option, value: str = "") -> FormField:
    """Return the field of an option."""
    return FormField(
        option.key, label_of(option.key), _without_commands(option.help_text), value, _choices(option),
        offers="days" if option.name == "day" else "",
        # On the command line a day needs no option: it stands behind the place.
        is_front=(option.is_front or option.name == "day") and option.name != "units",
        is_needed=option.name == "mean", is_number=option.is_of_reading and isinstance(option.kind, Quantity),
    )  # fmt: skip


def label_of(key: str) -> str:
    """Return the label of the field of an option or of a figure."""
    return key.replace("_", " ").capitalize()


def _without_commands(text: str) -> str:
    """Return the help of an option as words of a page: without commands, and without the dashes of options."""
    text = SEE_COMMAND.sub("", text)
    return re.sub(r"--([a-z-]+)", lambda match: match[1].replace("-", " "), text)


def _choices(option: Option) -> tuple[tuple[str, str], ...]:
    names: Iterable[str] = option.kind.choices
    if option.name == "aircraft":
        names = load_aircraft(own_aircraft_file())
    elif option.name == "rules":
        names = load_rules(own_rules_file())
    elif option.name == "plan":
        names = read_plans(plans_file())
    elif isinstance(option.kind, Switch):
        return (("true", "yes"), ("false", "no"))
    return tuple((name, name) for name in names)


def known_places() -> list[str]:
    """Return the home and the names of the saved places; those of the demonstration where none is saved."""
    home = load_settings().home
    return list(dict.fromkeys([*([home] if home else []), *(read_sites(sites_file()) or demo_sites())]))


# --- the answers -----------------------------------------------------------------------------------------------


def _of_hours(kind: QuestionKind) -> Callable[[Given, Progress], Shown]:
    def answer(given: Given, on_progress: Progress) -> Shown:
        asked = ask(kind, given.places, given.words, on_progress=on_progress)
        facts = facts_of(asked.briefing, asked.question)
        return Shown(facts, words_of(facts).title, _parts(asked.briefing, facts), asked=asked)

    return answer


def _parts(briefing: Any, facts: AnswerFacts) -> Parts:
    return parts_of(facts, timeline_facts(briefing, facts.sites), words_of(facts))


def _around(parts: Parts, header: str, before: str, title: str, verdict: str) -> Parts:
    """Return the parts of a page that says something before the answer of the day and its verdict."""
    inside = parts.main.removeprefix("<main>\n")
    day = f'<h2 class="day">{shell.escape(title)}</h2>\n<p class="day">{shell.escape(verdict)}</p>\n'
    return replace(parts, header=header, main=f"<main>\n{before}{day}{inside}")


def _why(given: Given, on_progress: Progress) -> Shown:
    asked = ask_hour([*given.places, *given.hour.split()], given.words, on_progress=on_progress)
    facts = one_hour_facts(asked)
    rows = [(one.title, one.words, "required" if one.is_required else "advised") for one in facts.elements]
    before = (
        f'<section class="answer">\n<p>{shell.escape(" ".join(facts.sentences))}</p>\n'
        f"{shell.table(('element', 'what it leaves', 'counts'), rows, caption='Every element of the hour')}</section>\n"
    )
    header = shell.header(facts.first_line, details.first_notes(facts.answer))
    parts = _around(
        _parts(asked.briefing, facts.answer), header, before, "The whole day", facts.answer.verdict.first_line
    )
    return Shown(facts, facts.first_line, parts)


def _brief(given: Given, on_progress: Progress) -> Shown:
    asked = ask_brief("".join(given.places) or None, given.words, on_progress=on_progress)
    facts = brief_or_answer(asked)
    words = brief_words(facts)
    header, *middle, footer = brief_page.body_of(words, facts)
    return Shown(facts, words.title, Parts(header, "".join(middle), footer, {}), "brief.css")


def _check(given: Given, on_progress: Progress) -> Shown:
    asked = ask_check("".join(given.places) or None, given.words, on_progress=on_progress)
    facts = check_facts(asked)
    words = CheckWords(facts)
    before = f'<section class="answer">\n{shell.lines(words.lines())}</section>\n'
    header = shell.header(words.first_line(), details.first_notes(facts.answer))
    parts = _around(_parts(asked.briefing, facts.answer), header, before, *words.later())
    return Shown(facts, words.first_line(), parts)


def _where(path: Path | None) -> Callable[[Given, Progress], Shown]:
    def answer(given: Given, on_progress: Progress) -> Shown:
        words = replace(given.words, forecast_path=path)
        asked = ask_where(given.places[0], given.within or USUAL_REACH, words, on_progress=on_progress)
        facts, reader = where_facts(asked.where), reader_of(asked)
        return Shown(facts, where_words(facts, reader).verdict, where_page.parts_of(facts, reader))

    return answer


_HOUR = Other(
    "hour", "Such as 15:00 or tomorrow 15:00", "The hour on the site's clock, such as 15 or 15:00, or ISO 8601."
)
_WITHIN = Other(
    "within", f"Such as 30km  [default: {USUAL_REACH}]",
    f"How far from the place, such as 30km.  [default: {USUAL_REACH}]",
)  # fmt: skip


def views(forecast_path: Path | None = None) -> Mapping[str, View]:
    """Return the questions by name.

    Parameters
    ----------
    forecast_path : Path, optional
        The forecast file of `where`, which whoever starts the server names; no visitor can.
    """
    every = (
        View("best", "The best hour", _of_hours("best")),
        View("now", "From now on", _of_hours("now")),
        View("week", "The week", _of_hours("week")),
        View("compare", "Places compared", _of_hours("compare"), least_places=2, most_places=MOST_PLACES),
        View("brief", "The flight brief", _brief, schema="brief"),
        View("check", "A reading on the spot", _check, needs=("mean",), schema="check"),
        View("why", "Why an hour", _why, others=(_HOUR,), needs=("hour",), schema="why"),
        View("where", "Where to fly", _where(forecast_path), least_places=1, others=(_WITHIN,), schema="where"),
    )
    return {view.name: view for view in every}
