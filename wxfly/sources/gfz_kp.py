"""Kp of the hours just past, from the GFZ German Research Centre for Geosciences, which produces the index.

A second source: it has no forecast, so it provides Kp up to now but not for the hours ahead (kp.gfz.de, JSON
interface). Stamps are the start of a three-hour interval, UTC.

References
----------
[Matzka-2021] Matzka, J. et al. (2021): The geomagnetic Kp index and derived indices of geomagnetic activity. Space
    Weather 19, e2020SW002641.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np

from wxfly.pilot.services import SERVICES
from wxfly.pilot.settings import Settings
from wxfly.sources.http import download
from wxfly.sources.reply import Reply, SourceError, parse_json
from wxfly.sources.space_weather import KpSeries, kp_value, moment_of

SOURCE, ATTRIBUTION = SERVICES["gfz"].source, SERVICES["gfz"].attribution
BACK = timedelta(days=2)


def get_kp_text(*, settings: Settings, now: datetime) -> str:
    """Request the last two days, check that they can be read, and return the reply unchanged.

    Parameters
    ----------
    settings : Settings
        Address, User-Agent and patience.
    now : datetime
        End of the requested period.

    Raises
    ------
    SourceError
        One line with the fault.
    """
    end = now.astimezone(UTC)

    def parse(reply: Reply) -> str:
        parse_kp(reply.body)
        return reply.body.decode("utf-8")

    return download(
        settings.addresses["gfz"] + "/",
        {"start": f"{end - BACK:%Y-%m-%dT%H:%M:%SZ}", "end": f"{end:%Y-%m-%dT%H:%M:%SZ}", "index": "Kp"},
        parse,
        settings=settings,
        what=SOURCE,
        maximum_bytes=200_000,
    )


def parse_kp(body: bytes, what: str = SOURCE) -> KpSeries:
    """Read a reply; an interval without a value is left out.

    Raises
    ------
    SourceError
        For a missing column, columns of different lengths, a Kp outside 0 to 9, or times out of order.
    """
    document = parse_json(body, what)
    times, values = (document.get(key) if isinstance(document, dict) else None for key in ("datetime", "Kp"))
    if not isinstance(times, list) or not isinstance(values, list) or len(times) != len(values):
        raise SourceError(f"{what}: not a list of times and one of Kp, of one length")
    pairs = [(moment_of(t, what), kp_value(v, what)) for t, v in zip(times, values, strict=True) if v is not None]
    if not pairs:
        raise SourceError(f"{what}: no value of Kp in it")
    start = np.array([moment for moment, _ in pairs], dtype="datetime64[s]")
    if (np.diff(start) <= np.timedelta64(0, "s")).any():
        raise SourceError(f"{what}: the times of Kp are not in order")
    return KpSeries(start, np.array([kp for _, kp in pairs]), ("observed",) * len(pairs))
