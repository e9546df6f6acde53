"""Geomagnetic activity, comfort, and the figures of the rule sets."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from checks.reading import NotCoveredError, Row, check

from tests.handbook import comfort as handbook_comfort
from tests.handbook import geomagnetic as handbook_geomagnetic
from wxfly.physics import geomagnetic
from wxfly.physics.air import comfort
from wxfly.pilot.aircraft import load_aircraft

C = 273.15
RULES = Path(__file__).resolve().parents[2] / "wxfly" / "data" / "rules.toml"


@check("aurora_lowest_geomag_lat_deg")
def _(row: Row) -> float:
    return float(handbook_geomagnetic.auroral_boundary(row.number("kp")))


@check("auroral_equatorward_boundary_MLAT_deg")
def _(row: Row) -> float:
    raise NotCoveredError(
        "another model of the boundary; wxfly uses NOAA's table, which reaches further, to the safer side"
    )


@check("geomagnetic_lat_AACGM_deg")
def _(row: Row) -> float:
    return float(geomagnetic.geomagnetic_latitude(*row.place()))


@check("geomagnetic_lat_dipole_deg")
def _(row: Row) -> float:
    return float(handbook_geomagnetic.dipole_latitude(*row.place()))


@check("kp_to_G")
def _(row: Row) -> str:
    scale = int(geomagnetic.g_scale(row.number("kp")))
    if scale == 0 and row.expected.strip().lower() in ("none", "no storm", "below g1", "-"):
        return row.expected
    return f"G{scale}" if row.expected.strip().upper().startswith("G") else str(scale)


@check("kp_to_ap")
def _(row: Row) -> float:
    text = row.inputs.split("=")[-1]
    third = re.search(r"\(([\d.]+)\)", text)
    if third:
        return float(handbook_geomagnetic.ap_from_kp(float(third[1])))
    match = re.search(r"(\d)\s*([-+o])?", text)
    if not match:
        raise NotCoveredError(f"inputs not understood: '{row.inputs}'")
    step = {"-": -1 / 3, "+": 1 / 3}.get(match[2] or "o", 0.0)
    return float(handbook_geomagnetic.ap_from_kp(int(match[1]) + step))


@check("magnetic_declination_deg")
def _(row: Row) -> float:
    raise NotCoveredError("wxfly computes no declination")


@check("wind_chill_ec")
def _(row: Row) -> float:
    return float(comfort.wind_chill(row.temperature("t"), row.speed("v10", "v", "wind"))) - C


@check("heat_index_nws_F")
def _(row: Row) -> float:
    # The printed chart is the bare regression.
    index = handbook_comfort.heat_index_by_regression(row.temperature("t"), row.humidity())
    return (float(index) - C) * 1.8 + 32


@check("heat_index_wpc_F")
def _(row: Row) -> float:
    return (float(comfort.heat_index(row.temperature("t"), row.humidity())) - C) * 1.8 + 32


@check("beaufort_lower_bound_m_s")
def _(row: Row) -> float:
    force = row.number("force", "bft", "beaufort")
    bound = float(handbook_comfort.beaufort_lower_bound(force))
    assert int(comfort.beaufort_force(bound)) == int(force)
    return bound


def _rule(kind: str, name: str) -> str:
    with RULES.open("rb") as file:
        rules: dict[str, Any] = tomllib.load(file)
    return str(rules[kind][name]["value"])


def _region(row: Row) -> str:
    text = row.inputs.upper()
    for word, name in (("FAA", "us"), ("107", "us"), ("US", "us"), ("UK", "uk"), ("EU", "eu_open")):
        if word in text:
            return name
    raise NotCoveredError(f"inputs not understood: '{row.inputs}'")


@check("reg_max_height")
def _(row: Row) -> bool:
    from wxfly.units import parse_quantity

    value = parse_quantity(_rule(_region(row), "height_limit"), "length", "m")
    numbers = re.findall(r"([\d.]+)\s*(ft|m)\b", row.expected)
    return any(abs(value - float(n) * (0.3048 if u == "ft" else 1.0)) < 0.01 for n, u in numbers)


@check("reg_visibility")
def _(row: Row) -> bool:
    from wxfly.units import parse_quantity

    metres = re.search(r"=\s*([\d.]+)\s*m", row.expected)
    value = parse_quantity(_rule(_region(row), "minimum_visibility"), "length", "m")
    return metres is not None and abs(value - float(metres[1])) < 1.0


@check("reg_cloud_clearance")
def _(row: Row) -> bool:
    below, aside = (float(x) for x in re.findall(r"([\d.]+)\s*ft", row.expected)[:2])
    region = _region(row)
    return _rule(region, "cloud_separation") == f"{below:g} ft" and (
        _rule(region, "cloud_separation_horizontal") == f"{aside:g} ft"
    )


@check("reg_groundspeed")
def _(row: Row) -> bool:
    knots = re.search(r"([\d.]+)\s*kt", row.expected)
    return knots is not None and _rule(_region(row), "maximum_ground_speed") == f"{float(knots[1]):g} kt"


@check("electronics_ambient_C")
def _(row: Row) -> bool:
    """Held: the classes' range of air temperature lies within the widest that the row tells of."""
    numbers = [float(n) for n in re.findall(r"-?\d+", row.expected)]
    classes = load_aircraft().values()
    return all(min(numbers) <= a.minimum_temperature - C and a.maximum_temperature - C <= max(numbers) for a in classes)
