"""The store kept within its limits: what is too old or too much goes, and what a killed writer left behind."""

from __future__ import annotations

import logging
import stat
import time
from pathlib import Path

from wxfly.errors import WxflyError
from wxfly.pilot.own_files import LEFT_OVER_SECONDS, PART
from wxfly.pilot.settings import Settings
from wxfly.store.layout import own_files
from wxfly.store.marks import claim_store, is_ours, remove_ours

log = logging.getLogger(__name__)


def prune_store(settings: Settings, *, now: float | None = None) -> list[Path]:
    """Take away what `too_old_or_much` lists; a folder that is not ours alone stays as it is.

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
    try:
        claim_store()
    except WxflyError as fault:
        log.info("%s", fault)
        return []
    return remove_ours(too_old_or_much(settings, now=now))


def too_old_or_much(settings: Settings, *, now: float | None = None) -> list[Path]:
    """List what is too old, then the oldest until the rest fits; also what a killed writer left behind.

    A file that wxfly did not write is not among them.

    Parameters
    ----------
    settings, now
        As in `prune_store`.
    """
    now = time.time() if now is None else now
    going = []
    dated = []
    for path in own_files():
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
        elif not begun:
            dated.append((state.st_mtime, state.st_size, path))
    left = sum(size for _, size, _ in dated)
    for _, size, path in sorted(dated):
        if left <= settings.maximum_megabytes * 1e6:
            break
        going.append(path)
        left -= size
    return [path for path in going if is_ours(path)]


def clear_store() -> list[Path]:
    """Remove every forecast and reply of the store; give the files.

    Raises
    ------
    WxflyError
        When the folder is not ours alone, or a file cannot be removed.
    """
    claim_store()
    return remove_ours(list(own_files()))
