"""Present weather by the WMO code table 4677: what a code says of precipitation, fog and thunder.

References
----------
[WMO-306] WMO-No. 306, Manual on Codes, volume I.1, code table 4677 (ww, present weather).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.risk import Statement, statement

FREEZING = (56, 57, 66, 67)
"""Freezing drizzle and freezing rain."""
SOLID = (70, 71, 72, 73, 74, 75, 76, 77, 78, 79, 85, 86, 87, 88, 89, 90)
"""Snow, ice pellets, hail and their showers, without rain."""
SHOWERS = tuple(range(80, 91))
"""Showers of rain, snow or hail."""
FOG = tuple(range(41, 50))
"""Fog at the station within its view."""
THUNDERSTORM = (17, 18, 19, 29, *range(91, 100))
"""Thunderstorm, squalls or a funnel cloud, now or in the hour before."""
DISTANT_LIGHTNING = (13,)
"""Lightning seen, no thunder heard."""
STEADY_PRECIPITATION = tuple(range(50, 80))
"""Drizzle, rain or snow that is not a shower."""
MIXED = (68, 69, 83, 84)
"""Rain or drizzle together with snow."""
FALLING = (*range(50, 100),)
"""Codes of precipitation that falls now."""
LIQUID = (*range(50, 70), 80, 81, 82, 83, 84, 91, 92, 95, 96, 97, 98, 99)
"""Drizzle or rain, freezing or mixed with snow, and the precipitation of a thunderstorm."""


def code_in(weather_code: npt.ArrayLike, codes: tuple[int, ...]) -> Statement:
    """State that the present weather is one of the codes; not known where the code is missing."""
    code = np.asarray(weather_code, dtype=float)
    return statement(np.isin(code, codes), code)


_WORDS = {
    0: "clear", 1: "mainly clear", 2: "partly cloudy", 3: "overcast",
    13: "distant lightning", 17: "thunder without precipitation",
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
