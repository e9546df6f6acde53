"""Formulas for check values that wxfly itself does not use: weather code."""

from __future__ import annotations

import numpy as np

_WORDS = {
    0: "clear", 1: "mainly clear", 2: "partly cloudy", 3: "overcast",
    10: "mist", 11: "patches of shallow fog", 12: "more or less continuous shallow fog",
    13: "distant lightning", 17: "thunder without precipitation",
    20: "drizzle or snow grains during the preceding hour", 21: "rain during the preceding hour",
    22: "snow during the preceding hour", 23: "rain and snow during the preceding hour",
    24: "freezing drizzle or rain during the preceding hour", 25: "rain showers during the preceding hour",
    26: "snow showers during the preceding hour", 27: "hail showers during the preceding hour",
    28: "fog during the preceding hour", 29: "thunderstorm during the preceding hour",
    36: "slight or moderate drifting snow", 37: "heavy drifting snow",
    38: "slight or moderate blowing snow", 39: "heavy blowing snow", 40: "fog at a distance",
    45: "fog", 48: "fog depositing rime",
    51: "slight drizzle", 53: "moderate drizzle", 55: "heavy drizzle",
    56: "slight freezing drizzle", 57: "moderate or heavy freezing drizzle",
    61: "slight rain", 63: "moderate rain", 65: "heavy rain",
    66: "slight freezing rain", 67: "moderate or heavy freezing rain",
    68: "slight rain and snow", 69: "moderate or heavy rain and snow",
    71: "slight snow", 73: "moderate snow", 75: "heavy snow", 77: "snow grains", 79: "ice pellets",
    80: "slight rain showers", 81: "moderate or heavy rain showers", 82: "violent rain showers",
    83: "slight showers of rain and snow", 84: "moderate or heavy showers of rain and snow",
    85: "slight snow showers", 86: "moderate or heavy snow showers",
    87: "slight showers of small hail", 89: "slight hail showers", 90: "moderate or heavy hail showers",
    95: "thunderstorm", 96: "thunderstorm with hail", 97: "heavy thunderstorm",
    99: "heavy thunderstorm with hail",
}  # fmt: skip

_RANGES = (
    (4, 12, "haze, dust or mist"), (14, 16, "precipitation in sight"), (18, 19, "squalls or funnel cloud"),
    (20, 28, "precipitation or fog in the hour before"), (29, 29, "thunderstorm in the hour before"),
    (30, 39, "dust, sand or drifting snow"), (40, 49, "fog"), (50, 59, "drizzle"), (60, 69, "rain"),
    (70, 79, "snow or ice"), (80, 90, "showers"), (91, 94, "precipitation after a thunderstorm"),
    (95, 99, "thunderstorm"),
)  # fmt: skip


def describe_weather(weather_code: float) -> str:
    """Return the words for a code.

    Parameters
    ----------
    weather_code : float
        WMO code table 4677, 0 to 99.

    Returns
    -------
    str
        Words from [WMO-306]; ``"not known"`` for NaN and for numbers outside the table.
    """
    if np.isnan(weather_code) or not 0 <= weather_code <= 99:
        return "not known"
    code = int(weather_code)
    if code in _WORDS:
        return _WORDS[code]
    return next(words for first, last, words in _RANGES if first <= code <= last)
