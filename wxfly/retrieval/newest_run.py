"""Which run of a model is the newest: asked of the service, and not again before the next one is due."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime, timedelta

from wxfly.pilot.settings import Settings
from wxfly.store.replies import keep_reply, kept_reply
from wxfly.times import utc_now

METADATA_AGE = timedelta(minutes=10)
METADATA_LONGEST = timedelta(hours=24)
"""So long a kept answer serves at least, and at most, whenever the next run is said to be due."""


def newest_run(model: str, settings: Settings, on_progress: Callable[[str], None]) -> datetime | None:
    """Return the run that a forecast asked for now is from; None when the service does not tell.

    Parameters
    ----------
    model : str
        Name of a model.
    settings : Settings
        Of the services.
    on_progress : callable
        Told when the service is asked.

    Raises
    ------
    UnreachableError
        When nobody can be reached: the forecast could not be had either.
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
            pass  # not ours, or of another version: asked again
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
