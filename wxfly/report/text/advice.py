"""Advice in words: how high, how far in sight, light, hands, frost. None of it enters the verdict."""

from __future__ import annotations

import numpy as np
import xarray as xr

from wxfly.answer import findings
from wxfly.answer.request import SiteAnswer
from wxfly.answer.windows import Window
from wxfly.flight.advice import Advice, precipitation_words
from wxfly.physics.air.cloud import CloudBaseMethod
from wxfly.physics.air.geomagnetic import describe_kp, kp_risk
from wxfly.physics.air.icing import freezing_precipitation_chance
from wxfly.physics.air.risk import POSSIBLE_FROM
from wxfly.physics.air.sun import HORIZON
from wxfly.physics.wind.profile import ProfileMethod
from wxfly.pilot.elements import BY_NAME
from wxfly.report.facts.values import listed
from wxfly.report.text import sentences
from wxfly.report.text.sentences import Reader

# Where the advice begins to speak; common practice, no source, but for the bound of unstable air (US weather service).
LITTLE_THRUST = 0.10
"""Share of thrust in hand [1]."""
LIKELY_RAIN = 0.3
"""Probability of precipitation [1]."""
UNSTABLE_AIR = 1000.0
"""Convective available potential energy [J kg-1]."""
COLD_FOR_PACKS, WARM_PACK = 283.15, 288.15
"""Air in which packs are kept warm, and how warm [K]."""
_FROM_ONE_LEVEL = (ProfileMethod.STABILITY_LOG_LAW, ProfileMethod.NEUTRAL_LOG_LAW, ProfileMethod.POWER_LAW)


def advice_lines(answer: SiteAnswer, reader: Reader) -> list[tuple[str, str]]:
    """Return the advice for the best window as pairs of label and text; empty when there is no window."""
    window, advice = answer.best, answer.advice
    if window is None or advice is None:
        return []
    units = reader.units
    lines = [("Height", usable_height(answer, window, units)), ("Sight", _sight(advice, units))]
    lines.append(("Sun", _sun(advice)))
    mind = [
        *_of_the_hill(advice, units),
        *_of_the_air(answer, window, units),
        *_of_the_pilot(advice, units),
        *_of_the_machine(answer, window, advice, units),
    ]
    if mind:
        lines.append(("Mind", "; ".join(mind)))
    return [(label, text) for label, text in lines if text]


def usable_height(answer: SiteAnswer, window: Window, units: str) -> str:
    """Say how high the hours of a window may be used, and what ends the climb."""
    usable = findings.usable_height_of(answer, window)
    if np.isnan(usable.height):
        return "usable height not known in every hour of it"
    ends = "the ceiling" if usable.ends_by == "ceiling" else BY_NAME[usable.ends_by].title
    told = f"usable to {sentences.height_down(usable.height, units)}, ended by {ends}"
    if not usable.cloud_base_is_known:
        told += "; cloud may end it lower: its base is not known"
    return told


def _sight(advice: Advice, units: str) -> str:
    if np.isnan(advice.sight_range):
        return "sight range not known: the aircraft's size is not given"
    far = sentences.amount(advice.sight_range, "height", units)
    why = "its size" if advice.sight_decided_by == "size" else "the visibility"
    told = f"this aircraft is seen to about {far} ({why}; EASA guidance)"
    return told if advice.visibility_is_known else f"{told}, less if the air is hazy: visibility is not known"


def _sun(advice: Advice) -> str:
    low, high = advice.sun_elevation
    if np.isnan(high):
        return ""
    parts = [f"{_elevation(low, high)} in the {sentences.direction(advice.sun_azimuth)}", listed(advice.light)]
    _, longest = advice.shadow_length
    if not np.isnan(longest):
        length = f"{longest:.1f}" if longest < 10 else "more than 10"
        parts.append(f"shadows up to {length} times the height")
    if advice.glare is not None:
        parts.append("you look into the sun" if advice.glare else "the sun is not in your eyes")
    return "; ".join(part for part in parts if part)


def _elevation(low: float, high: float) -> str:
    """Say how high the sun stands, or how far below the horizon."""
    first, last = sorted((round(low), round(high)))
    if last <= 0 and first < 0:
        return f"{-last}° to {-first}° below the horizon" if first != last else f"{-last}° below the horizon"
    if first < 0:
        return f"from {-first}° below the horizon to {last}° high"
    return f"{first}° to {last}° high" if first != last else f"{last}° high"


def _of_the_hill(advice: Advice, units: str) -> list[str]:
    if np.isnan(advice.wind_over_hill):
        return []
    fast = sentences.amount(advice.wind_over_hill, "wind", units)
    told = f"over the hill the wind may reach {fast}, more than the limits were held against"
    if not advice.hill_in_range:
        told += " (hill or wind outside the guideline's range: its largest factor is taken)"
    return [told, "the lee side is turbulent"]


def _of_the_air(answer: SiteAnswer, window: Window, units: str) -> list[str]:
    part = answer.conditions.isel(time=slice(window.first, window.last + 1))
    told = []
    if (part["low_level_jet"].values > 0).any():
        told.append("a jet of wind lies above: the wind may rise fast with height or come down in gusts")
    if np.isin(part["wind_method"].values, _FROM_ONE_LEVEL).any():
        told.append(
            "the forecast has wind near the ground only: at your height it is carried up, and least sure at night"
        )
    if np.isnan(answer.conditions["gust_at_10m"].values).all():
        told.append("the forecast has no gusts: they are worked out from the mean wind, and may be off by several m/s")
    if (part["cloud_base_method"].values == CloudBaseMethod.CONDENSATION_LEVEL).any():
        told.append("the cloud base is an estimate from humidity: look up before you take off")
    told += _of_the_storm(answer, window)
    codes = part["weather_code"].max("edge").values
    falls = {
        precipitation_words(float(c), float(r))
        for c, r in zip(codes, part["precipitation_rate"].max("edge").values, strict=True)
    }
    told += sorted(words for words in falls if words)
    probability = findings.conditions_of(answer, window).precipitation_probability
    if probability >= LIKELY_RAIN:
        told.append(f"precipitation is {100 * probability:.0f} % likely, whatever the amount says")
    kp, place = part["kp_index"].max().item(), part["geomagnetic_latitude"].max().item()
    if kp_risk(kp, place) > 0:
        told.append(describe_kp(kp, place))
    return told


def _of_the_storm(answer: SiteAnswer, window: Window) -> list[str]:
    """Tell of a thunderstorm next to the window, and of air in which one may build."""
    near = slice(max(window.first - 1, 0), window.last + 2)
    told = []
    if (answer.conditions["thunderstorm_risk"].isel(time=near).values == 2).any():
        told.append(
            "a thunderstorm in the hour before or after: keep 10 km away, and wait 30 min after the last thunder"
        )
    inside = answer.conditions.isel(time=slice(window.first, window.last + 1))
    cape = inside["atmosphere_convective_available_potential_energy"].max().item()
    if cape >= UNSTABLE_AIR:
        told.append(f"unstable air ({cape:.0f} J/kg): a storm may build without rain in the forecast; watch the sky")
    return told


def _of_the_pilot(advice: Advice, units: str) -> list[str]:
    told = []
    if advice.hands:
        told.append(f"{advice.hands} (wind chill {sentences.amount(advice.wind_chill, 'temperature', units)})")
    if advice.heat:
        told.append(f"{advice.heat} (heat index {sentences.amount(advice.heat_index, 'temperature', units)})")
    return told


def _of_the_machine(answer: SiteAnswer, window: Window, advice: Advice, units: str) -> list[str]:
    told = []
    part = answer.conditions.isel(time=slice(window.first, window.last + 1))
    coldest = part["air_temperature_near_ground"].min().item()
    if coldest < COLD_FOR_PACKS:
        warm = sentences.amount(WARM_PACK, "temperature", units)
        told.append(f"cold: keep the packs above {warm} until take-off, and expect less from them")
    icing = _of_icing(part)
    told += icing
    if advice.frost:
        apart = "too" if icing else "which is no icing in flight"
        told.append(f"a machine left outside may be white with frost, {apart}: wipe rotors and lens")
    if advice.thrust_in_hand < LITTLE_THRUST:
        left = max(advice.thrust_in_hand, 0.0)
        told.append(f"thin air: {100 * left:.0f} % of thrust in hand over the maker's highest take-off altitude")
    if advice.sun_elevation[0] < HORIZON:
        told.append("part of it is twilight: a light on the aircraft may be asked for")
    return told


def _of_icing(part: xr.Dataset) -> list[str]:
    """Tell of icing in flight where it is possible in some hour, first of precipitation that freezes."""
    if not (part["icing_risk"].values > 0).any():
        return []
    temperature, near_ground = part["air_temperature"].values, part["air_temperature_near_ground"].values
    code, probability = part["weather_code"].values, part["precipitation_probability"].values
    freezing = freezing_precipitation_chance(temperature, near_ground, code, probability)
    most = float(np.nanmax(np.append(freezing, 0.0)))
    if most < POSSIBLE_FROM:
        return ["icing in flight is possible: rotors and sensors take on ice in cloud, fog or precipitation"]
    return [f"freezing drizzle and icing in flight are {100 * most:.0f} % likely: land at the first drop"]
