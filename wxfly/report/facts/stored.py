"""The forecasts that are kept on this machine."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path

from wxfly.report.facts.values import Degrees, Facts
from wxfly.store.layout import StoredForecast


class StoredFacts(Facts, frozen=True):
    """One stored forecast."""

    site: str | None
    """Name of the saved site; null where none is there."""
    latitude: Degrees
    longitude: Degrees
    """North and east positive."""
    model: str
    """Whose."""
    run_name: str
    """Its run, as the list writes it."""
    kept_at: datetime | None
    """When it was kept; null where its file has gone."""
    byte_count: int
    """Size of its file."""
    file: str
    """Path of its file."""
    fault: str | None
    """What is wrong with it; null for nothing, and where nobody looked."""


class StoreFacts(Facts, frozen=True):
    """The store."""

    folder: str
    """Where it lies."""
    checked: bool
    """Whether every file was read and compared with its checksum."""
    stored: list[StoredFacts]
    """The forecasts."""
    not_ours: list[str]
    """Files there that wxfly did not write."""


def store_facts(
    folder: Path,
    found: Iterable[StoredForecast],
    names: Mapping[tuple[float, float], str],
    faults: Mapping[Path, str | None] | None,
    foreign: Iterable[Path],
) -> StoreFacts:
    """Return the facts of the store; `faults` are by file, None where nobody looked."""
    stored = [
        StoredFacts(
            site=names.get((one.latitude, one.longitude)),
            latitude=one.latitude,
            longitude=one.longitude,
            model=one.model,
            run_name=one.run,
            kept_at=_kept_at(one.path),
            byte_count=one.size,
            file=str(one.path),
            fault=None if faults is None else faults.get(one.path),
        )
        for one in found
    ]
    return StoreFacts(str(folder), faults is not None, stored, [str(path) for path in foreign])


def _kept_at(path: Path) -> datetime | None:
    return datetime.fromtimestamp(int(path.stat().st_mtime), UTC) if path.exists() else None
