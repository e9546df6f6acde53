"""Present weather by the WMO code table 4677: precipitation, fog and thunder by code.

References
----------
[WMO-306] WMO-No. 306, Manual on Codes, volume I.1, code table 4677 (ww, present weather); its words up to 40 as in the
    copy of the US National Oceanographic Data Center (GTSPP code tables).
"""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.risk import Statement, statement
from wxfly.physics.arrays import floating, unrepeated

Array = npt.NDArray[np.float64]

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
RECENT_PRECIPITATION = tuple(range(20, 28))
"""Precipitation in the hour before, which is one of those that the code speaks for."""
RECENT_LIQUID = (20, 21, 23, 24, 25)
"""Drizzle or rain in the hour before, freezing or mixed with snow."""
RECENT_FREEZING = (24,)
"""Freezing drizzle or rain in the hour before."""
RECENT_SHOWERS = (25, 26, 27)
"""Showers of rain, snow or hail in the hour before."""
LIQUID = (*range(50, 70), 80, 81, 82, 83, 84, 91, 92, 95, 96, 97, 98, 99)
"""Drizzle or rain, freezing or mixed with snow, and the precipitation of a thunderstorm."""


class Obscured(NamedTuple):
    """What codes tell of sight.

    Attributes
    ----------
    codes : tuple of int
        Of one meaning.
    meaning : str
        As in [WMO-306].
    fog_chance : float
        Chance of fog where you fly [1]: up to 0.5, which is possible.
    largest_visibility : float
        No more than this is taken [m].
    """

    codes: tuple[int, ...]
    meaning: str
    fog_chance: float
    largest_visibility: float


_ANY_SIGHT = float("inf")
_POOR_SIGHT, _NO_SIGHT = 5000.0, 999.0

# Meanings are those of [WMO-306]. Mist and haze are reported below 5 km, duststorms and sandstorms below 1 km: usual in
# aviation, from memory. Blowing snow is above eye level, drifting snow below; heavy blowing snow is taken as fog is.
# The chances, and 5 km for what is raised from the ground or in sight: estimates of ours.
OBSCURED: tuple[Obscured, ...] = (
    Obscured((4, 5, 6, 7, 8), "smoke, haze, dust or sand in the air", 0.0, _POOR_SIGHT),
    Obscured((9,), "duststorm or sandstorm in sight, or during the preceding hour", 0.0, _POOR_SIGHT),
    Obscured((10,), "mist", 0.15, _POOR_SIGHT),
    Obscured((11,), "patches of shallow fog", 0.25, _ANY_SIGHT),
    Obscured((12,), "shallow fog, more or less continuous", 0.5, _ANY_SIGHT),
    Obscured((28,), "fog during the preceding hour", 0.5, _ANY_SIGHT),
    Obscured((30, 31, 32, 33, 34, 35), "duststorm or sandstorm", 0.0, _NO_SIGHT),
    Obscured((36, 37), "drifting snow, below eye level", 0.0, _POOR_SIGHT),
    Obscured((38,), "blowing snow, slight or moderate, above eye level", 0.0, _POOR_SIGHT),
    Obscured((39,), "blowing snow, heavy, above eye level", 0.0, _NO_SIGHT),
    Obscured((40,), "fog at a distance", 0.25, _ANY_SIGHT),
)
"""Codes that speak against good sight, beside those of `FOG`: a row for each meaning."""


def whole_codes(code: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return weather codes, NaN for a number that is none, such as one interpolated between two.

    Examples
    --------
    >>> whole_codes([61.0, 95.5]).tolist()
    [61.0, nan]
    """
    whole = floating(code)
    given = unrepeated(whole)
    told = np.where((given == np.round(given)) & (given >= 0) & (given <= 99), given, np.nan)
    return np.broadcast_to(told, whole.shape)


def fog_chance_of(weather_code: npt.ArrayLike) -> Array:
    """Return the chance of fog that a code tells of [1]; 0 where it tells of none or is missing."""
    return told_by_code(weather_code, tuple((row.codes, row.fog_chance) for row in OBSCURED), 0.0)


def largest_visibility(weather_code: npt.ArrayLike) -> Array:
    """Return the visibility that a code leaves at most [m]; infinite where it tells of none or is missing."""
    return told_by_code(weather_code, tuple((row.codes, row.largest_visibility) for row in OBSCURED), _ANY_SIGHT)


def told_by_code(weather_code: npt.ArrayLike, rows: tuple[tuple[tuple[int, ...], float], ...], other: float) -> Array:
    """Return what the last row with a code tells, `other` where no row has it or it is missing."""
    return _entries(weather_code, _table(rows, other))


_CODES = 100
"""Codes of the table are 0 to 99."""


@cache
def _table(rows: tuple[tuple[tuple[int, ...], float], ...], other: float) -> npt.NDArray[Any]:
    told = np.full(256, other)  # one for every entry of a byte, from `_CODES` on of no code
    for codes, value in rows:
        told[list(codes)] = value
    return told


def _entries(weather_code: npt.ArrayLike, table: npt.NDArray[Any]) -> npt.NDArray[Any]:
    given = floating(weather_code)
    code = unrepeated(given)
    with np.errstate(invalid="ignore"):
        entry = code.astype(np.uint8)
    is_other = entry != code  # a code that is missing, or none
    if is_other.any():
        entry = np.where(is_other, np.uint8(_CODES), entry)
    own = table if table.dtype == bool else table.astype(given.dtype, copy=False)
    return np.broadcast_to(own[entry], given.shape)


def is_code_of(weather_code: npt.ArrayLike, codes: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    """Tell where the present weather is one of the codes; not where the code is missing."""
    return _entries(weather_code, _table(((codes, True),), False).astype(bool))


def code_in(weather_code: npt.ArrayLike, codes: tuple[int, ...]) -> Statement:
    """Return the statement that the present weather is one of the codes; unknown where the code is missing."""
    code = floating(weather_code)
    return statement(is_code_of(code, codes), code)
