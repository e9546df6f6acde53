"""The pilot's words: what is typed on a command line or passed to a function, by name, before anything is read."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from wxfly.errors import unknown_name


@dataclass(frozen=True, kw_only=True)
class Words:
    """Everything that a question may say, as the pilot writes it; ``wxfly best --help`` explains each.

    A field that is left out takes its default when the question is read (`wxfly.question.reading`).
    """

    aircraft: str | None = None
    height: str | None = None
    duration: str | None = None
    contingency: str | None = None
    survey: str | None = None
    hold: int | None = None
    costs: str | None = None
    rules: str | None = None
    reserve: float | None = None
    confidence: float | None = None
    launch_limit: str | None = None
    required: tuple[str, ...] = ()
    advised: tuple[str, ...] = ()
    prefer: str | None = None
    toward: str | None = None
    units: str | None = None
    time_zone: str | None = None
    model: str | None = None
    forecast_path: Path | None = None
    as_of: str | None = None
    fresh: bool = False
    offline: bool = False
    ensemble: tuple[str, ...] = ()
    site_record: bool = False
    day: str | None = None
    days: int | None = None
    distance: str | None = None
    return_height: str | None = None
    work: str | None = None
    batteries: int | None = None
    battery_reserve: float | None = None
    cells: str | None = None
    payload: str | None = None
    hand_height: str | None = None
    rank: int | None = None
    mean: str | None = None
    gust: str | None = None
    temperature: str | None = None

    @property
    def plans_a_sortie(self) -> bool:
        """Whether any of the words asks for the way home to be judged."""
        asked = (self.distance, self.return_height, self.work, self.batteries, self.battery_reserve)
        return any(word is not None for word in (*asked, self.cells, self.payload))


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
    names = [field.name for field in dataclasses.fields(Words)]
    for name in given:
        if name not in names:
            raise unknown_name("option", name, names)
    return Words(**{name: value for name, value in given.items() if value is not None})
