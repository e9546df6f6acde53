"""The newest run of a model: the metadata that the forecast service publishes with its forecasts.

A forecast reply does not state its run, so the run is requested separately (open-meteo.com/en/docs/model-updates)
and noted with the forecast.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from wxfly.pilot.settings import Settings
from wxfly.sources.http import download
from wxfly.sources.open_meteo.models import Model
from wxfly.sources.reply import Reply, SourceError, is_unix_time, parse_json

# Time until all servers have a run after it becomes available (service's documentation).
SETTLING = timedelta(minutes=10)
LONGEST_INTERVAL = timedelta(hours=48)
_CLOCKS = timedelta(hours=1)  # largest difference allowed between a service's clock and ours


@dataclass(frozen=True)
class ModelRun:
    """The newest run of a model.

    Attributes
    ----------
    run : datetime
        Start of the run, UTC.
    available : datetime
        Time since which the service has it, UTC.
    interval : timedelta
        Time between runs.
    """

    run: datetime
    available: datetime
    interval: timedelta

    def certain_at(self, now: datetime) -> datetime:
        """Return the run that a forecast requested at `now` has, or an earlier one.

        Until all servers have the newest run, this is the run before: a forecast is never reported as newer than it
        is.
        """
        return self.run if now >= self.available + SETTLING else self.run - self.interval

    def next_expected(self) -> datetime:
        """Return the time before which another request is useless."""
        return max(self.available + self.interval, self.available + SETTLING)


def parse_model_run(body: bytes, what: str, now: datetime) -> ModelRun:
    """Read the metadata of one model.

    Parameters
    ----------
    body : bytes
        The reply.
    what : str
        Source, for errors.
    now : datetime
        Present time. A later run is refused: every forecast of today would count as older than it.

    Raises
    ------
    SourceError
        When a key is missing or not a valid time, or the run is impossible at `now`.
    """
    document = parse_json(body, what)
    if not isinstance(document, dict):
        raise SourceError(f"{what}: not the metadata of a model")
    keys = ("last_run_initialisation_time", "last_run_availability_time", "update_interval_seconds")
    numbers = [document.get(key) for key in keys]
    for key, number in zip(keys, numbers, strict=True):
        if not is_unix_time(number):
            raise SourceError(f"{what}: {key} is missing or not whole seconds")
    start, available, interval = (int(n) for n in numbers if isinstance(n, int))
    if available < start:
        raise SourceError(f"{what}: a run that was available before it started")
    run = ModelRun(
        datetime.fromtimestamp(start, UTC), datetime.fromtimestamp(available, UTC), timedelta(seconds=interval)
    )
    if run.available > now + _CLOCKS:
        raise SourceError(f"{what}: its newest run is of {run.available:%Y-%m-%d %H:%M}Z, which is in the future")
    if run.interval > LONGEST_INTERVAL:
        raise SourceError(f"{what}: {interval} s between two runs is not a plausible interval")
    return run


def get_model_run(model: Model, *, settings: Settings, now: datetime) -> ModelRun:
    """Request the newest run; for a model made of two parts, the older of their runs.

    Raises
    ------
    SourceError
        When the service does not state it, or publishes none for this model.
    """
    if not model.domains:
        raise SourceError(f"the run of {model.name} is not published")
    runs = []
    for domain in model.domains:
        what = f"Open-Meteo run metadata of {domain}"

        def parse(reply: Reply, what: str = what) -> ModelRun:
            return parse_model_run(reply.body, what, now)

        url = f"{settings.addresses['metadata']}/{domain}/static/meta.json"
        runs.append(download(url, {}, parse, settings=settings, what=what, maximum_bytes=100_000))
    return min(runs, key=lambda r: (r.run, r.available))
