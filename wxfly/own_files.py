"""The pilot's own files: read with faults told in one line, written beside and renamed so that nothing is lost."""

from __future__ import annotations

import contextlib
import os
import secrets
import tomllib
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar

from wxfly.errors import WxflyError

Parsed = TypeVar("Parsed")


def read_own(path: Path) -> str:
    """Read a text file of the pilot's.

    Raises
    ------
    WxflyError
        When it cannot be read or is not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise WxflyError(f"{path}: not a text in UTF-8; save it as UTF-8") from None
    except OSError as fault:
        raise WxflyError(f"{path}: cannot be read ({fault.strerror})") from None


def parse_toml(text: str, place: str) -> dict[str, Any]:
    """Read TOML; `place` names the file in the error."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as fault:
        raise WxflyError(f"{place}: not a TOML file ({fault}); mend or remove it") from None


def shipped_and_own(
    shipped: str, own_file: Path | None, parse: Callable[[str, str], dict[str, Parsed]]
) -> dict[str, Parsed]:
    """Read a table that the package ships, and the pilot's own over it.

    Parameters
    ----------
    shipped : str
        Name of the file in the package's data.
    own_file : Path or None
        The pilot's file; an absent file adds nothing.
    parse : callable
        Makes entries of a text and the name of its place.
    """
    table = parse((files("wxfly") / "data" / shipped).read_text(encoding="utf-8"), f"the shipped {shipped}")
    if own_file is not None and own_file.is_file():
        table |= parse(read_own(own_file), str(own_file))
    return table


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside its place and rename it; an old file stays whole until the new one is complete.

    Raises
    ------
    WxflyError
        When the folder or the file cannot be written.
    """
    beside = path.with_name(f".{path.name}.{os.getpid()}-{secrets.token_hex(4)}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_bytes(content)
        beside.replace(path)
    except OSError as fault:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise WxflyError(f"{path} could not be written ({fault.strerror}); give a place that can be") from None
