"""The command ``wxfly``: the program with all its commands."""

from __future__ import annotations

import sys

from wxfly.cli import (
    answering,
    keeping,
    looking_back,  # noqa: F401  each adds its commands to the program
)
from wxfly.cli.program import main

__all__ = ["main"]

if __name__ == "__main__":
    sys.exit(main())
