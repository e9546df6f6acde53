"""wxfly: from an open weather forecast to whether, when, where and how high to fly.

What a notebook or a program needs, in the order in which it flows:

- `get_forecast`, `read_forecast` and `forecast_grid` return a forecast cube of a site, a file, or a box of a grid;
- `conditions` returns what each hour asks of an aircraft at a flight height;
- `find_aircraft` and `limits_for` return what the aircraft and the rules allow;
- `assess` compares the hours with the limits, `find_windows` finds the windows in them;
- `best`, `compare` and `week` answer the three questions as the commands of the same names do.

Values are SI and UTC. Nothing is printed; a mistake that can be put right raises `wxfly.errors.WxflyError`.
The advice is not permission: local rules, the maker's manual and your own judgement on the spot prevail.
"""

from __future__ import annotations

from importlib import import_module

TYPE_CHECKING = False  # as `typing` has it, which takes longer to import than all the rest
if TYPE_CHECKING:
    from typing import Any

    from wxfly.library.answers import best, compare, now, week
    from wxfly.library.hours import (
        assess,
        conditions,
        find_aircraft,
        find_windows,
        forecast_grid,
        get_forecast,
        limits_for,
        read_forecast,
    )

__version__ = "0.1.0"

__all__ = [
    "assess",
    "best",
    "compare",
    "conditions",
    "find_aircraft",
    "find_windows",
    "forecast_grid",
    "get_forecast",
    "limits_for",
    "now",
    "read_forecast",
    "week",
]


def __getattr__(name: str) -> Any:
    """Return a public name; its module is imported when it is first asked for, so that `import wxfly` takes no time."""
    if name not in __all__:
        raise AttributeError(_unknown(name))
    module = "answers" if name in ("best", "compare", "now", "week") else "hours"
    value = globals()[name] = getattr(import_module(f"wxfly.library.{module}"), name)
    return value


def _unknown(name: str) -> str:
    message = f"module 'wxfly' has no attribute '{name}'"
    if name.startswith("_"):
        return message  # Python and notebooks ask for many of these
    from difflib import get_close_matches

    near = get_close_matches(name, __all__, n=1)
    return f"{message}; did you mean '{near[0]}'?" if near else message


def __dir__() -> list[str]:
    """Return the public names."""
    return sorted([*__all__, "__version__"])
