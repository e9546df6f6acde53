"""Cloud, sight, precipitation, thunderstorm."""

from __future__ import annotations

import re

from checks.reading import NotCoveredError, Row, check, to_number

from tests.handbook import cloud as handbook_cloud
from tests.handbook import thunderstorm as handbook_thunderstorm
from tests.handbook import visibility as handbook_visibility
from tests.handbook import weather_code as handbook_weather_code
from wxfly.physics.air import atmosphere, cloud, precipitation, visibility

FT = 0.3048


@check("lcl_height_romps_m")
def _(row: Row) -> float:
    height = cloud.lifted_condensation_level_height(row.temperature("t"), row.humidity(), row.pressure())
    return float(height)


@check("lcl_temperature_K", tolerance=0.06)
def _(row: Row) -> float:
    level = handbook_cloud.lifted_condensation_level_temperature(row.temperature("t"), row.humidity(), row.pressure())
    return float(level)


@check("lcl_height_espy125_m", tolerance=0.07)  # the spread is printed to 0.001 K, half of which is 0.06 m
def _(row: Row) -> float:
    match = re.search(r"T-Td\s*=\s*([\d.]+)", row.inputs)
    if not match:
        raise NotCoveredError(f"inputs not understood: '{row.inputs}'")
    return float(handbook_cloud.base_by_spread(283.15, 283.15 - float(match[1])))


@check("cloud_base_ft")
def _(row: Row) -> float:
    # The rule of the row has 2.5 degC for each 1000 ft (122 m per kelvin), wxfly's hand check 125 m: 2.5 %
    # apart.
    base = handbook_cloud.base_by_spread(row.temperature("t"), row.temperature("td"))
    return round(float(base) / 125.0 / 2.5 * 1000, 6)


@check("adiabatic_LWC_g_m3")
def _(row: Row) -> float:
    match = re.search(r"base\s*([-\d.]+)\s*C.*?([\d.]+)\s*hPa.*?([\d.]+)\s*m above", row.inputs)
    if not match:
        raise NotCoveredError(f"inputs not understood: '{row.inputs}'")
    t, p, z = float(match[1]) + 273.15, float(match[2]) * 100, float(match[3])
    # The reference takes the pressure step of the layer from the standard atmosphere; in this air the same
    # step is z times the ratio of the temperatures.
    standard = atmosphere.STANDARD_TEMPERATURE - atmosphere.STANDARD_LAPSE_RATE * float(atmosphere.pressure_altitude(p))
    return 1000 * float(handbook_cloud.adiabatic_liquid_water_content(t, p, z * t / standard))


@check("koschmieder_constant")
def _(row: Row) -> float:
    return float(handbook_visibility.visual_range(1.0, contrast=row.number("contrast", "epsilon")))


@check("fog_visibility_m_kunkel")
def _(row: Row) -> float:
    return float(handbook_visibility.fog_visibility(row.number("lwc") / 1000))


@check("fog_visibility_m_gultepe")
def _(row: Row) -> float:
    content, number = row.number("lwc") / 1000, row.number("nd", "n") * 1e6
    return float(handbook_visibility.fog_visibility_from_droplets(content, number))


@check("vlos_alos_m")
def _(row: Row) -> float:
    text = row.inputs.lower()
    kind = "fixed_wing" if re.search(r"fixed|aeroplane|airplane|wing", text) else "multirotor"
    size = re.search(r"cd\s*=?\s*([\d.]+)\s*m", text)
    if not size:
        raise NotCoveredError(f"inputs not understood: '{row.inputs}'")
    return float(visibility.attitude_sight_range(float(size[1]), kind))


@check("vlos_dlos_m")
def _(row: Row) -> float:
    match = re.search(r"([\d.]+)\s*(km|m)\b", row.inputs)
    if not match:
        raise NotCoveredError(f"inputs not understood: '{row.inputs}'")
    return float(visibility.detection_sight_range(float(match[1]) * (1000 if match[2] == "km" else 1)))


@check("vlos_legacy_uk_m")
def _(row: Row) -> float:
    raise NotCoveredError("superseded guidance that wxfly does not use")


def _bounds(text: str) -> list[float]:
    """Return numbers inside the range that a class covers."""
    numbers = [to_number(n) for n in re.findall(r"\d+(?:\.\d+)?", text)]
    if text.strip().startswith("<"):
        return [numbers[0] * 0.5, numbers[0] - 1e-6]
    if text.strip().startswith(">"):
        return [numbers[0] + 1e-6, numbers[0] * 3]
    if len(numbers) == 1:
        return numbers
    return [numbers[0] + 1e-6, sum(numbers) / 2, numbers[1] - 1e-6]


@check("rain_class_metoffice_mm_h")
def _(row: Row) -> bool:
    shower = "shower" in row.inputs
    word = row.inputs.replace("showers", "").replace("shower", "").replace("rain", "").strip()
    system = "met_office_shower" if shower else "met_office_rain"
    return all(precipitation.rate_class(r, system=system) == word for r in _bounds(row.expected))


@check("rain_class_AMS_mm_h")
def _(row: Row) -> bool:
    word = row.inputs.replace("rain", "").strip()
    return all(precipitation.rate_class(r, system="ams") == word for r in _bounds(row.expected))


@check("wmo_4677")
def _(row: Row) -> bool:
    same = {
        "dense": "heavy",
        "light": "slight",
        "shower": "showers",
        "intense": "heavy",
        "thunderstorms": "thunderstorm",
    }
    filler = {"or", "and", "with", "of", "the", "at", "time"}

    def words(text: str) -> set[str]:
        return {same.get(w, w) for w in re.findall(r"[a-z]+", text.lower())} - filler

    ours, wanted = words(handbook_weather_code.describe_weather(row.number("code", "ww"))), words(row.expected)
    if {"moderate", "heavy"} <= ours:  # the table's own "moderate or heavy", of which services keep one
        ours = ours - ({"heavy"} if "moderate" in wanted else {"moderate"})
    return bool(ours) and ours <= wanted


@check("cape_class_J_kg")
def _(row: Row) -> bool:
    return all(handbook_thunderstorm.cape_class(c) == row.expected.strip() for c in _bounds(row.inputs))


@check("lifted_index_chance")
def _(row: Row) -> bool:
    numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", row.inputs)]
    if re.match(r"\s*(>|above|more)", row.inputs):
        inside = [numbers[0] + 0.5]
    elif len(numbers) == 1:
        inside = [numbers[0] - 0.5]
    else:
        inside = [sum(numbers) / len(numbers)]
    wanted = row.expected.strip().lower()
    return all(handbook_thunderstorm.lifted_index_class(v) in wanted for v in inside)


@check("lightning_rule")
def _(row: Row) -> bool:
    seconds, miles, minutes = (float(x) for x in row.expected.split("|"))
    stop = handbook_thunderstorm.STOP_DISTANCE
    near_enough = miles * 1609.344 <= stop < (miles + 1) * 1609.344 and abs(seconds * 343.0 - stop) < 500
    return near_enough and minutes * 60 == handbook_thunderstorm.WAITING_TIME
