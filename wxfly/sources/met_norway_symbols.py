"""Symbols of MET Norway as WMO codes (docs.api.met.no, weather icons; WMO-No. 306, code table 4677)."""

from __future__ import annotations

import math
import re

# Symbol -> WMO code table 4677. A symbol names the worst weather of its hour.
_SKY = {"clearsky": 0, "fair": 1, "partlycloudy": 2, "cloudy": 3, "fog": 45}
_FALLING = re.compile(r"(light|heavy)?(rain|sleet|snow)(showers)?(andthunder)?")
_CODES = {
    ("rain", False): (61, 63, 65), ("rain", True): (80, 81, 82), ("sleet", False): (68, 69, 69),
    ("sleet", True): (83, 84, 84), ("snow", False): (71, 73, 75), ("snow", True): (85, 86, 86),
}  # fmt: skip


def weather_code_of(symbol: str) -> float:
    """Give the WMO code (table 4677) for a symbol of the service; NaN for one that is not known."""
    # Two symbols are misspelt in the service's own list: lightssleetshowersandthunder, lightssnowshowersandthunder.
    stem = symbol.split("_", 1)[0].replace("lightss", "lights")
    if stem in _SKY:
        return float(_SKY[stem])
    match = _FALLING.fullmatch(stem)
    if not match:
        return math.nan
    if match[4]:
        return 95.0
    strength = {"light": 0, None: 1, "heavy": 2}[match[1]]
    return float(_CODES[match[2], bool(match[3])][strength])
