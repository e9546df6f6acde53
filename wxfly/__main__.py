"""``python -m wxfly``: the command without its name on the path."""

from __future__ import annotations

import sys

from wxfly.cli import main

if __name__ == "__main__":
    sys.exit(main())
