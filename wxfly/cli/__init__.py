"""The command ``wxfly``: the program with all its commands."""

from __future__ import annotations

import gc

# Thousands of objects are made while libraries are imported, and none of them can go: at Python's own 700 the search
# for rubbish took a twentieth of a short command (`wxfly.cli.serving` sets less).
gc.set_threshold(100_000, 20, 100)

from wxfly.cli import (  # noqa: E402  each adds its commands to the program
    questions,
    serving,
    settings,
    store,
    verification,
)
from wxfly.cli.program import main  # noqa: E402

__all__ = ["main", "questions", "serving", "settings", "store", "verification"]
