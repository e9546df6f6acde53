"""Pruning the store: what is too old, what is too much, what is damaged, and all of it. Only files of ours go."""

from __future__ import annotations

import logging
import stat
import time
from pathlib import Path

from wxfly.errors import WxflyError
from wxfly.pilot.own_files import LEFT_OVER_SECONDS, PART
from wxfly.pilot.settings import Settings
from wxfly.store.forecasts import damage_of
from wxfly.store.layout import claim_store, grid_files, is_ours, list_forecasts, own_files, remove_ours

log = logging.getLogger(__name__)


def prune_wanted(settings: Settings, *, damaged: bool = False, dry_run: bool = False) -> list[Path]:
    """Remove what `too_old_or_much` returns and, where wanted, damaged files of ours; return the files.

    Parameters
    ----------
    settings : Settings
        As in `prune_store`.
    damaged : bool, optional
        Whether damaged files go too.
    dry_run : bool, optional
        Whether nothing is removed; the files that would go are returned.

    Raises
    ------
    WxflyError
        When the folder holds what is not ours and was never marked as the store.
    """
    claim_store(mark=not dry_run)
    going = [s.path for s in list_forecasts() if damage_of(s) and is_ours(s.path)] if damaged else []
    going = list(dict.fromkeys([*going, *too_old_or_much(settings)]))
    return going if dry_run else remove_ours(going)


def prune_store(settings: Settings, *, now: float | None = None) -> list[Path]:
    """Remove the files that `too_old_or_much` returns; a folder with files that are not ours stays unchanged.

    Parameters
    ----------
    settings : Settings
        With ``maximum_age_days`` and ``maximum_megabytes``.
    now : float, optional
        Present time, seconds since 1970.

    Returns
    -------
    list of Path
        The removed files.
    """
    try:
        claim_store()
    except WxflyError as fault:
        log.info("%s", fault)
        return []
    return remove_ours(too_old_or_much(settings, now=now))


def too_old_or_much(settings: Settings, *, now: float | None = None) -> list[Path]:
    """Return files that are too old, then the oldest until the rest fits, and temporary files of killed writers.

    Files that wxfly did not write are left out.

    Parameters
    ----------
    settings, now
        As in `prune_store`.
    """
    now = time.time() if now is None else now
    going = []
    dated = []
    messages = set(grid_files())  # by age alone: those of one grid are larger than all forecasts
    for path in (*own_files(), *messages):
        try:
            state = path.lstat()
        except OSError:
            continue
        if not stat.S_ISREG(state.st_mode):
            continue
        age = now - state.st_mtime
        begun = path.name.endswith(PART)
        if age > settings.maximum_age_days * 86_400 or (begun and age > LEFT_OVER_SECONDS):
            going.append(path)
        elif not begun and path not in messages:
            dated.append((state.st_mtime, state.st_size, path))
    left = sum(size for _, size, _ in dated)
    for _, size, path in sorted(dated):
        if left <= settings.maximum_megabytes * 1e6:
            break
        going.append(path)
        left -= size
    return [path for path in going if is_ours(path)]


def clear_store() -> list[Path]:
    """Remove every forecast, grid and reply of the store; return the removed files.

    Raises
    ------
    WxflyError
        When the folder has files that are not ours, or a file cannot be removed.
    """
    claim_store()
    return remove_ours([*own_files(), *grid_files()])
