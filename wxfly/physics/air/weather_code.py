"""Present weather by the WMO code table 4677: precipitation, fog and thunder by code.

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
"""Fog at the station, also in patches."""
THUNDERSTORM = (17, 18, 19, 29, *range(91, 100))
"""Thunderstorm, squalls or a funnel cloud, now or in the hour before."""
DISTANT_LIGHTNING = (13,)
"""Lightning seen, no thunder heard."""
STEADY_PRECIPITATION = tuple(range(50, 80))
"""Drizzle, rain or snow that is not a shower."""
MIXED = (68, 69, 83, 84)
"""Rain or drizzle together with snow."""
FALLING = (*range(50, 100),)
"""Codes of precipitation falling now."""
LIQUID = (*range(50, 70), 80, 81, 82, 83, 84, 91, 92, 95, 96, 97, 98, 99)
"""Drizzle or rain, freezing or mixed with snow, and the precipitation of a thunderstorm."""


def code_in(weather_code: npt.ArrayLike, codes: tuple[int, ...]) -> Statement:
    """Return the statement that the present weather is one of the codes; unknown where the code is missing."""
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
