"""Replies of the services as the store keeps them, with the invented weather of the test suite's server."""

import json
from datetime import UTC, datetime

from tests.server import MODELS, _place
from wxfly.sources.open_meteo.forecast import SERVICE
from wxfly.sources.open_meteo.models import MODELS as KNOWN
from wxfly.sources.open_meteo.reply import hourly_names
from wxfly.sources.reply import PlaceReply

HERE = (52.27, 6.9)
THERE = (-46.62, -9.61)


def moment(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def reply_at(
    place, run="2026-06-10T00", model="icon_eu", retrieved="2026-06-10T04:10:00", ground=30.0, hours=25, change=None
):
    """Make the reply for one place; ``change`` is given the document before it is written."""
    asked = tuple(hourly_names(KNOWN.get(model, KNOWN["icon_eu"])))
    start = moment(run or retrieved).replace(hour=0, minute=0)
    query = {"hourly": ",".join(asked), "timeformat": "unixtime", "wind_speed_unit": "ms"}
    document = _place(model if model in MODELS else "icon_eu", *place, start, hours, query) | {"elevation": ground}
    document = (change(document) if change else None) or document
    return PlaceReply(
        SERVICE, model, "a site", *place, ground, asked, moment(retrieved), moment(run) if run else None,
        json.dumps(document).encode(),
    )  # fmt: skip


def replies_at(*places, **options):
    return [reply_at(place, **options) for place in places]
