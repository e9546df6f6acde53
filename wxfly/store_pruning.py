"""The store kept within its limits: what is too old or too much goes, and what a killed writer left behind."""

from __future__ import annotations

import time
from pathlib import Path

from wxfly.errors import WxflyError
from wxfly.own_files import LEFT_OVER_SECONDS, PART
from wxfly.settings import Settings
from wxfly.store_layout import own_files


def prune_store(settings: Settings, *, now: float | None = None) -> list[Path]:
    """Take away what is too old, then the oldest until the rest fits; also what a killed writer left behind.

    A file that is not named as wxfly names its own stays.

    Parameters
    ----------
    settings : Settings
        ``maximum_age_days`` and ``maximum_megabytes``.
    now : float, optional
        Seconds since 1970.

    Returns
    -------
    list of Path
        What was removed.
    """
    now = time.time() if now is None else now
    removed = []
    dated = []
    for path in own_files():
        try:
            state = path.stat()
        except OSError:
            continue
        age = now - state.st_mtime
        begun = path.name.endswith(PART)
        if age > settings.maximum_age_days * 86_400 or (begun and age > LEFT_OVER_SECONDS):
            removed.append(path)
        elif not begun:
            dated.append((state.st_mtime, state.st_size, path))
    left = sum(size for _, size, _ in dated)
    for _, size, path in sorted(dated):
        if left <= settings.maximum_megabytes * 1e6:
            break
        removed.append(path)
        left -= size
    remove_files(removed)
    return removed


def clear_store() -> int:
    """Remove every forecast and reply of the store; give the number of files."""
    paths = list(own_files())
    remove_files(paths)
    return len(paths)


def remove_files(paths: list[Path]) -> None:
    """Remove files of the store, and folders that are empty then; one that is gone already is no fault.

    Raises
    ------
    WxflyError
        When a file cannot be removed; those after it stay.
    """
    for path in paths:
        try:
            path.unlink(missing_ok=True)
        except OSError as fault:
            raise WxflyError(f"{path}: cannot be removed ({fault.strerror})") from None
    for path in {p.parent for p in paths}:
        for folder in (path, path.parent):
            try:
                folder.rmdir()
            except OSError:
                break  # not empty
