"""Rotors, batteries, and flight in wind."""

from __future__ import annotations

import re

import numpy as np
from checks.reading import NotCoveredError, Row, check

from tests.handbook import power as handbook_power
from tests.handbook import wind_triangle as handbook_wind_triangle
from wxfly.physics import STANDARD_GRAVITY
from wxfly.physics.air import atmosphere
from wxfly.physics.aircraft import battery, power, wind_triangle
from wxfly.pilot.aircraft import load_aircraft

C = 273.15
EARTH_RADIUS = 6_356_766.0  # of the standard atmosphere (ISO 2533) [m]
G = STANDARD_GRAVITY


def _standard_density(row: Row) -> float:
    geometric = row.length("h", "altitude", "isa h")
    geopotential = EARTH_RADIUS * geometric / (EARTH_RADIUS + geometric)
    return float(atmosphere.density_at_density_altitude(geopotential))


def _small_quad(row: Row) -> tuple[float, float, float]:
    """Return thrust, disc area and density; a row that says 'same' means the quad of the row before it."""
    mass = row.number("m", "mass", default=0.9)
    area = float(power.disc_area(row.number("d", "diameter", default=0.2388), row.number("n", default=4.0)))
    return mass * row.number("g", default=G), area, row.number("rho", default=1.225)


@check("hover_induced_velocity_m_s")
def _(row: Row) -> float:
    return float(power.hover_induced_velocity(*_small_quad(row)))


@check("hover_ideal_power_W")
def _(row: Row) -> float:
    return float(power.hover_ideal_power(*_small_quad(row)))


@check("hover_power_ratio_vs_sea_level")
def _(row: Row) -> float:
    return float(handbook_power.hover_power_ratio(_standard_density(row)))


@check("thrust_to_weight")
def _(row: Row) -> float:
    return float(power.thrust_to_weight(row.number("twr0", "twr"), _standard_density(row)))


@check("induced_velocity_ratio_edgewise")
def _(row: Row) -> float:
    ratio = row.number("v/vh", "x", "vh")
    tilt = row.number("alpha", default=0.0)
    both = handbook_power.induced_velocity_ratio(ratio), power.induced_velocity(1.0, ratio, tilt)
    if tilt == 0:
        assert np.isclose(*both, rtol=1e-10)
    return float(both[1])


@check("climb_power_ratio")
def _(row: Row) -> float:
    ratio = row.number("vc/vh", "c", "vh")
    assert np.isclose(handbook_power.climb_power_ratio(ratio), ratio + power.induced_velocity(1.0, 0.0, 0.0, ratio))
    return float(handbook_power.climb_power_ratio(ratio))


def _published_rotor(row: Row) -> dict[str, float]:
    return {
        "profile_power": row.number("p0", default=79.8563),
        "induced_power": row.number("pi", default=88.6279),
        "tip_speed": row.number("utip", default=120.0),
        "hover_velocity": row.number("v0", default=4.03),
        "drag_ratio": row.number("d0", default=0.6),
        "solidity": row.number("s", default=0.05),
        "area": row.number("a", default=0.503),
        "air_density": row.number("rho", default=1.225),
    }


@check("zeng_rotary_wing_power_W")
def _(row: Row) -> float:
    return float(handbook_power.single_rotor_power(row.number("v"), **_published_rotor(row)))


@check("zeng_max_endurance_speed_m_s")
def _(row: Row) -> float:
    return handbook_power.best_endurance_speed(
        lambda v: handbook_power.single_rotor_power(v, **_published_rotor(row)), 40.0
    )


@check("zeng_max_range_speed_m_s")
def _(row: Row) -> float:
    return handbook_power.best_range_speed(
        lambda v: handbook_power.single_rotor_power(v, **_published_rotor(row)), 40.0
    )


def _wind(row: Row) -> tuple[float, float]:
    direction = re.search(r"wind\s*=?\s*([\d.]+)[^;]*?from\s*([\d.]+)", row.inputs)
    if direction is None:
        raise NotCoveredError(f"inputs not understood: '{row.inputs}'")
    return float(direction[1]), float(direction[2])


@check("wind_triangle_WCA_GS")
def _(row: Row) -> tuple[float, float]:
    triangle = row.number("course"), row.number("tas"), *_wind(row)
    return float(wind_triangle.wind_correction_angle(*triangle)), float(wind_triangle.ground_speed(*triangle))


@check("wind_triangle_heading_GS")
def _(row: Row) -> tuple[float, float]:
    triangle = row.number("course"), row.number("tas"), *_wind(row)
    return float(wind_triangle.heading(*triangle)), float(wind_triangle.ground_speed(*triangle))


@check("radius_out_and_back_m")
def _(row: Row) -> float:
    return float(
        handbook_wind_triangle.out_and_back_radius(
            row.number("v"), row.number("wind", "w"), row.number("angle", "theta"), row.number("time", "t")
        )
    )


@check("point_of_no_return_min")
def _(row: Row) -> float:
    out, home = (
        float(re.search(rf"{word}\s*=?\s*([\d.]+)", row.inputs, re.IGNORECASE)[1])  # type: ignore[index]
        for word in ("GS out", "GS home")
    )
    return float(handbook_wind_triangle.point_of_no_return_time(row.number("endurance"), out, home))


@check("lipo_pack_resistance_mohm")
def _(row: Row) -> float:
    pack = re.search(r"(\d)S\s+(\d+)\s*mAh", row.inputs)
    cells, capacity = (float(pack[1]), float(pack[2]) / 1000) if pack else (2.0, 2.2)
    warm = cells * battery.RESISTANCE_CAPACITY / capacity
    return 1000 * float(battery.resistance(warm, row.temperature("t")))


@check("battery_capacity_fraction")
def _(row: Row) -> float:
    temperatures = re.findall(r"(-?\d+)\s*C", row.inputs)
    if not temperatures:
        raise NotCoveredError(f"inputs not understood: '{row.inputs}'")
    return float(battery.capacity_fraction(float(temperatures[-1]) + C))


@check("li_ion_capacity_ratio_vs_25C")
def _(row: Row) -> float:
    t = row.temperature("t")
    if "lumped thermal" not in row.inputs or "1C" not in row.inputs or t < 262:
        raise NotCoveredError(
            "an energy cell past its voltage cliff; wxfly holds the voltage under load against the cut-off instead"
        )
    return float(battery.capacity_fraction(battery.flight_cell_temperature(t, t)))


@check("battery_reserve_fraction")
def _(row: Row) -> bool:
    from wxfly.flight.sortie import BATTERY_RESERVE

    return float(row.expected) == BATTERY_RESERVE


@check("lipo_preheat_C")
def _(row: Row) -> bool:
    """Held: packs that are told to be warm enough lie in the band of the trade."""
    from wxfly.report.facts.sortie import WARM_PACK

    low, high = (float(n) for n in re.findall(r"\d+", row.expected))
    return low <= WARM_PACK - C <= high


@check("max_wind_to_max_airspeed")
def _(row: Row) -> bool:
    """Held as the upper end of the rule, two thirds: no class may be sent into more, even in gusts."""
    ceiling = re.search(r"to (\d)/(\d)", row.source)
    if ceiling is None:
        raise NotCoveredError(f"source not understood: '{row.source}'")
    most = float(ceiling[1]) / float(ceiling[2])
    classes = load_aircraft().values()
    return all(a.top_speed is not None and a.maximum_wind <= most * a.top_speed for a in classes)


@check("energy_per_distance_MJ_km")
def _(row: Row) -> float:
    raise NotCoveredError("the row gives no figures of the aircraft to calibrate the energy model with")
