"""Tell on the error stream what was asked of whom and how long it took: on request only, and never where to the metre.

Modules write to their own logger, with the facts as ``extra={"facts": {...}}``. What is written here has every place
rounded to 0.01 degrees (about a kilometre); addresses, queries and keys are never handed to a logger.
"""

from __future__ import annotations

import logging
import re
import sys
from datetime import UTC, datetime
from typing import Any

from wxfly.report.text.console import as_json, outgoing

_LOGGER = logging.getLogger("wxfly")
_PRECISE = re.compile(r"-?\d{1,3}\.\d{3,}")


class _ErrorStream(logging.Handler):
    """Writes to the error stream that is in force when something is told."""

    def __init__(self, *, as_json: bool) -> None:
        super().__init__(logging.INFO)
        self.as_json = as_json

    def emit(self, record: logging.LogRecord) -> None:
        print(_as_json(record) if self.as_json else _as_text(record), file=sys.stderr)


def start_logging(*, as_json: bool = False) -> None:
    """Begin to tell; a second call changes the form.

    Parameters
    ----------
    as_json : bool, optional
        One JSON object on each line, with ``time``, ``level``, ``from`` and ``message``, and the facts beside them.
    """
    stop_logging()
    _LOGGER.addHandler(_ErrorStream(as_json=as_json))
    _LOGGER.setLevel(logging.INFO)
    _LOGGER.propagate = False  # what embeds wxfly has handlers of its own, which do not round places


def stop_logging() -> None:
    """Be quiet again."""
    for handler in [h for h in _LOGGER.handlers if isinstance(h, _ErrorStream)]:
        _LOGGER.removeHandler(handler)
    _LOGGER.setLevel(logging.NOTSET)
    _LOGGER.propagate = True


def is_machine_readable() -> bool:
    """Say whether the error stream is to hold nothing but JSON."""
    return any(isinstance(h, _ErrorStream) and h.as_json for h in _LOGGER.handlers)


def tell(message: str, *, level: int = logging.INFO) -> None:
    """Write one message of the program itself."""
    _LOGGER.log(level, "%s", message)


def rounded(text: str) -> str:
    """Round every number that could be a precise coordinate to 0.01."""
    return _PRECISE.sub(lambda match: f"{float(match[0]):.2f}", text)


def _as_text(record: logging.LogRecord) -> str:
    return f"{_moment(record):%H:%M:%S}Z  {outgoing(rounded(' '.join(record.getMessage().split())))}"


def _as_json(record: logging.LogRecord) -> str:
    document: dict[str, Any] = {
        "time": f"{_moment(record):%Y-%m-%dT%H:%M:%S.%f}"[:-3] + "Z",
        "level": record.levelname.lower(),
        "from": record.name,
        "message": rounded(" ".join(record.getMessage().split())),
    }
    for name, value in getattr(record, "facts", {}).items():
        document[name] = rounded(value) if isinstance(value, str) else value
    return as_json(document)


def _moment(record: logging.LogRecord) -> datetime:
    return datetime.fromtimestamp(record.created, UTC)
