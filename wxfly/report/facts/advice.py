"""What a pilot should know of a window and what never enters the verdict: light, cold, the air, the machine."""

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
from wxfly.physics.air.sun import HORIZON
from wxfly.physics.wind.profile import ProfileMethod
from wxfly.report.facts.values import Degrees, Facts, Kelvins, Share, Speed, number

COLD_FOR_PACKS, WARM_PACK = 283.15, 288.15
"""Air below which packs are kept warm, and how warm until take-off [K]; common practice, no source."""
_FROM_ONE_LEVEL = (ProfileMethod.STABILITY_LOG_LAW, ProfileMethod.NEUTRAL_LOG_LAW, ProfileMethod.POWER_LAW)


class AdviceFacts(Facts, frozen=True):
    """What to know of a window beside its limits; advice alone."""

    lowest_sun: Degrees | None
    """Elevation of the sun, lowest and highest; null where it is not told."""
    highest_sun: Degrees | None
    """Elevation of the sun, lowest and highest; null where it is not told."""
    sun_azimuth: Degrees
    """At the middle of the window."""
    light: list[str]
    """Photographers' words for the light, in order."""
    longest_shadow: Share | None
    """Of one metre; null while the sun is down."""
    glare: bool | None
    """Whether the pilot looks into a low sun at some time; null without a direction."""
    is_twilight: bool
    """Whether part of it is before sunrise or after sunset."""
    hands: str | None
    """Advice on cold hands."""
    wind_chill: Kelvins | None
    """The lowest."""
    heat: str | None
    """Advice on heat."""
    heat_index: Kelvins | None
    """The highest."""
    wind_over_hill: Speed | None
    """What may occur at flight height over the hill; null without one."""
    hill_in_range: bool
    """Whether hill and wind are within the guideline's range."""
    jet_above: bool
    """Whether a low-level jet lies above."""
    wind_from_one_level: bool
    """Whether the wind at flight height is carried up from one near the ground."""
    gust_is_worked_out: bool
    """Whether the forecast has no gusts."""
    cloud_base_is_estimate: bool
    """Whether the cloud base is worked out from humidity."""
    storm_beside: bool
    """Whether a thunderstorm is forecast in it or in the hour before or after."""
    convective_energy: float | None
    """Largest convective available potential energy [J kg-1]."""
    precipitation: list[str]
    """Kinds and strengths that are forecast."""
    precipitation_probability: Share | None
    """The largest; null where it is unknown."""
    kp: str | None
    """What to expect of position fixes; null for nothing."""
    coldest: Kelvins | None
    """Air near the ground."""
    icing_possible: bool
    """Whether icing in flight is possible in some hour."""
    freezing_chance: Share
    """Largest chance of freezing precipitation."""
    frost: bool
    """Whether frost may form on an aircraft parked outside."""
    thrust_in_hand: Share | None
    """Over the maker's highest take-off altitude; null where that is not given."""


def advice_facts(answer: SiteAnswer, window: Window, advice: Advice) -> AdviceFacts:
    """Return what to know of a window of an answer."""
    part = answer.conditions.isel(time=slice(window.first, window.last + 1))
    near = answer.conditions.isel(time=slice(max(window.first - 1, 0), window.last + 2))
    falls = zip(part["weather_code"].max("edge").values, part["precipitation_rate"].max("edge").values, strict=True)
    kp, place = part["kp_index"].max().item(), part["geomagnetic_latitude"].max().item()
    low, high = advice.sun_elevation
    return AdviceFacts(
        lowest_sun=number(low),
        highest_sun=number(high),
        sun_azimuth=advice.sun_azimuth,
        light=list(advice.light),
        longest_shadow=number(advice.shadow_length[1]),
        glare=advice.glare,
        is_twilight=low < HORIZON,
        hands=advice.hands or None,
        wind_chill=number(advice.wind_chill),
        heat=advice.heat or None,
        heat_index=number(advice.heat_index),
        wind_over_hill=number(advice.wind_over_hill),
        hill_in_range=advice.hill_in_range,
        jet_above=bool((part["low_level_jet"].values > 0).any()),
        wind_from_one_level=bool(np.isin(part["wind_method"].values, _FROM_ONE_LEVEL).any()),
        gust_is_worked_out=bool(np.isnan(answer.conditions["gust_at_10m"].values).all()),
        cloud_base_is_estimate=bool((part["cloud_base_method"].values == CloudBaseMethod.CONDENSATION_LEVEL).any()),
        storm_beside=bool((near["thunderstorm_risk"].values == 2).any()),
        convective_energy=number(part["atmosphere_convective_available_potential_energy"].max().item()),
        precipitation=sorted({words for c, r in falls if (words := precipitation_words(float(c), float(r)))}),
        precipitation_probability=number(findings.conditions_of(answer, window).precipitation_probability),
        kp=describe_kp(kp, place) if kp_risk(kp, place) > 0 else None,
        coldest=number(part["air_temperature_near_ground"].min().item()),
        icing_possible=bool((part["icing_risk"].values > 0).any()),
        freezing_chance=_freezing_chance(part),
        frost=advice.frost,
        thrust_in_hand=number(advice.thrust_in_hand),
    )


def _freezing_chance(part: xr.Dataset) -> float:
    names = ("air_temperature", "air_temperature_near_ground", "weather_code", "precipitation_probability")
    chance = freezing_precipitation_chance(*(part[name].values for name in names))
    return float(np.nanmax(np.append(chance, 0.0)))
