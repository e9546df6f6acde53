"""The energy that an aircraft needs: from the pilot's figures to power at any airspeed, density and climb.

Two constants are fitted to each aircraft: the drive's efficiency from its endurance, and (multirotors) the drag
area from its top speed and tilt. A missing figure is never guessed: `missing_figures` names it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.errors import WxflyError
from wxfly.physics import STANDARD_GRAVITY
from wxfly.physics.air.atmosphere import STANDARD_DENSITY
from wxfly.physics.aircraft import battery, power
from wxfly.pilot.aircraft import Aircraft, AircraftKind

Array = npt.NDArray[np.float64]

_ALWAYS = ("mass", "battery_energy", "top_speed", "climb_speed", "descent_speed")
_NEEDED = {
    AircraftKind.MULTIROTOR: (*_ALWAYS, "hover_endurance", "maximum_tilt", "rotor_diameter", "rotor_count"),
    AircraftKind.FIXED_WING: (
        *_ALWAYS, "cruise_speed", "cruise_endurance", "glide_ratio", "best_glide_speed", "stall_speed",
    ),
}  # fmt: skip

STALL_DISTANCE = 1.2
"""Ratio of the slowest airspeed of a fixed wing to its stall speed [1]; common practice, no source."""
_NO_LIMIT = 1e9


@dataclass(frozen=True)
class EnergyModel:
    """The fitted model of one aircraft with its load, in SI units.

    Attributes
    ----------
    kind : AircraftKind
        ``multirotor`` or ``fixed_wing``.
    weight : float
        Weight with payload [N].
    battery_energy, battery_cycles : float
        Rated energy of one pack [J], and number of its charges so far [1].
    resistance_capacity : float
        Resistance of a cell times its capacity [ohm Ah].
    electronics_power : float
        Power of everything but the motors [W].
    drive_efficiency : float
        Efficiency of the drives [1].
    top_speed : float
        Published top speed [m s-1].
    lowest_airspeed : float
        Slowest airspeed [m s-1]; 0 for a multirotor.
    climb_speed, descent_speed : float
        Vertical speeds [m s-1].
    area, drag_area, maximum_tilt, thrust_to_weight : float
        Multirotors: rotor area [m2], drag area [m2], tilt [degree], and ratio at sea level with this load [1].
    glide_ratio, best_glide_speed : float
        Fixed wing: ratio [1], and airspeed at this weight at sea level [m s-1].
    """

    kind: AircraftKind
    weight: float
    battery_energy: float
    battery_cycles: float
    resistance_capacity: float
    electronics_power: float
    drive_efficiency: float
    top_speed: float
    lowest_airspeed: float
    climb_speed: float
    descent_speed: float
    area: float = np.nan
    drag_area: float = np.nan
    maximum_tilt: float = np.nan
    thrust_to_weight: float = _NO_LIMIT
    glide_ratio: float = np.nan
    best_glide_speed: float = np.nan


def missing_figures(aircraft: Aircraft) -> tuple[str, ...]:
    """Return the missing figures without which the energy of an aircraft cannot be computed."""
    return tuple(key for key in _NEEDED[aircraft.kind] if getattr(aircraft, key) is None)


def energy_model(aircraft: Aircraft, *, payload: float = 0.0) -> EnergyModel:
    """Fit the model to an aircraft's figures.

    Parameters
    ----------
    aircraft : Aircraft
        The aircraft, with its figures of energy.
    payload : float, optional
        Mass carried beyond `aircraft.mass` [kg]; its drag is unknown and not counted.

    Raises
    ------
    WxflyError
        When a figure is missing, or figures contradict each other.
    """
    missing = missing_figures(aircraft)
    if missing:
        raise WxflyError(
            f"{aircraft.name} has no {', no '.join(missing)}; a sortie's energy needs it: "
            "put it into your aircraft.toml"
        )
    if payload < 0:
        raise WxflyError(f"a payload of {payload:g} kg is below zero; wanted 0 kg or more")
    figure = {key: float(getattr(aircraft, key)) for key in _NEEDED[aircraft.kind]}
    own_weight = figure["mass"] * STANDARD_GRAVITY
    weight = (figure["mass"] + payload) * STANDARD_GRAVITY
    electronics = aircraft.electronics_power or 0.0
    common: dict[str, Any] = {
        "kind": aircraft.kind,
        "weight": weight,
        "battery_energy": figure["battery_energy"],
        "battery_cycles": aircraft.battery_cycles or 0.0,
        "resistance_capacity": _resistance_capacity(aircraft),
        "electronics_power": electronics,
        "top_speed": figure["top_speed"],
        "climb_speed": figure["climb_speed"],
        "descent_speed": figure["descent_speed"],
    }
    endurance = figure["hover_endurance" if aircraft.kind is AircraftKind.MULTIROTOR else "cruise_endurance"]
    drive_power = figure["battery_energy"] / endurance - electronics
    if drive_power <= 0:
        raise WxflyError(
            f"{aircraft.name}: electronics_power alone empties the battery before the endurance given; "
            "is one of the figures in another unit?"
        )
    if aircraft.kind is AircraftKind.MULTIROTOR:
        model = _multirotor(aircraft, figure, own_weight, drive_power, common)
    else:
        model = _fixed_wing(figure, own_weight, drive_power, common)
    if not 0 < model.drive_efficiency <= 1:
        raise WxflyError(
            f"{aircraft.name}: mass, endurance and battery_energy imply a drive efficiency of "
            f"{model.drive_efficiency:.2f}; wanted 0 to 1: is one of them in another unit?"
        )
    return model


def _resistance_capacity(aircraft: Aircraft) -> float:
    if aircraft.battery_capacity is None or aircraft.battery_cell_resistance is None:
        return battery.RESISTANCE_CAPACITY
    return aircraft.battery_cell_resistance * aircraft.battery_capacity / 3600.0


def _multirotor(
    aircraft: Aircraft, figure: dict[str, float], own_weight: float, drive_power: float, common: dict[str, Any]
) -> EnergyModel:
    area = float(power.disc_area(figure["rotor_diameter"], figure["rotor_count"]))
    loaded = own_weight / common["weight"]
    return EnergyModel(
        **common,
        drive_efficiency=float(power.drive_efficiency_from_hover(drive_power, own_weight, area)),
        lowest_airspeed=0.0,
        area=area,
        drag_area=float(power.drag_area_from_top_speed(figure["top_speed"], own_weight, figure["maximum_tilt"])),
        maximum_tilt=figure["maximum_tilt"],
        thrust_to_weight=_NO_LIMIT if aircraft.thrust_to_weight is None else aircraft.thrust_to_weight * loaded,
    )


def _fixed_wing(figure: dict[str, float], own_weight: float, drive_power: float, common: dict[str, Any]) -> EnergyModel:
    polar = {"glide_ratio": figure["glide_ratio"], "best_glide_speed": figure["best_glide_speed"]}
    # At the same angle of attack, airspeed is proportional to the square root of the weight.
    faster = float(np.sqrt(common["weight"] / own_weight))
    return EnergyModel(
        **common,
        drive_efficiency=float(
            power.drive_efficiency_from_cruise(drive_power, own_weight, figure["cruise_speed"], **polar)
        ),
        lowest_airspeed=STALL_DISTANCE * figure["stall_speed"] * faster,
        glide_ratio=figure["glide_ratio"],
        best_glide_speed=figure["best_glide_speed"] * faster,
    )


def flight_power(
    model: EnergyModel, airspeed: npt.ArrayLike, air_density: npt.ArrayLike, climb_speed: npt.ArrayLike = 0.0
) -> Array:
    """Return the power drawn from the battery by drives and electronics.

    Parameters
    ----------
    model : EnergyModel
        From `energy_model`.
    airspeed : array_like
        Airspeed [m s-1]; 0 is hover.
    air_density : array_like
        Air density [kg m-3].
    climb_speed : array_like, optional
        Climb speed [m s-1]; a descent counts as level flight. All broadcast.

    Returns
    -------
    ndarray
        Power [W], with a standard deviation of about `wxfly.physics.aircraft.power.MODEL_DEVIATION`.
    """
    if model.kind is AircraftKind.MULTIROTOR:
        drives = power.flight_power(
            model.weight,
            model.area,
            model.drag_area,
            airspeed,
            air_density,
            drive_efficiency=model.drive_efficiency,
            climb_speed=climb_speed,
        )
    else:
        drives = power.cruise_power(
            model.weight,
            airspeed,
            air_density,
            glide_ratio=model.glide_ratio,
            best_glide_speed=model.best_glide_speed,
            drive_efficiency=model.drive_efficiency,
            climb_speed=climb_speed,
        )
    return np.asarray(drives + model.electronics_power)


def airspeed_range(model: EnergyModel, air_density: npt.ArrayLike) -> tuple[Array, Array]:
    """Return the slowest and the fastest airspeed in air of a density [m s-1].

    The fastest is never above the published one: in thin air the same tilt would allow more, but the flight controller
    may not.
    """
    rho = np.asarray(air_density, dtype=float)
    thinner = np.sqrt(STANDARD_DENSITY / rho)
    if model.kind is AircraftKind.FIXED_WING:
        return np.asarray(model.lowest_airspeed * thinner), np.where(np.isnan(rho), np.nan, model.top_speed)
    fastest = power.top_speed(
        model.weight,
        model.drag_area,
        model.maximum_tilt,
        rho,
        largest_thrust_to_weight=power.thrust_to_weight(model.thrust_to_weight, rho),
    )
    return np.zeros_like(rho), np.asarray(np.where(np.isnan(rho), np.nan, np.minimum(fastest, model.top_speed)))


def waiting_power(model: EnergyModel, wind_speed: npt.ArrayLike, air_density: npt.ArrayLike) -> Array:
    """Return the power of staying in place.

    Parameters
    ----------
    model : EnergyModel
        From `energy_model`.
    wind_speed : array_like
        Wind at the flight height [m s-1].
    air_density : array_like
        Air density [kg m-3]; broadcast.

    Returns
    -------
    ndarray
        Power [W]. A multirotor in place has an airspeed equal to the wind speed; its power counts as hover power at
        least, as the wind drops at times. A fixed wing circles at its airspeed of least power.
    """
    wind, rho = np.broadcast_arrays(np.asarray(wind_speed, float), np.asarray(air_density, float))
    if model.kind is AircraftKind.MULTIROTOR:
        return np.maximum(flight_power(model, wind, rho), flight_power(model, 0.0, rho))
    slowest, fastest = airspeed_range(model, rho)
    speeds = slowest[..., None] + (fastest - slowest)[..., None] * np.linspace(0.0, 1.0, 61)
    return np.asarray(flight_power(model, speeds, rho[..., None]).min(axis=-1) + 0.0 * wind)


def usable_energy(model: EnergyModel, start_temperature: npt.ArrayLike, air_temperature: npt.ArrayLike) -> Array:
    """Return the energy of one full pack at its temperature and age [J] (`battery.usable_energy`)."""
    return battery.usable_energy(model.battery_energy, start_temperature, air_temperature, cycles=model.battery_cycles)


def full_energy(model: EnergyModel) -> float:
    """Return the energy of a full pack of this age when warm [J]; the charge shown is a share of it."""
    return float(model.battery_energy * battery.aged_capacity(model.battery_cycles))


def largest_power(model: EnergyModel, charge: npt.ArrayLike, cell_temperature: npt.ArrayLike) -> Array:
    """Return the power that takes the pack to its cut-off [W], by charge left [1] and battery temperature [K]."""
    return battery.power_at_cut_off(
        model.battery_energy,
        charge,
        cell_temperature,
        resistance_capacity=model.resistance_capacity,
        cycles=model.battery_cycles,
    )
