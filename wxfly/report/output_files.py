"""Files that an answer is written to: in place of nothing, of an empty file or of one that wxfly wrote, unless told."""

from __future__ import annotations

import os
from pathlib import Path

from wxfly.errors import WxflyError
from wxfly.pilot.own_files import write_whole
from wxfly.pilot.settings import cache_folder, config_folder

GENERATOR = '<meta name="generator" content="wxfly">'
"""In the head of every page that wxfly writes."""
MARKS = (GENERATOR.encode(), b"PRODID:-//wxfly//")
"""One of these stands near the beginning of a file that wxfly wrote, one row for each format."""
_BEGINNING = 8192


def check_place(path: Path, *, overwrite: bool) -> None:
    """Refuse a place whose file would be lost.

    Parameters
    ----------
    path : Path
        Where an answer is to be written.
    overwrite : bool
        Whether the pilot said that a file of another program may go. What wxfly itself keeps never goes.

    Raises
    ------
    WxflyError
        Saying what is there and the way out.
    """
    target = Path(os.path.realpath(path))
    for folder, what in ((config_folder(), "settings"), (cache_folder(), "store")):
        if target.is_relative_to(os.path.realpath(folder)):
            raise WxflyError(f"{path} lies among the {what} of wxfly, where no answer is written; give another place")
    if overwrite or not target.is_file():  # a pipe is written into; a folder is refused by the writer
        return
    try:
        with target.open("rb") as file:
            beginning = file.read(_BEGINNING)
    except OSError as fault:
        raise WxflyError(f"{path} is there already and cannot be read ({fault.strerror}); give another name") from None
    if beginning and not any(mark in beginning for mark in MARKS):
        size = target.stat().st_size
        raise WxflyError(
            f"{path} is there already, {size} bytes that wxfly did not write; give another name, or add --overwrite"
        )


def write_answer(path: Path, content: bytes, *, overwrite: bool) -> None:
    """Write an answer to a file, beside it and then renamed.

    Raises
    ------
    WxflyError
        As `check_place` does, and when it cannot be written.
    """
    check_place(path, overwrite=overwrite)
    write_whole(path, content)
