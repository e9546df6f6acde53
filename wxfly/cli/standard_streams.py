"""``-`` for standard input and output, where a file could be named."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Any

import click

STANDARD = "-"
_BEGINNINGS = ((b"CDF", ".nc"), (b"\x89HDF", ".nc"), (b"{", ".json"), (b"[", ".json"))


class InputFile(click.ParamType):
    """A file to read; ``-`` is standard input, kept in a file for as long as the command runs."""

    name = "path"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the path of the file."""
        if str(value) != STANDARD or ctx is None:
            return Path(value)
        content = click.get_binary_stream("stdin").read()
        if not content.strip():
            self.fail("standard input is empty", param, ctx)
        folder = Path(tempfile.mkdtemp())
        ctx.find_root().call_on_close(lambda: shutil.rmtree(folder, ignore_errors=True))
        path = folder / f"standard-input{_suffix_of(content)}"
        path.write_bytes(content)
        return path


def _suffix_of(content: bytes) -> str:
    """Return the ending of a file with this content: of netCDF, of JSON, else of a table."""
    begins = content.lstrip()[:4]
    return next((suffix for beginning, suffix in _BEGINNINGS if begins.startswith(beginning)), ".csv")
