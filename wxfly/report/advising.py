"""Advice in words: how high, how far in sight, light, hands, frost. None of it enters the verdict."""

from __future__ import annotations

import numpy as np

from wxfly.advice import Advice, precipitation_words
from wxfly.briefing import SiteAnswer
from wxfly.elements import BY_NAME
from wxfly.physics.cloud import CloudBaseMethod
from wxfly.report import phrases
from wxfly.report.sentences import Reader
from wxfly.windows import Window

LITTLE_THRUST = 0.10
"""Below this share of thrust in hand the advice speaks of thin air [1]; common practice, no source."""


def advice_lines(answer: SiteAnswer, reader: Reader) -> list[tuple[str, str]]:
    """Give the advice for the best window as pairs of label and text; empty when there is no window."""
    window, advice = answer.best, answer.advice
    if window is None or advice is None:
        return []
    units = reader.units
    lines = [("Height", usable_height(answer, window, units)), ("Sight", _sight(advice, answer, units))]
    lines.append(("Sun", _sun(advice)))
    mind = [
        *_of_the_hill(advice, units),
        *_of_the_air(answer, window),
        *_of_the_pilot(advice, units),
        *_of_the_machine(advice),
    ]
    if mind:
        lines.append(("Mind", "; ".join(mind)))
    return [(label, text) for label, text in lines if text]


def usable_height(answer: SiteAnswer, window: Window, units: str) -> str:
    """Say how high the hours of a window may be used, and what ends the climb."""
    part = slice(window.first, window.last + 1)
    usable = answer.heights["usable_height"].values[part]
    if np.isnan(usable).all():
        return "usable height not known"
    lowest = int(np.nanargmin(usable))
    by = str(answer.heights["usable_height_ends_by"].values[part][lowest])
    ends = "the ceiling" if by == "ceiling" else BY_NAME[by].title
    return f"usable to {phrases.amount(float(usable[lowest]), 'height', units)}, ended by {ends}"


def _sight(advice: Advice, answer: SiteAnswer, units: str) -> str:
    if np.isnan(advice.sight_range):
        return "sight range not known: the aircraft's size is not given"
    far = phrases.amount(advice.sight_range, "height", units)
    why = "its size" if advice.sight_decided_by == "size" else "the visibility"
    told = f"this aircraft is seen to about {far} ({why}; EASA guidance)"
    unknown = np.isnan(answer.assessment["demand"].sel(element="visibility").values).all()
    return f"{told}, less if the air is hazy: visibility is not known" if unknown else told


def _sun(advice: Advice) -> str:
    low, high = advice.sun_elevation
    if np.isnan(high):
        return ""
    height = f"{low:.0f}°" if round(low) == round(high) else f"{low:.0f}° to {high:.0f}°"
    parts = [f"{height} high in the {phrases.direction(advice.sun_azimuth)}", " and ".join(advice.light)]
    _, longest = advice.shadow_length
    if not np.isnan(longest):
        length = f"{longest:.1f}" if longest < 10 else "more than 10"
        parts.append(f"shadows up to {length} times the height")
    if advice.glare is not None:
        parts.append("you look into the sun" if advice.glare else "the sun is not in your eyes")
    return "; ".join(part for part in parts if part)


def _of_the_hill(advice: Advice, units: str) -> list[str]:
    if np.isnan(advice.wind_over_hill):
        return []
    fast = phrases.amount(advice.wind_over_hill, "wind", units)
    told = f"over the hill the wind may reach {fast}, more than the limits were held against"
    if not advice.hill_in_range:
        told += " (hill or wind outside the guideline's range: its largest factor is taken)"
    return [told, "the lee side is turbulent"]


def _of_the_air(answer: SiteAnswer, window: Window) -> list[str]:
    part = answer.conditions.isel(time=slice(window.first, window.last + 1))
    told = []
    if (part["low_level_jet"].values > 0).any():
        told.append("a jet of wind lies above: the wind may rise fast with height or come down in gusts")
    if (part["cloud_base_method"].values == CloudBaseMethod.CONDENSATION_LEVEL).any():
        told.append("the cloud base is an estimate from humidity: look up before you take off")
    codes = part["weather_code"].max("edge").values
    falls = {
        precipitation_words(float(c), float(r))
        for c, r in zip(codes, part["precipitation_rate"].max("edge").values, strict=True)
    }
    told += sorted(words for words in falls if words)
    return told


def _of_the_pilot(advice: Advice, units: str) -> list[str]:
    told = []
    if advice.hands:
        told.append(f"{advice.hands} (wind chill {phrases.amount(advice.wind_chill, 'temperature', units)})")
    if advice.heat:
        told.append(f"{advice.heat} (heat index {phrases.amount(advice.heat_index, 'temperature', units)})")
    return told


def _of_the_machine(advice: Advice) -> list[str]:
    told = []
    if advice.frost:
        told.append("a machine left outside may be white with frost, which is no icing in flight: wipe rotors and lens")
    if advice.thrust_in_hand < LITTLE_THRUST:
        left = max(advice.thrust_in_hand, 0.0)
        told.append(f"thin air: {100 * left:.0f} % of thrust in hand over the maker's highest take-off altitude")
    return told
