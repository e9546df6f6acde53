"""Rule sets: the limits in a region's rules, as data. Local rules prevail over all of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.own_files import OwnTable, shipped_and_own
from wxfly.units import parse_quantity

DEFAULT = "own"
STANDINGS = {
    "law": "Law, by its text",
    "guidance": "Guidance of the authority, not law",
    "common practice": "A caution of wxfly, where the text gives no figure",
}
"""How binding a limit is, and the words for it."""

_WORD = "word"
# key -> its kind: a word, or the quantity that its unit must measure
_LIMITS = {
    "height_limit": "length", "minimum_visibility": "length", "cloud_separation": "length",
    "cloud_separation_horizontal": "length", "maximum_ground_speed": "speed", "daylight_rule": _WORD,
    "line_of_sight": _WORD, "aircraft_light": _WORD,
}  # fmt: skip
_NEEDED = ("height_limit", "minimum_visibility", "cloud_separation", "daylight_rule")
_TEXTS = ("title", "reminder")
_FIELDS = ("value", "paragraph", "standing", "read", "note")


@dataclass(frozen=True)
class RuleLimit:
    """One limit of a rule set.

    Attributes
    ----------
    value : float or str
        Value in SI units, or a word.
    written : str
        The value as written in the rule.
    paragraph, standing, read, note : str
        Its paragraph, None where no text has the figure; how binding it is (one of `STANDINGS`), when it was read,
        and a remark.
    """

    value: float | str
    written: str
    paragraph: str | None
    standing: str
    read: str
    note: str

    @property
    def source(self) -> str:
        """Return the source of the limit, in one line."""
        where = self.standing if self.paragraph is None else f"{self.paragraph} ({self.standing})"
        return where if self.read == "from memory" else f"{where}, read {self.read}"


@dataclass(frozen=True)
class RuleSet:
    """The rules of a region, or the pilot's own."""

    name: str
    title: str
    reminder: str
    limits: Mapping[str, RuleLimit]

    @property
    def daylight_rule(self) -> str:
        """Return the rule for daylight, one of `wxfly.physics.sun.DAYLIGHT_RULES`."""
        return str(self.limits["daylight_rule"].value)


def load_rules(own_file: Path | None = None) -> OwnTable[RuleSet]:
    """Return every rule set by name: the shipped ones, replaced or extended by the pilot's own.

    Parameters
    ----------
    own_file : Path, optional
        The pilot's file; an absent file adds nothing, and an entry that cannot be read is set aside.
    """
    return shipped_and_own("rules.toml", own_file, _parse_set)


def find_rules(name: str, own_file: Path | None = None) -> RuleSet:
    """Return the rule set of a name, or of the beginning or a word of a name where that is of one set alone.

    Raises
    ------
    WxflyError
        For a name that is of none or of several, with the nearest ones.

    Examples
    --------
    >>> find_rules("eu").name
    'eu_open'
    """
    table = load_rules(own_file)
    return table.find(name if name in table else _full_name(name, table), "rule set")


def _full_name(given: str, names: Iterable[str]) -> str:
    """Return the one name that a shorter one stands for; the shorter one where there is none."""
    wanted = given.strip().casefold()
    found = [name for name in names if name.casefold() == wanted]
    if not found and wanted:
        found = [
            name
            for name in names
            if name.casefold().startswith(wanted) or wanted in name.casefold().replace("-", "_").split("_")
        ]
    if len(found) > 1:
        raise WxflyError(f"rule set '{given}' may be {' or '.join(found)}; give the whole name")
    return found[0] if found else given


def _parse_set(name: str, entry: Any, place: str) -> RuleSet:
    where = f"{place}: [{name}]"
    if not isinstance(entry, dict):
        raise WxflyError(f"{where} must be a table of limits such as [{name}.height_limit]")
    unknown = [key for key in entry if key not in (*_TEXTS, *_LIMITS)]
    if unknown:
        raise unknown_name(f"{where} key", unknown[0], (*_TEXTS, *_LIMITS))
    missing = [key for key in _NEEDED if key not in entry]
    if missing:
        raise WxflyError(f"{where} has no {', no '.join(missing)}")
    limits = {key: _parse_limit(key, entry[key], f"{where} {key}") for key in _LIMITS if key in entry}
    texts = [str(entry.get(key, "")) for key in _TEXTS]
    return RuleSet(name, texts[0] or name, texts[1], limits)


def _parse_limit(key: str, given: Any, where: str) -> RuleLimit:
    if isinstance(given, str):
        given = {"value": given}
    if not isinstance(given, dict) or not isinstance(given.get("value"), str):
        raise WxflyError(f'{where} must be a text with its unit, such as "120 m", or a table with such a value')
    unknown = [field for field in given if field not in _FIELDS]
    if unknown:
        raise unknown_name(f"{where} key", unknown[0], _FIELDS)
    standing = str(given.get("standing", "common practice"))
    if standing not in STANDINGS:
        raise unknown_name(f"{where} standing", standing, tuple(STANDINGS))
    paragraph = str(given.get("paragraph", "the pilot's own file"))  # "none" where no text has the figure
    return RuleLimit(
        _parse_value(key, given["value"], where),
        given["value"],
        None if paragraph == "none" else paragraph,
        standing,
        str(given.get("read", "not noted")),
        str(given.get("note", "")),
    )


def _parse_value(key: str, text: str, where: str) -> float | str:
    if key == "daylight_rule":
        from wxfly.physics.sun import DAYLIGHT_RULES  # here, because the help needs no numpy

        if text not in DAYLIGHT_RULES:
            raise unknown_name(where, text, DAYLIGHT_RULES)
    if _LIMITS[key] == _WORD:
        return text
    try:
        value = parse_quantity(text, _LIMITS[key], default_unit="")
    except WxflyError as fault:
        raise WxflyError(f"{where}: {fault}") from None
    if value < 0:
        raise WxflyError(f"{where} = '{text}' must not be below zero")
    return value
