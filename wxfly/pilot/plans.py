"""Saved plans: the options of a question under a name, in ``plans.toml``.

A plan may say whatever the options say, under the same names with underscores::

    [roof]
    aircraft = "camera-quad-250g"
    height = "60 m"
    limit = ["gust=8m/s"]
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.options import Words, kept_values, plan_options, read_kept
from wxfly.pilot.own_files import OwnTable, change_toml, check_name, read_table


def read_plans(path: Path) -> OwnTable[Words]:
    """Read the pilot's saved plans; an absent file counts as empty, and an unreadable plan is set aside."""
    return read_table(path, _read_plan)


def _read_plan(name: str, entry: Any, place: str) -> Words:
    check_name(name, "plan")
    if not isinstance(entry, dict):
        raise WxflyError(f"{place}: '{name}' must be a table of options, such as [{name}] with height = \"60m\"")
    return read_kept(entry, plan_options(), f"{place}: [{name}]")


def find_plan(path: Path, name: str) -> Words:
    """Return the words of a saved plan.

    Parameters
    ----------
    path : Path
        The pilot's file.
    name : str
        The plan.

    Raises
    ------
    WxflyError
        For a plan that is not saved, with the nearest one, and for one that cannot be read: a part of a plan may be
        looser than the whole.
    """
    plans = read_plans(path)
    try:
        plans.refuse_uncertain(name, "the plan")
    except WxflyError as fault:
        raise WxflyError(f"{fault}, or remove it with: {removing(name)}") from None
    if not plans:
        raise WxflyError(f"plan '{name}' is not saved, and no other is; save it with: wxfly plans add '{name}' OPTIONS")
    return plans.find(name, "plan")


def removing(name: str) -> str:
    """Return the command that removes a plan."""
    return f"wxfly plans remove {name!r}" if " " in name else f"wxfly plans remove {name}"


def save_plan(path: Path, name: str, words: Words, units: str, *, replace: bool = False) -> None:
    """Save a plan in the pilot's file, keeping the rest of the file and its comments.

    Parameters
    ----------
    path : Path
        The pilot's file.
    name : str
        The plan.
    words : Words
        What it says.
    units : str
        Units of numbers that have none; they are saved with their unit.
    replace : bool, optional
        Whether a plan of the same name goes.

    Raises
    ------
    WxflyError
        For a name that is taken, or that cannot be read.
    """
    import tomlkit

    check_name(name, "plan")
    table = tomlkit.table()
    table.update(kept_values(words, units))

    def change(document: Any) -> None:
        if name in document and not replace:
            raise WxflyError(f"plan '{name}' is saved already; replace it with --replace, or give another name")
        document[name] = table

    change_toml(path, change)


def remove_plan(path: Path, name: str) -> None:
    """Remove a plan from the pilot's file, damaged or not."""

    def change(document: Any) -> None:
        if name not in document:
            raise unknown_name("plan", name, document)
        del document[name]

    change_toml(path, change)
