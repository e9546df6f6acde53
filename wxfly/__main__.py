"""``python -m wxfly``: the command without its name on the path."""

from __future__ import annotations

import sys

from wxfly import cli

if __name__ == "__main__":
    sys.exit(cli.main())
