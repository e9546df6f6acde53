"""Formulas of the check values that wxfly itself does not need: weather code."""

from __future__ import annotations

import numpy as np

from wxfly.physics.air.weather_code import _WORDS

_RANGES = (
    (4, 12, "haze, dust or mist"), (14, 16, "precipitation in sight"), (18, 19, "squalls or funnel cloud"),
    (20, 28, "precipitation or fog in the hour before"), (29, 29, "thunderstorm in the hour before"),
    (30, 39, "dust, sand or drifting snow"), (40, 49, "fog"), (50, 59, "drizzle"), (60, 69, "rain"),
    (70, 79, "snow or ice"), (80, 90, "showers"), (91, 94, "precipitation after a thunderstorm"),
    (95, 99, "thunderstorm"),
)  # fmt: skip


def describe_weather(weather_code: float) -> str:
    """Put a code into words.

    Parameters
    ----------
    weather_code : float
        WMO code table 4677, 0 to 99.

    Returns
    -------
    str
        Words after [WMO-306]; ``"not known"`` for NaN and for numbers that are not in the table.
    """
    if np.isnan(weather_code) or not 0 <= weather_code <= 99:
        return "not known"
    code = int(weather_code)
    if code in _WORDS:
        return _WORDS[code]
    return next(words for first, last, words in _RANGES if first <= code <= last)
