"""Advice in words: how high, how far in sight, light, hands, frost. None of it enters the verdict."""

from __future__ import annotations

from wxfly.answer.request import SiteAnswer
from wxfly.physics.air.risk import POSSIBLE_FROM
from wxfly.pilot.elements import BY_NAME
from wxfly.report.facts.advice import COLD_FOR_PACKS, WARM_PACK, AdviceFacts, advice_facts
from wxfly.report.facts.values import listed
from wxfly.report.facts.windows import WindowFacts, window_facts
from wxfly.report.text import sentences
from wxfly.report.text.sentences import Reader

# Where the advice begins to speak; common practice, no source, but for the bound of unstable air (US weather service).
LITTLE_THRUST = 0.10
"""Share of thrust in hand [1]."""
LIKELY_RAIN = 0.3
"""Probability of precipitation [1]."""
UNSTABLE_AIR = 1000.0
"""Convective available potential energy [J kg-1]."""


def advice_lines(answer: SiteAnswer, reader: Reader) -> list[tuple[str, str]]:
    """Return the advice for the best window as pairs of label and text; empty when there is no window."""
    if answer.best is None or answer.advice is None:
        return []
    window, advice = window_facts(answer, 1, answer.best), advice_facts(answer, answer.best, answer.advice)
    units = reader.units
    lines = [("Height", usable_height(window, units)), ("Sight", _sight(window, units)), ("Sun", _sun(advice))]
    mind = [*_of_the_hill(advice, units), *of_the_air(advice), *_of_the_pilot(advice, units)]
    mind += _of_the_machine(advice, units)
    lines.append(("Mind", "; ".join(mind)))
    return [(label, text) for label, text in lines if text]


def usable_height(window: WindowFacts, units: str) -> str:
    """Say how high the hours of a window may be used, and what ends the climb."""
    if window.usable_height is None or window.usable_height_ends_by is None:
        return "usable height not known in every hour of it"
    by = window.usable_height_ends_by
    ends = "the ceiling" if by == "ceiling" else BY_NAME[by].title
    told = f"usable to {sentences.height_down(window.usable_height, units)}, ended by {ends}"
    return told if window.cloud_base_is_known else f"{told}; cloud may end it lower: its base is not known"


def _sight(window: WindowFacts, units: str) -> str:
    if window.sight_range is None:
        return "sight range not known: the aircraft's size is not given"
    far = sentences.amount(window.sight_range, "height", units)
    why = "its size" if window.sight_decided_by == "size" else "the visibility"
    told = f"this aircraft is seen to about {far} ({why}; EASA guidance)"
    return told if window.visibility_is_known else f"{told}, less if the air is hazy: visibility is not known"


def _sun(advice: AdviceFacts) -> str:
    if advice.lowest_sun is None or advice.highest_sun is None:
        return ""
    height = _elevation(advice.lowest_sun, advice.highest_sun)
    parts = [f"{height} in the {sentences.direction(advice.sun_azimuth)}", listed(advice.light)]
    longest = advice.longest_shadow
    if longest is not None:
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


def _of_the_hill(advice: AdviceFacts, units: str) -> list[str]:
    if advice.wind_over_hill is None:
        return []
    fast = sentences.amount(advice.wind_over_hill, "wind", units)
    told = f"over the hill the wind may reach {fast}, more than the limits were held against"
    if not advice.hill_in_range:
        told += " (hill or wind outside the guideline's range: its largest factor is taken)"
    return [told, "the lee side is turbulent"]


def of_the_air(advice: AdviceFacts) -> list[str]:
    """Say what to mind of wind, cloud, storms, rain and position fixes."""
    told = []
    if advice.jet_above:
        told.append("a jet of wind lies above: the wind may rise fast with height or come down in gusts")
    if advice.wind_from_one_level:
        told.append(
            "the forecast has wind near the ground only: at your height it is carried up, and least sure at night"
        )
    if advice.gust_is_worked_out:
        told.append("the forecast has no gusts: they are worked out from the mean wind, and may be off by several m/s")
    if advice.cloud_base_is_estimate:
        told.append("the cloud base is an estimate from humidity: look up before you take off")
    told += [*of_the_storm(advice), *advice.precipitation]
    likely = advice.precipitation_probability or 0.0
    if likely >= LIKELY_RAIN:
        told.append(f"precipitation is {100 * likely:.0f} % likely, whatever the amount says")
    return [*told, advice.kp] if advice.kp else told


def of_the_storm(advice: AdviceFacts) -> list[str]:
    """Tell of a thunderstorm next to the window, and of air in which one may build."""
    told = []
    if advice.storm_beside:
        told.append(
            "a thunderstorm in the hour before or after: keep 10 km away, and wait 30 min after the last thunder"
        )
    energy = advice.convective_energy or 0.0
    if energy >= UNSTABLE_AIR:
        told.append(f"unstable air ({energy:.0f} J/kg): a storm may build without rain in the forecast; watch the sky")
    return told


def _of_the_pilot(advice: AdviceFacts, units: str) -> list[str]:
    felt = (
        (advice.hands, "wind chill", advice.wind_chill),
        (advice.heat, "heat index", advice.heat_index),
    )
    return [
        f"{words} ({name} {sentences.amount(value, 'temperature', units)})"
        for words, name, value in felt
        if words and value is not None
    ]


def _of_the_machine(advice: AdviceFacts, units: str) -> list[str]:
    told = []
    if advice.coldest is not None and advice.coldest < COLD_FOR_PACKS:
        warm = sentences.amount(WARM_PACK, "temperature", units)
        told.append(f"cold: keep the packs above {warm} until take-off, and expect less from them")
    if advice.icing_possible and advice.freezing_chance < POSSIBLE_FROM:
        told.append("icing in flight is possible: rotors and sensors take on ice in cloud, fog or precipitation")
    elif advice.icing_possible:
        likely = f"{100 * advice.freezing_chance:.0f} %"
        told.append(f"freezing drizzle and icing in flight are {likely} likely: land at the first drop")
    if advice.frost:
        apart = "too" if advice.icing_possible else "which is no icing in flight"
        told.append(f"a machine left outside may be white with frost, {apart}: wipe rotors and lens")
    if advice.thrust_in_hand is not None and advice.thrust_in_hand < LITTLE_THRUST:
        left = max(advice.thrust_in_hand, 0.0)
        told.append(f"thin air: {100 * left:.0f} % of thrust in hand over the maker's highest take-off altitude")
    if advice.is_twilight:
        told.append("part of it is twilight: a light on the aircraft may be asked for")
    return told
