"""The values that facts are made of: SI numbers with their units, moments in UTC, None for what is unknown."""

from __future__ import annotations

import math
import typing
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from functools import cache
from typing import Annotated, Any

import numpy as np
import numpy.typing as npt
from msgspec import Meta, Struct

from wxfly.answer.findings import runs
from wxfly.assessment.suitability import BEST_FIRST as BEST_FIRST
from wxfly.assessment.suitability import STATE_WORDS as STATE_WORDS
from wxfly.assessment.suitability import State as State
from wxfly.pilot.elements import BY_NAME
from wxfly.pilot.limit_rules import LIMIT_RULES

_PLACES = 6
_SECOND = np.timedelta64(1, "s")


def _of_unit(unit: str) -> Meta:
    return Meta(extra_json_schema={"unit": unit})


Metres = Annotated[float, _of_unit("m")]
Seconds = Annotated[int, _of_unit("s")]
Speed = Annotated[float, _of_unit("m s-1")]
Degrees = Annotated[float, _of_unit("degree")]
Kelvins = Annotated[float, _of_unit("K")]
Kilograms = Annotated[float, _of_unit("kg")]
Share = Annotated[float, _of_unit("1")]
FlightTime = Annotated[float, _of_unit("s")]
Hours = Annotated[int, _of_unit("h")]
ElementName = Annotated[str, Meta(extra_json_schema={"enum": list(BY_NAME)})]
StateWord = Annotated[str, Meta(extra_json_schema={"enum": list(STATE_WORDS)})]
Sense = Annotated[str, Meta(extra_json_schema={"enum": list(LIMIT_RULES)})]


class Facts(Struct, frozen=True, forbid_unknown_fields=True):
    """A part of the tree."""


class Period(Facts, frozen=True):
    """A stretch of time."""

    start: datetime
    end: datetime
    """Its ends."""


def number(value: float) -> float | None:
    """Return a number rounded so that it is the same on every machine; None for NaN and infinity."""
    return round(float(value), _PLACES) if math.isfinite(value) else None


def share(value: float) -> float:
    """Return a known number rounded as `number` does."""
    return round(value, _PLACES)


def column(values: npt.ArrayLike) -> list[float | None]:
    """Return numbers as a list, None for NaN and infinity."""
    return [v if math.isfinite(v) else None for v in np.round(np.asarray(values, dtype=float), _PLACES).tolist()]


def moment_of(time: np.datetime64) -> datetime:
    """Return a UTC moment of numpy as an aware datetime."""
    moment: datetime = time.astype("datetime64[s]").item()
    return moment.replace(tzinfo=UTC)


def written_moment(text: str) -> datetime:
    """Return a UTC moment from ISO 8601, with or without its Z."""
    return moment_of(np.datetime64(text.rstrip("Z"), "s"))


def moments(times: npt.NDArray[np.datetime64]) -> list[datetime | None]:
    """Return UTC moments of numpy as aware datetimes, None for NaT."""
    return [t and t.replace(tzinfo=UTC) for t in times.astype("datetime64[s]").tolist()]


def array(values: Sequence[float | None]) -> npt.NDArray[np.float64]:
    """Return numbers as an array, NaN for None."""
    return np.array(values, dtype=float)


def instants(moments: Sequence[datetime | None]) -> npt.NDArray[np.datetime64]:
    """Return moments as numpy has them, UTC [s], NaT for None."""
    return np.array([m and m.replace(tzinfo=None) for m in moments], dtype="datetime64[s]")


def known_moment(time: np.datetime64) -> datetime | None:
    """Return a UTC moment of numpy as an aware datetime, None for NaT."""
    return None if np.isnat(time) else moment_of(time)


def words_or_none(values: Iterable[Any]) -> list[str | None]:
    """Return texts, None for an empty one."""
    return [str(value) or None for value in values]


def seconds(length: np.timedelta64) -> int:
    """Return a length of time in whole seconds."""
    return int(length / _SECOND)


def runs_of(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and last position of each run of hours that are marked."""
    return runs(np.flatnonzero(flags).tolist())


def state_word(state: int) -> StateWord:
    """Return the word of a state."""
    return State(int(state)).words


@cache
def units_of(part: type[Struct]) -> Mapping[str, str]:
    """Return the unit of every quantity of a part of the tree by its key.

    Raises
    ------
    TypeError
        For a key with two units.
    """
    found: dict[str, str] = {}

    def add(key: str, unit: str) -> None:
        if found.setdefault(key, unit) != unit:
            raise TypeError(f"the key '{key}' has two units, {found[key]} and {unit}")

    def walk(key: str, kind: Any) -> None:
        for meta in getattr(kind, "__metadata__", ()):
            if "unit" in (meta.extra_json_schema or {}):
                add(key, meta.extra_json_schema["unit"])
        if isinstance(kind, type) and issubclass(kind, Facts):
            for name, unit in units_of(kind).items():
                add(name, unit)
        for inner in typing.get_args(kind):
            walk(key, inner)

    for name, kind in typing.get_type_hints(part, include_extras=True).items():
        walk(name, kind)
    return found


CAUTIONS = (
    "This is advice, not permission: local rules, the maker's manual and your own judgement on the spot prevail.",
    "A forecast is an average over kilometres and knows no hill, tree or roof beside you: measure the wind where"
    " you stand, look at the sky, and land while you could still have stayed up.",
)
"""What every output says, the first at the least."""
CAUTION_IN_SHORT = "Advice, not permission: local rules prevail."
"""The same below a verdict, where the rest is one step away."""

FAR_AHEAD = "The further ahead, the less a margin means: look again at windows more than three days away."

INVENTED = "Demonstration: the places and the weather are invented. Do not fly by this."


def listed(words: Sequence[str]) -> str:
    """Join words as ``a, b and c``."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def energy_missing(figures: Sequence[str]) -> str:
    """Return in words which figures are missing that the way back needs."""
    return f"the aircraft's figures give no {listed([name.replace('_', ' ') for name in figures])}"


def distinguished(names: Sequence[str], heights: Sequence[float], in_words: Callable[[float], str]) -> list[str]:
    """Name sites apart: by name, by height where that is needed, and by a number where neither does.

    Parameters
    ----------
    names : sequence of str
        Of the sites.
    heights : sequence of float
        Flight heights above ground [m].
    in_words : callable
        How a height is written.
    """
    line = list(names)
    if len(set(line)) < len(line) or len(set(heights)) > 1:
        line = [f"{name} {in_words(height)}" for name, height in zip(line, heights, strict=True)]
    return [f"{n} ({line[:i].count(n) + 1})" if line.count(n) > 1 else n for i, n in enumerate(line)]
