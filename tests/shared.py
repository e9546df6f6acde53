"""Data beside the checkout that no commit holds; a test that reads it skips where it is absent."""

from pathlib import Path

import pytest

SHARED = Path(__file__).resolve().parents[2] / "shared"
BERLIN = SHARED / "data" / "replies" / "berlin_2021-11-24_168h.json"
"""A week over Berlin, as the forecast service replied."""
needs_samples = pytest.mark.skipif(
    not (SHARED / "samples").is_dir(), reason="the folder shared/ with sample replies is not beside the checkout"
)
