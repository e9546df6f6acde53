"""``-`` for standard input and output, where a file could be named."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

import click

STANDARD = "-"
_BEGINNINGS = ((b"CDF", ".nc"), (b"\x89HDF", ".nc"), (b"GRIB", ".grib2"), (b"{", ".json"), (b"[", ".json"))


def from_standard_input(ctx: click.Context, param: click.Parameter, path: Path | None) -> Path | None:
    """Return the path of a file to read; ``-`` is standard input, kept in a file for as long as the command runs."""
    if path is None or str(path) != STANDARD:
        return path
    content = sys.stdin.buffer.read()
    if not content.strip():
        raise click.BadParameter("standard input is empty", ctx, param)
    folder = Path(tempfile.mkdtemp())
    ctx.find_root().call_on_close(lambda: shutil.rmtree(folder, ignore_errors=True))
    kept = folder / f"standard-input{_suffix_of(content)}"
    kept.write_bytes(content)
    return kept


def _suffix_of(content: bytes) -> str:
    """Return the ending of a file with this content: of netCDF, GRIB or JSON, else of a table."""
    begins = content.lstrip()[:4]
    return next((suffix for beginning, suffix in _BEGINNINGS if begins.startswith(beginning)), ".csv")
