"""Advice for the window of the verdict: sun, and what to mind, the gravest first. None of it enters the verdict."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
import xarray as xr

from wxfly.answer import findings
from wxfly.answer.request import SiteAnswer
from wxfly.answer.windows import Window
from wxfly.flight.advice import Advice, advise, precipitation_words
from wxfly.physics.air.cloud import CloudBaseMethod
from wxfly.physics.air.geomagnetic import describe_kp, kp_risk
from wxfly.physics.air.icing import freezing_precipitation_chance
from wxfly.physics.air.risk import POSSIBLE_FROM
from wxfly.physics.air.sun import HORIZON
from wxfly.physics.wind.profile import ProfileMethod
from wxfly.report.facts.values import Degrees, Facts, Share, number
from wxfly.report.facts.words import Reader, amount

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


class MindFacts(Facts, frozen=True):
    """One thing to mind."""

    about: Literal["storm", "ice", "precipitation", "wind", "cloud", "kp", "pilot", "aircraft", "light"]
    """What it is about."""
    words: str
    """In words, in the units of `display_units`."""


class AdviceFacts(Facts, frozen=True):
    """Advice for the window that the verdict is about."""

    mind: list[MindFacts]
    """What to mind, the gravest first."""
    sun_lowest: Degrees | None
    sun_highest: Degrees | None
    """Elevation of the sun in the window."""
    sun_direction: Degrees | None
    """Where the sun stands in the middle of the window."""
    light: list[str]
    """Photographers' words for the light, in order."""
    longest_shadow: Share | None
    """Of a thing, as a multiple of its height; null when the sun is not up."""
    looks_into_sun: bool | None
    """Whether the pilot looks into a low sun; null where no direction was given."""


def advice_facts(answer: SiteAnswer, window: Window | None, reader: Reader) -> AdviceFacts | None:
    """Return the advice for a window; None when there is none."""
    if window is None:
        return None
    advice = answer.advice if window is answer.best else None
    if advice is None:
        asked = answer.request
        part = answer.conditions.isel(time=slice(window.first, window.last + 1))
        advice = advise(part, asked.aircraft, window.start, window.end, toward=asked.toward, hill=asked.site.hill)
    lowest, highest = advice.sun_elevation
    return AdviceFacts(
        [MindFacts(about, words) for about, words in _mind(answer, window, advice, reader.units)],
        number(lowest),
        number(highest),
        number(advice.sun_azimuth),
        list(advice.light),
        number(advice.shadow_length[1]),
        advice.glare,
    )


_About = Literal["storm", "ice", "precipitation", "wind", "cloud", "kp", "pilot", "aircraft", "light"]
_Minds = Iterator[tuple[_About, str]]


def _mind(answer: SiteAnswer, window: Window, advice: Advice, units: str) -> _Minds:
    part = answer.conditions.isel(time=slice(window.first, window.last + 1))
    yield from _of_the_storm(answer, window, part)
    yield from _of_icing(part)
    yield from _of_the_wind(answer, advice, part, units)
    yield from _of_precipitation(answer, window, part)
    yield from _of_the_pilot(advice, units)
    yield from _of_the_machine(advice, part, units)
    if (part["cloud_base_method"].values == CloudBaseMethod.CONDENSATION_LEVEL).any():
        yield "cloud", "the cloud base is an estimate from humidity: look up before you take off"
    kp, place = part["kp_index"].max().item(), part["geomagnetic_latitude"].max().item()
    if kp_risk(kp, place) > 0:
        yield "kp", describe_kp(kp, place)


def _of_the_storm(answer: SiteAnswer, window: Window, part: xr.Dataset) -> _Minds:
    """Tell of a thunderstorm next to the window, and of air in which one may build."""
    near = slice(max(window.first - 1, 0), window.last + 2)
    if (answer.conditions["thunderstorm_risk"].isel(time=near).values == 2).any():
        yield (
            "storm",
            ("a thunderstorm in the hour before or after: keep 10 km away, and wait 30 min after the last thunder"),
        )
    cape = part["atmosphere_convective_available_potential_energy"].max().item()
    if cape >= UNSTABLE_AIR:
        yield "storm", f"unstable air ({cape:.0f} J/kg): a storm may build without rain in the forecast; watch the sky"


def _of_icing(part: xr.Dataset) -> _Minds:
    """Tell of icing in flight where it is possible in some hour, first of precipitation that freezes."""
    if not (part["icing_risk"].values > 0).any():
        return
    temperature, near_ground = part["air_temperature"].values, part["air_temperature_near_ground"].values
    code, probability = part["weather_code"].values, part["precipitation_probability"].values
    freezing = freezing_precipitation_chance(temperature, near_ground, code, probability)
    most = float(np.nanmax(np.append(freezing, 0.0)))
    if most < POSSIBLE_FROM:
        yield "ice", "icing in flight is possible: rotors and sensors take on ice in cloud, fog or precipitation"
    else:
        yield "ice", f"freezing drizzle and icing in flight are {100 * most:.0f} % likely: land at the first drop"


def _of_the_wind(answer: SiteAnswer, advice: Advice, part: xr.Dataset, units: str) -> _Minds:
    if not np.isnan(advice.wind_over_hill):
        fast = amount(advice.wind_over_hill, "wind", units)
        told = f"over the hill the wind may reach {fast}, more than the limits were compared with"
        if not advice.hill_in_range:
            told += " (hill or wind outside the guideline's range: its largest factor is taken)"
        yield "wind", told
        yield "wind", "the lee side is turbulent"
    if (part["low_level_jet"].values > 0).any():
        yield "wind", "a jet of wind lies above: the wind may rise fast with height or come down in gusts"
    if np.isin(part["wind_method"].values, _FROM_ONE_LEVEL).any():
        yield (
            "wind",
            ("the forecast has wind near the ground only: at your height it is carried up, and least sure at night"),
        )
    if np.isnan(answer.conditions["gust_at_10m"].values).all():
        yield "wind", "the forecast has no gusts: they are worked out from the mean wind, and may be off by several m/s"


def _of_precipitation(answer: SiteAnswer, window: Window, part: xr.Dataset) -> _Minds:
    probability = findings.conditions_of(answer, window).precipitation_probability
    if probability >= LIKELY_RAIN:
        yield "precipitation", f"precipitation is {100 * probability:.0f} % likely, whatever the amount says"
    codes, rates = (part[name].max("edge").values for name in ("weather_code", "precipitation_rate"))
    falls = {precipitation_words(float(code), float(rate)) for code, rate in zip(codes, rates, strict=True)}
    for words in sorted(filter(None, falls)):
        yield "precipitation", f"{words} forecast"


def _of_the_pilot(advice: Advice, units: str) -> _Minds:
    if advice.hands:
        yield "pilot", f"{advice.hands} (wind chill {amount(advice.wind_chill, 'temperature', units)})"
    if advice.heat:
        yield "pilot", f"{advice.heat} (heat index {amount(advice.heat_index, 'temperature', units)})"


def _of_the_machine(advice: Advice, part: xr.Dataset, units: str) -> _Minds:
    if advice.thrust_in_hand < LITTLE_THRUST:
        left = max(advice.thrust_in_hand, 0.0)
        yield "aircraft", f"thin air: {100 * left:.0f} % of thrust in hand over the maker's highest take-off altitude"
    if part["air_temperature_near_ground"].min().item() < COLD_FOR_PACKS:
        warm = amount(WARM_PACK, "temperature", units)
        yield "aircraft", f"keep the packs above {warm} until take-off"
    if advice.frost:
        apart = "too" if (part["icing_risk"].values > 0).any() else "which is no icing in flight"
        yield "aircraft", f"a machine left outside may be white with frost, {apart}: wipe rotors and lens"
    if advice.sun_elevation[0] < HORIZON:
        yield "light", "part of it is twilight: a light on the aircraft may be asked for"
