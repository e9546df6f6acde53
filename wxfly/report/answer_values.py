"""Plain values of the answer for machines: numbers, times and chances."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from wxfly.chance import Chance

_PLACES = 6


def chance_of(chance: Chance | None) -> dict[str, Any]:
    """Give a chance and its causes."""
    if chance is None or math.isnan(chance.value):
        return {"value": None, "causes": []}
    causes = [
        {"element": c.element, "share": number(c.share), "share_alone": number(c.sole_share)} for c in chance.causes
    ]
    return {"value": number(chance.value), "causes": causes}


def number(value: float) -> float | None:
    """Give a plain number, rounded so that it is the same on every machine; None for NaN and infinity."""
    return round(float(value), _PLACES) if math.isfinite(value) else None


def time_of(moment: np.datetime64) -> str | None:
    """Give a moment in UTC; None for NaT."""
    return None if np.isnat(moment) else f"{moment.astype('datetime64[s]')}Z"
