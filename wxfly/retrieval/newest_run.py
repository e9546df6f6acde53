"""The newest run of a model: requested from the service, and not again before the next run is due."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime, timedelta

from wxfly.pilot.settings import Settings
from wxfly.store.replies import keep_reply, kept_reply
from wxfly.times import utc_now

METADATA_AGE = timedelta(minutes=10)
METADATA_LONGEST = timedelta(hours=24)
"""Shortest and longest use of a kept answer, whatever time is stated for the next run."""


def newest_run(model: str, settings: Settings, on_progress: Callable[[str], None]) -> datetime | None:
    """Return the run of a forecast requested now; None when the service does not state it.

    Parameters
    ----------
    model : str
        Name of a model.
    settings : Settings
        Settings of the services.
    on_progress : callable
        Called with a line when the service is asked.

    Raises
    ------
    UnreachableError
        When the service cannot be reached: the forecast would not be available either.
    """
    from wxfly.sources.open_meteo.models import find_model
    from wxfly.sources.open_meteo.runs import ModelRun, get_model_run
    from wxfly.sources.reply import SourceError, UnreachableError

    now = utc_now()
    kept = kept_reply("metadata", model)
    if kept is not None:
        try:
            start, available, seconds = json.loads(kept.text)
            run = ModelRun(datetime.fromisoformat(start), datetime.fromisoformat(available), timedelta(seconds=seconds))
            until = min(max(kept.retrieved + METADATA_AGE, run.next_expected()), kept.retrieved + METADATA_LONGEST)
            if kept.retrieved <= now < until and run.run <= now:
                return run.certain_at(now)
        except (ValueError, TypeError, OverflowError, RecursionError):
            pass  # not ours, or from another version: requested again
    on_progress("asking for the newest run")
    try:
        run = get_model_run(find_model(model), settings=settings, now=now)
    except UnreachableError:
        raise
    except SourceError:
        return None
    text = json.dumps([run.run.isoformat(), run.available.isoformat(), run.interval.total_seconds()])
    keep_reply("metadata", model, text, now)
    return run.certain_at(now)
