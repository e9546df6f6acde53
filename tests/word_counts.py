"""Count the words of ten answers, without and with ``--more``: run as ``python -m tests.word_counts``."""

from functools import cache

import numpy as np

from tests.cubes import quiet_cube
from tests.report.briefings import MEADOW, TAKEN_ON, brief, nothing_known, stormy, with_gaps, with_values
from wxfly.report.facts.answer import facts_of
from wxfly.report.text.answer import render

CLEAR, HARD, OF_DAYS = 60, 90, 101
"""Most words of an answer without ``--more``: of a clear day, of a hard one, of days or sites told one by one."""


def _with(cube=None, first=None, last=None, **values):
    """Return a quiet day in which some variables have another value between two stamps of hours."""
    cube = quiet_cube(36) if cube is None else cube
    for name, value in values.items():
        cube = with_values(cube, name, value, first, last)
    return cube


def _icy():
    return _with(
        air_temperature=269.75, air_temperature_aloft=(269.7, 269.4, 269.1), dew_point_temperature=267.5,
        relative_humidity=0.84, cloud_area_fraction=1.0, low_type_cloud_area_fraction=1.0, cloud_base_altitude=400.0,
        weather_code=3.0, precipitation_probability=0.4,
    )  # fmt: skip


def _week():
    cube = _with(quiet_cube(180), 22, 48, wind_speed_of_gust=20.0)
    cube = with_values(cube, "wind_speed_of_gust", 8.0, 70, 90)
    return with_values(cube, "precipitation_amount", 3.0, 95, 120)


def _old():
    notes = (
        "the forecast is 30 h old: the newest run is not in it",
        "no newer forecast is available: the line is down",
    )
    return brief(cubes=[quiet_cube(36)], notes=notes)


def _windy_hill():
    return _with(None, 12, 36, wind_speed_of_gust=8.0)


# Name, most words without --more, and the briefing.
CASES = {
    "fine": (CLEAR, lambda: brief(cubes=[quiet_cube(36)])),
    "windy": (HARD, lambda: brief(cubes=[_with(None, 13, 36, wind_speed_of_gust=13.0)])),
    "foggy": (HARD, lambda: brief(cubes=[_with(None, 0, 9, weather_code=45.0, visibility_in_air=300.0)])),
    "icy": (HARD, lambda: brief(cubes=[_icy()])),
    "wet": (HARD, lambda: brief(cubes=[_with(precipitation_amount=0.1, weather_code=61.0)])),
    "unknown": (HARD, lambda: brief(cubes=[with_gaps()], limits=TAKEN_ON)),
    "old": (HARD, _old),
    "no window": (HARD, lambda: brief(cubes=[stormy()])),
    "week": (OF_DAYS, lambda: brief("week", [_week()], days=7)),
    "compare": (HARD, lambda: brief("compare", [quiet_cube(36), _windy_hill()], [MEADOW, _hill()])),
    "nothing known": (HARD, lambda: brief(cubes=[nothing_known()])),
    "lost probability": (HARD, lambda: brief(cubes=[_with(precipitation_probability=np.nan)])),
}


def _hill():
    from dataclasses import replace

    return replace(MEADOW, name="Hill")


@cache
def answer_of(name):
    """Return the facts of a case."""
    return facts_of(CASES[name][1]())


def count(name, *, more=False):
    """Return the words of a case."""
    return len(render(answer_of(name), width=100, more=more).split())


def main():
    """Print the table, and each answer without ``--more``."""
    for name in CASES:
        print(f"--- {name}\n{render(answer_of(name), width=100)}\n")
    print(f"{'case':<18}{'words':>6}{'at most':>9}{'--more':>8}")
    for name, (most, _) in CASES.items():
        print(f"{name:<18}{count(name):>6}{most:>9}{count(name, more=True):>8}")


if __name__ == "__main__":
    main()
