"""The options of a question: one row for each, which the command line, the library and the pilot's files all read.

The fields of `Words` are the rows. A field names the keyword of the library and is the key of a row; its row says how
the option is written, what kind of value it takes, where its help stands, and which questions have it.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from enum import Enum
from numbers import Integral, Real
from pathlib import Path
from typing import Any

from wxfly.errors import WxflyError, shortened, unknown_name
from wxfly.pilot.aircraft import DEFAULT as DEFAULT_AIRCRAFT
from wxfly.pilot.rules import DEFAULT as DEFAULT_RULES
from wxfly.units import SYSTEMS, is_bare, read_share, symbol_of_bare

QUESTIONS = ("best", "now", "why", "compare", "week", "brief", "check", "where", "fleet")


class Heading(Enum):
    """Headings of the help, in their order."""

    WHEN = "When and where"
    READING = "Your reading"
    LIMITS = "Aircraft and limits"
    SORTIE = "Sortie"
    SURE = "How sure"
    SOURCE = "Source"
    OUTPUT = "Output"


# --- kinds of value --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Text:
    """A text; of `choices`, where there are any."""

    choices: tuple[str, ...] = ()
    type_hint = "str"

    def read(self, name: str, value: Any) -> Any:
        """Return a word from a value of Python or of a pilot's file.

        Raises
        ------
        WxflyError
            For a value of another kind.
        """
        if not isinstance(value, str) or not value.strip():
            raise unfit(name, value, "a text")
        if self.choices and value not in self.choices:
            raise unknown_name(name, value, self.choices)
        return value

    def parse(self, name: str, text: str) -> Any:
        """Return a word from the text of one value on the command line."""
        return self.read(name, text)

    def with_unit(self, word: Any, units: str) -> Any:
        """Return a word that says the same under any units."""
        return word


@dataclass(frozen=True)
class Quantity(Text):
    """A number with its unit.

    Attributes
    ----------
    quantity : str
        As in `wxfly.units.read_quantity`.
    si : str
        Symbol of the SI unit of a plain number of Python.
    bare : str
        Unit of a number without one on the command line; empty for that of ``--units``.
    """

    quantity: str = "length"
    si: str = "m"
    bare: str = ""
    type_hint = "float | str"

    def read(self, name: str, value: Any) -> str:
        """Return the text of a quantity; a number gets its SI unit, a text stays as it is."""
        return quantity_text(name, value, self.si)

    def with_unit(self, word: str, units: str) -> str:
        """Return the text with the unit that a bare number has."""
        return f"{word.strip()}{self.bare or symbol_of_bare(self.quantity, units)}" if is_bare(word) else word


@dataclass(frozen=True)
class Direction(Text):
    """A direction in degrees or as a point of the compass."""

    type_hint = "float | str"

    def read(self, name: str, value: Any) -> str:
        """Return the text of a direction."""
        return quantity_text(name, value, "")


@dataclass(frozen=True)
class Share(Text):
    """A share of one, such as 0.2 or ``20%``."""

    type_hint = "float | str"

    def read(self, name: str, value: Any) -> float:
        """Return a share."""
        if not (_is_number(value) or isinstance(value, str)):
            raise unfit(name, value, "a share, such as 0.2 or '20%'")
        return read_share(value, name)


@dataclass(frozen=True)
class Count(Text):
    """A whole number in a range."""

    least: int = 0
    most: int = 99
    type_hint = "int"

    def read(self, name: str, value: Any) -> int:
        """Return a whole number."""
        if isinstance(value, bool) or not isinstance(value, Integral) or not self.least <= int(value) <= self.most:
            raise unfit(name, value, f"a whole number from {self.least} to {self.most}")
        return int(value)

    def parse(self, name: str, text: str) -> int:
        """Return a whole number from its text."""
        try:
            return self.read(name, int(text))
        except ValueError:
            raise unfit(name, text, f"a whole number from {self.least} to {self.most}") from None


@dataclass(frozen=True)
class Switch(Text):
    """On or off."""

    type_hint = "bool"

    def read(self, name: str, value: Any) -> bool:
        """Return whether it is on."""
        if type(value).__name__ not in ("bool", "bool_"):
            raise unfit(name, value, "True or False")
        return bool(value)

    def parse(self, name: str, text: str) -> bool:
        """Return whether it is on, from ``true`` or ``false``."""
        if text.lower() not in ("true", "false"):
            raise unfit(name, text, "true or false")
        return text.lower() == "true"


@dataclass(frozen=True)
class Names(Text):
    """Several names; the option may be given more than once."""

    type_hint = "str | Sequence[str]"

    def read(self, name: str, value: Any) -> tuple[str, ...]:
        """Return the names."""
        values = (value,) if isinstance(value, str) else value
        if not isinstance(values, Sequence) or not all(isinstance(part, str) for part in values):
            raise unfit(name, value, "a name or a list of names")
        return tuple(values)

    def parse(self, name: str, text: str) -> tuple[str, ...]:
        """Return the names of a text that joins them by commas."""
        return tuple(part.strip() for part in text.split(",") if part.strip())


@dataclass(frozen=True)
class OwnLimits(Names):
    """Limits of elements, each as ``ELEMENT=VALUE``; Python and files may give a table by element."""

    type_hint = "str | Sequence[str] | Mapping[str, str]"

    def read(self, name: str, value: Any) -> tuple[str, ...]:
        """Return the limits, each ``ELEMENT=VALUE``."""
        if isinstance(value, Mapping):
            value = [f"{element}={one}" if isinstance(one, str) else one for element, one in value.items()]
        return super().read(name, value)

    def with_unit(self, word: tuple[str, ...], units: str) -> tuple[str, ...]:
        """Return the limits with their units."""
        from wxfly.pilot.limits import limit_with_unit  # here, because the help needs no elements

        return tuple(limit_with_unit(one, units) for one in word)


@dataclass(frozen=True)
class Moment(Text):
    """A moment, UTC unless it names an offset."""

    type_hint = "str | datetime | np.datetime64"

    def read(self, name: str, value: Any) -> str:
        """Return the text of a moment."""
        import numpy as np  # here, because the help needs none

        if isinstance(value, np.datetime64) and not np.isnat(value):
            return str(value.astype("datetime64[s]"))
        if isinstance(value, datetime):
            moment = value if value.tzinfo is None else value.astimezone(UTC)
            return moment.isoformat(timespec="seconds")
        if isinstance(value, str) and value:
            return value
        raise unfit(name, value, "a moment such as '2026-03-12T06:00Z'")


@dataclass(frozen=True)
class Day(Text):
    """A day at the site."""

    type_hint = "str | date"

    def read(self, name: str, value: Any) -> str:
        """Return the text of a day."""
        if isinstance(value, datetime):
            value = value.date()
        return value.isoformat() if isinstance(value, date) else str(super().read(name, value))


@dataclass(frozen=True)
class Amounts(Text):
    """Amounts in one currency, joined by commas."""

    type_hint = "str | Sequence[float]"

    def read(self, name: str, value: Any) -> str:
        """Return the text of the amounts."""
        if isinstance(value, Sequence) and not isinstance(value, str) and all(_is_number(part) for part in value):
            return ",".join(f"{part:f}" for part in value)
        return str(super().read(name, value))


@dataclass(frozen=True)
class FilePath(Text):
    """The path of a file."""

    type_hint = "str | Path"

    def read(self, name: str, value: Any) -> Path:
        """Return the path."""
        if not isinstance(value, str | Path) or not str(value):
            raise unfit(name, value, "the path of a file")
        return Path(value)


@dataclass(frozen=True)
class KeptFilePath(FilePath):
    """The path of a file that settings and plans may name: they hold it in full."""

    def with_unit(self, word: Path, units: str) -> Path:
        """Return the path that names the same file from any folder."""
        return _in_full(word)


def _in_full(path: Path) -> Path:
    return path if path.is_absolute() or path.parts[:1] == ("~",) else path.absolute()


def quantity_text(name: str, value: Any, si: str) -> str:
    """Return a quantity as a pilot writes it: a number gets its SI unit, a text stays as it is."""
    if isinstance(value, str) and value.strip():
        return value
    if not _is_number(value):
        raise unfit(name, value, f"a number in {si or 'degrees'} or a text with its unit")
    return f"{float(value):.6f}".rstrip("0").rstrip(".") + si


def _is_number(value: Any) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool) and abs(float(value)) < float("inf")


def unfit(name: str, value: Any, wanted: str) -> WxflyError:
    """Build the error for a value of a wrong kind."""
    return WxflyError(f"{name}={value!r:.80} is not understood; wanted {wanted}")


# --- the rows --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Option:
    """One option of a question.

    Attributes
    ----------
    kind : Text
        What values it takes.
    heading : Heading
        Where its help stands.
    help : str
        One sentence, without the default.
    metavar : str
        What stands for its value in the help.
    default : str
        What holds without it, for the help; empty where nothing is worth saying.
    is_front : bool
        Whether ``--help`` shows it; ``--help-all`` shows every option.
    questions : tuple of str
        Commands that have it.
    asks_for_sortie : bool
        Whether it asks for the return leg to be judged.
    is_of_once : bool
        Whether it is about one answer: a plan may hold it, the settings and a site's defaults may not.
    is_of_reading : bool
        Whether it is a reading of an instrument, which nothing keeps.
    written : str
        The name after ``--`` where it is not that of the field.
    name : str
        Name of the field and of the library's keyword.
    """

    kind: Text
    heading: Heading
    help: str
    metavar: str = ""
    default: str = ""
    is_front: bool = False
    questions: tuple[str, ...] = QUESTIONS
    asks_for_sortie: bool = False
    is_of_once: bool = False
    is_of_reading: bool = False
    written: str = ""
    name: str = ""

    @property
    def flag(self) -> str:
        """Return the option as it is typed, without its dashes."""
        return self.written or self.name.replace("_", "-")

    @property
    def key(self) -> str:
        """Return its key in the pilot's files."""
        return self.flag.replace("-", "_")

    @property
    def help_text(self) -> str:
        """Return its help with the default and the unit of a bare number."""
        unit = ""
        if isinstance(self.kind, Quantity):
            usual = self.kind.bare or {"time": "min", "mass": "g"}.get(self.kind.quantity, "that of --units")
            unit = f"without unit: {usual}"
        notes = "; ".join(filter(None, [f"default: {self.default}" if self.default else "", unit]))
        return f"{self.help}  [{notes}]" if notes else self.help


def _row(kind: Text, heading: Heading, text: str, metavar: str = "", **rest: Any) -> Any:
    """Return a field of `Words` with its row; several names begin empty, everything else is left out."""
    return field(
        default=() if isinstance(kind, Names) else None,
        metadata={"option": Option(kind, heading, text, metavar, **rest)},
    )


def _of_system(system: Mapping[str, str]) -> str:
    return f"{system['height']}, {system['wind']} and {system['temperature']}"


_UNITS_TEXT = (
    f"Units of the answer, and of a number without one: {', or '.join(map(_of_system, SYSTEMS.values()))}; "
    "mass is in g and time in min in each."
)
_LENGTH = Quantity()
_TIME = Quantity(quantity="time", si="s")
_SPEED = Quantity(quantity="speed", si="m/s")
_TEMPERATURE = Quantity(quantity="temperature", si="K")
_ON_A_DAY = ("best", "compare", "brief", "why", "where")
_AT_A_SITE = ("best", "now", "why", "compare", "week", "brief", "check")
_AT_SITES = (*_AT_A_SITE, "fleet")
_WITHOUT_CHECK = ("best", "now", "compare", "week", "brief")
_PLANNED = (*_WITHOUT_CHECK, "fleet")


@dataclass(frozen=True, kw_only=True)
class Words:
    """Everything that a question may say, as the pilot writes it; ``wxfly best --help-all`` explains each.

    A field that is left out takes what a plan, the site, the settings or the default says when the question is read
    (`wxfly.question.question`).
    """

    # fmt: off
    day: str | None = _row(
        Day(), Heading.WHEN, "The day at the site: today, tomorrow, a weekday or YYYY-MM-DD.", "DAY",
        default="tomorrow; for why, the next such hour", questions=_ON_A_DAY, is_of_once=True, written="date",
    )
    days: int | None = _row(
        Count(least=1, most=16), Heading.WHEN, "How many days, from today.", "DAYS", default="7", is_front=True,
        questions=("week", "fleet"),
    )
    hours: int | None = _row(
        Count(least=1, most=48), Heading.WHEN, "How many hours from now to look at.", "HOURS",
        default="the rest of the day", is_front=True, questions=("now",), is_of_once=True,
    )
    rank: int | None = _row(
        Count(least=1, most=999), Heading.WHEN, "Which window; the best is 1.", "NUMBER", default="1",
        questions=("brief",), is_of_once=True,
    )
    duration: str | None = _row(
        _TIME, Heading.WHEN, "Shortest window of use, such as 45min or 2h.", "TIME", default="45min", is_front=True,
    )
    contingency: str | None = _row(
        _TIME, Heading.WHEN,
        "Time in reserve beyond --duration, such as 20min, or as-long; windows and their chance are for both.", "TIME",
        default="none", questions=_PLANNED,
    )
    survey: str | None = _row(
        Quantity(quantity="time", si="s", bare="h"), Heading.WHEN,
        "Work that can stop at any hour, such as 4h on several batteries; it is laid into the hours with room.",
        "TIME", questions=_WITHOUT_CHECK,
    )
    wait: int | None = _row(
        Count(least=0, most=12), Heading.WHEN, "Waiting hours after one over the wind or gust limit.", "HOURS",
        default="0",
    )
    prefer: str | None = _row(
        Text(("low-light",)), Heading.WHEN, "Rank windows in golden or blue hour first; no hour gets room by it.",
    )
    costs: str | None = _row(
        Amounts(), Heading.WHEN,
        "What driving out costs, what a flight is worth and what a broken limit costs, in one currency.",
        "DRIVE,FLIGHT,DAMAGE", questions=_WITHOUT_CHECK,
    )
    time_zone: str | None = _row(
        Text(), Heading.WHEN, "Show times in this IANA zone.", "ZONE", default="each site's own",
    )
    plan: str | None = _row(
        Text(), Heading.WHEN, "Take what is not given here from a saved plan (see: wxfly plans).", "NAME",
        is_front=True, is_of_once=True,
    )
    mean: str | None = _row(
        _SPEED, Heading.READING, "Needed: mean wind of two minutes, such as 3.1m/s or 7mph.", "SPEED", is_front=True,
        questions=("check",), is_of_reading=True,
    )
    gust: str | None = _row(
        _SPEED, Heading.READING, "Strongest gust of the two minutes; without it no hour is said to have room.",
        "SPEED", is_front=True, questions=("check",), is_of_reading=True,
    )
    temperature: str | None = _row(
        _TEMPERATURE, Heading.READING, "In the shade, such as 8degC.", "TEMPERATURE", is_front=True,
        questions=("check",), is_of_reading=True,
    )
    anemometer_height: str | None = _row(
        _LENGTH, Heading.READING, "Height of the anemometer above ground.", "HEIGHT", default="2m",
        questions=("brief", "check"),
    )
    aircraft: str | None = _row(
        Text(), Heading.LIMITS, "Aircraft class or one of your own (see: wxfly aircraft).", "NAME",
        default=DEFAULT_AIRCRAFT, is_front=True,
    )
    height: str | None = _row(
        _LENGTH, Heading.LIMITS, "Flight height above ground, such as 80m or 260ft.", "HEIGHT", default="60m",
        is_front=True,
    )
    rules: str | None = _row(
        Text(), Heading.LIMITS, "Rules for height, visibility, cloud and daylight (see: wxfly rules).", "NAME",
        default=DEFAULT_RULES, is_front=True,
    )
    limits: tuple[str, ...] = _row(
        OwnLimits(), Heading.LIMITS, "Your limit for today in place of one element's, such as gust=8m/s.",
        "ELEMENT=VALUE", is_front=True, written="limit",
    )
    reserve: float | str | None = _row(
        Share(), Heading.LIMITS, "Share of every limit to keep, such as 20%; an hour with less left is narrow.",
        "SHARE", default="0.2",
    )
    launch_limit: str | None = _row(
        _SPEED, Heading.LIMITS, "Largest gust for launching and landing, 2 m above ground.", "SPEED",
        default="the aircraft's, or none",
    )
    required: tuple[str, ...] = _row(
        Names(), Heading.LIMITS, "An element that must be known: where it is unknown, the hour is not known.",
        "ELEMENT", written="require",
    )
    advised: tuple[str, ...] = _row(
        Names(), Heading.LIMITS,
        "An element that may be unknown: the answer then says so first and goes by the others.", "ELEMENT",
        written="advise",
    )
    distance: str | None = _row(
        _LENGTH, Heading.SORTIE, "To the farthest point over ground, such as 400m; judges the way back in every hour.",
        "DISTANCE", default="as far as its attitude is seen", asks_for_sortie=True, questions=_AT_SITES,
    )
    return_height: str | None = _row(
        _LENGTH, Heading.SORTIE, "Height of the way back above ground.", "HEIGHT", default="the flight height",
        asks_for_sortie=True, questions=_AT_SITES,
    )
    toward: str | None = _row(
        Direction(), Heading.SORTIE,
        "Where the sortie goes and you look, in degrees or as a point such as SW or southwest; also tells of glare.",
        "DIRECTION", questions=_AT_SITES,
    )
    work: str | None = _row(
        _TIME, Heading.SORTIE, "Time at the farthest point, such as 5min.", "TIME", default="none",
        asks_for_sortie=True, questions=_AT_SITES,
    )
    batteries: int | None = _row(
        Count(least=1, most=99), Heading.SORTIE, "How many are charged.", "NUMBER", default="1", asks_for_sortie=True,
        questions=_AT_SITES,
    )
    battery_reserve: float | str | None = _row(
        Share(), Heading.SORTIE, "Share of a battery to land with, such as 25%.", "SHARE", default="0.25",
        asks_for_sortie=True, questions=_AT_SITES,
    )
    battery_temperature: str | None = _row(
        _TEMPERATURE, Heading.SORTIE, "Temperature of the battery before take-off, such as 20degC.", "TEMPERATURE",
        default="the air's", asks_for_sortie=True, questions=_AT_SITES,
    )
    payload: str | None = _row(
        Quantity(quantity="mass", si="kg"), Heading.SORTIE, "Mass beyond the aircraft's own, such as 120g.", "MASS",
        default="none", asks_for_sortie=True, questions=_AT_SITES,
    )
    zones: Path | None = _row(  # noqa: RUF009
        KeptFilePath(), Heading.LIMITS,
        "Your file of UAS zones (ED-269, ED-318 or GeoJSON); the answer says which the site is in or near.", "FILE",
        questions=(*_AT_SITES, "where"),
    )
    confidence: float | str | None = _row(
        Share(), Heading.SURE,
        "Probability that wind and gust at flight height stay below what is compared with their limits.", "SHARE",
        default="0.5",
    )
    ensemble: tuple[str, ...] = _row(
        Names(), Heading.SURE,
        "Members that give the chance: ensembles such as icon_eu_eps, several single models, or none.", "NAME[,NAME]",
        default="an ensemble chosen by place and hours", questions=_PLANNED,
    )
    site_record: bool | None = _row(
        Switch(), Heading.SURE, "Correct wind and gust by the record of the site (see: wxfly verify).",
        questions=_PLANNED,
    )
    fresh: bool | None = _row(
        Switch(), Heading.SURE, "Rank the windows anew: do not stay with one chosen in an earlier answer.",
        is_of_once=True, questions=_AT_A_SITE,
    )
    model: str | None = _row(
        Text(), Heading.SOURCE, "The one forecast model to ask.", "MODEL", default="chosen by place and hours",
    )
    forecast_path: Path | None = _row(  # noqa: RUF009
        FilePath(), Heading.SOURCE,
        "Answer from this saved reply (.json) or forecast file (.nc, .grib2) instead of asking; - reads standard"
        " input.",
        "PATH", is_of_once=True, written="forecast",
    )
    as_of: str | None = _row(
        Moment(), Heading.SOURCE, "Answer as if it were this time (ISO 8601, UTC unless it names an offset).", "TIME",
        is_of_once=True,
    )
    offline: bool | None = _row(
        Switch(), Heading.SOURCE, "Use only forecasts that are already on this machine.",
    )
    units: str | None = _row(Text(tuple(SYSTEMS)), Heading.OUTPUT, _UNITS_TEXT, default="metric", is_front=True)
    # fmt: on

    @property
    def plans_a_sortie(self) -> bool:
        """Whether any of the words asks for the return leg to be judged."""
        return any(OPTIONS[name].asks_for_sortie for name, _ in said(self))


USUAL_REACH = "60km"
"""Reach of a question for the best spots, where none is given."""

OPTIONS: dict[str, Option] = {
    one.name: replace(one.metadata["option"], name=one.name) for one in dataclasses.fields(Words)
}
"""The rows by name, in their order."""


def options_of(question: str) -> list[Option]:
    """Return the options of a question, one of `QUESTIONS`."""
    return [option for option in OPTIONS.values() if question in option.questions]


def plan_options() -> list[Option]:
    """Return the options that a plan may say: all but the reading of an instrument and the plan itself."""
    return [option for option in OPTIONS.values() if not option.is_of_reading and option.name != "plan"]


def usual_options() -> list[Option]:
    """Return the options that settings and the defaults of a site may say: those that are not about one answer."""
    return [option for option in plan_options() if not option.is_of_once]


def said(words: Words) -> Iterator[tuple[str, Any]]:
    """Yield each word that is given, with its name."""
    for name in OPTIONS:
        value = getattr(words, name)
        if value is not None and value != ():
            yield name, value


def read_words(given: Mapping[str, Any]) -> Words:
    """Return the words of a mapping by name.

    Parameters
    ----------
    given : mapping
        Values by the names of the fields of `Words`; None stands for a word that is left out.

    Raises
    ------
    WxflyError
        For a name that no question knows, with the nearest one.

    Examples
    --------
    >>> read_words({"height": "80m"}).height
    '80m'
    """
    for name in given:
        if name not in OPTIONS:
            raise unknown_name("option", name, OPTIONS)
    return Words(**{name: value for name, value in given.items() if value is not None})


def find_option(key: str, among: Sequence[Option], what: str = "key") -> Option:
    """Return the option of a key as it is typed or stands in a file, or say which key is nearest."""
    by_key = {option.key: option for option in among}
    found = by_key.get(key.strip().lstrip("-").replace("-", "_"))
    if found is None:
        raise unknown_name(what, key, by_key)
    return found


def read_kept(entry: Mapping[str, Any], among: Sequence[Option], where: str) -> Words:
    """Return the words of a table in a pilot's file.

    Parameters
    ----------
    entry : mapping
        Values by key.
    among : sequence of Option
        Those that may stand there.
    where : str
        File and table, for errors.

    Raises
    ------
    WxflyError
        For a key that does not stand there, with the nearest one; for a value of another kind, and for a quantity
        without its unit.
    """
    words: dict[str, Any] = {}
    for key, value in entry.items():
        option = find_option(key, among, f"{where} key")
        words[option.name] = _kept_word(option, value, where)
    return Words(**words)


def _kept_word(option: Option, value: Any, where: str) -> Any:
    """Read one value of a file, which must mean the same whatever the units of the answer are."""
    kind = option.kind
    if isinstance(kind, Quantity):
        text = value if isinstance(value, str) else str(value) if _is_number(value) else ""
        if not text.strip():
            raise WxflyError(f"{where} {option.key} = {shortened(repr(value), 80)} must be a text with its unit")
        if is_bare(text):
            near = f"{text.strip()}{kind.bare or symbol_of_bare(kind.quantity, 'metric')}"
            raise WxflyError(f'{where} {option.key} = {value!r} has no unit; write it with one, such as "{near}"')
    word = kind.read(f"{where} {option.key}", value)
    if isinstance(kind, KeptFilePath) and word != _in_full(word):
        raise WxflyError(f"{where} {option.key} = {value!r} is not a path in full, from the top folder on")
    if word != kind.with_unit(word, "metric"):
        raise WxflyError(f"{where} {option.key} = {value!r} has a number without its unit")
    return word


def kept_values(words: Words, units: str = "metric") -> dict[str, Any]:
    """Return words as a table for a pilot's file: by key, quantities with their unit.

    Parameters
    ----------
    words : Words
        What to keep.
    units : str, optional
        Units of numbers that have none.
    """
    table: dict[str, Any] = {}
    for name, value in said(words):
        option = OPTIONS[name]
        whole = option.kind.with_unit(value, units)
        table[option.key] = (
            list(whole) if isinstance(whole, tuple) else str(whole) if isinstance(whole, Path) else whole
        )
    return table


def written(value: Any) -> str:
    """Return a word as a pilot would type it."""
    if isinstance(value, tuple | list):
        return ",".join(map(str, value))
    return str(value).lower() if isinstance(value, bool) else str(value)
