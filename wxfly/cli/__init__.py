"""The command ``wxfly``: the program with all its commands."""

from __future__ import annotations

from wxfly.cli import answering, keeping, looking_back, serving, usual  # each adds its commands to the program
from wxfly.cli.program import main

__all__ = ["answering", "keeping", "looking_back", "main", "serving", "usual"]
