"""Let coverage guide what the parsers are fed; ``python -m tests.fuzz_parsers 120`` runs for two minutes.

Needs ``atheris`` (``pip install atheris``, Linux), which is no part of the test suite. Any exception that is not ours
ends the run with code 77 and the body that did it.
"""

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["wxfly"]):
    pass

from tests.sources.test_fuzz import BODIES, READERS, ours_only

NAMES = sorted(READERS)


def feed(data: bytes) -> None:
    """Return a body to the parser that its first byte names."""
    if data:
        ours_only(READERS[NAMES[data[0] % len(NAMES)]], data[1:])


def main() -> None:
    seconds = sys.argv[1] if len(sys.argv) > 1 else "120"
    with tempfile.TemporaryDirectory() as folder:
        for position, name in enumerate(NAMES):
            (Path(folder) / f"{position}").write_bytes(bytes([position]) + BODIES[name])
        options = [f"-max_total_time={seconds}", "-max_len=40000", "-timeout=20", "-rss_limit_mb=2000", "-verbosity=1"]
        atheris.Setup([sys.argv[0], *options, folder], feed)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
