"""The command ``wxfly``: the program with all its commands."""

from __future__ import annotations

from wxfly.cli import (  # each adds its commands to the program
    answering,
    serving,
    settings,
    sites,
    store,
    verification,
    watch,
)
from wxfly.cli.program import main

__all__ = ["answering", "main", "serving", "settings", "sites", "store", "verification", "watch"]
