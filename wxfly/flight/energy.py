"""What an aircraft takes to fly: from the figures a pilot has to power at any airspeed, density and climb.

Two constants are fitted to each aircraft: the drive's efficiency from its endurance, and (multirotors) the drag
area from its top speed and tilt. What is not given is not guessed: `missing_figures` names it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from wxfly.errors import WxflyError
from wxfly.physics.aircraft import battery, gliding, rotor
from wxfly.pilot.aircraft import Aircraft

Array = npt.NDArray[np.float64]

_ALWAYS = ("mass", "battery_energy", "top_speed", "climb_speed", "descent_speed")
_NEEDED = {
    "multirotor": (*_ALWAYS, "hover_endurance", "maximum_tilt", "rotor_diameter", "rotor_count"),
    "fixed_wing": (
        *_ALWAYS, "cruise_speed", "cruise_endurance", "glide_ratio", "best_glide_speed", "stall_speed",
    ),
}  # fmt: skip

STALL_DISTANCE = 1.2
"""Slowest flight of a fixed wing over its stall speed [1]; common practice, no source."""
_NO_LIMIT = 1e9


@dataclass(frozen=True)
class EnergyModel:
    """One aircraft with its load, calibrated; SI.

    Attributes
    ----------
    kind : str
        ``multirotor`` or ``fixed_wing``.
    weight : float
        With payload [N].
    battery_energy, battery_cycles : float
        Rated energy of one pack [J], and how often it has been charged [1].
    resistance_capacity : float
        Resistance of a cell times its capacity [ohm Ah].
    electronics_power : float
        [W]
    drive_efficiency : float
        [1]
    top_speed : float
        As published [m s-1].
    lowest_airspeed : float
        [m s-1]; 0 for a multirotor.
    climb_speed, descent_speed : float
        [m s-1]
    area, drag_area, maximum_tilt, thrust_to_weight : float
        Multirotors [m2, m2, degree, 1]; the last at sea level with this load.
    glide_ratio, best_glide_speed : float
        Fixed wing [1, m s-1]; the speed at this weight, at sea level.
    """

    kind: str
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
    """Name the figures without which nothing can be said of an aircraft's energy."""
    return tuple(key for key in _NEEDED[aircraft.kind] if getattr(aircraft, key) is None)


def energy_model(aircraft: Aircraft, *, payload: float = 0.0) -> EnergyModel:
    """Fit the model to an aircraft's figures.

    Parameters
    ----------
    aircraft : Aircraft
        With its figures of energy.
    payload : float, optional
        Mass carried beyond `aircraft.mass` [kg]; its drag is not known and not counted.

    Raises
    ------
    WxflyError
        When a figure is missing, or figures cannot go together.
    """
    missing = missing_figures(aircraft)
    if missing:
        raise WxflyError(
            f"{aircraft.name} has no {', no '.join(missing)}; a sortie's energy needs it: "
            "put it into your aircraft.toml"
        )
    if payload < 0:
        raise WxflyError(f"a payload of {payload:g} kg is below zero")
    figure = {key: float(getattr(aircraft, key)) for key in _NEEDED[aircraft.kind]}
    own_weight = figure["mass"] * rotor.STANDARD_GRAVITY
    weight = (figure["mass"] + payload) * rotor.STANDARD_GRAVITY
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
    endurance = figure["hover_endurance" if aircraft.kind == "multirotor" else "cruise_endurance"]
    drive_power = figure["battery_energy"] / endurance - electronics
    if drive_power <= 0:
        raise WxflyError(f"{aircraft.name}: electronics_power alone empties the battery before the endurance given")
    if aircraft.kind == "multirotor":
        model = _multirotor(aircraft, figure, own_weight, drive_power, common)
    else:
        model = _fixed_wing(figure, own_weight, drive_power, common)
    if not 0 < model.drive_efficiency <= 1:
        raise WxflyError(
            f"{aircraft.name}: mass, endurance and battery_energy ask for a drive efficiency of "
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
    area = float(rotor.disc_area(figure["rotor_diameter"], figure["rotor_count"]))
    loaded = own_weight / common["weight"]
    return EnergyModel(
        **common,
        drive_efficiency=float(rotor.drive_efficiency_from_hover(drive_power, own_weight, area)),
        lowest_airspeed=0.0,
        area=area,
        drag_area=float(rotor.drag_area_from_top_speed(figure["top_speed"], own_weight, figure["maximum_tilt"])),
        maximum_tilt=figure["maximum_tilt"],
        thrust_to_weight=_NO_LIMIT if aircraft.thrust_to_weight is None else aircraft.thrust_to_weight * loaded,
    )


def _fixed_wing(figure: dict[str, float], own_weight: float, drive_power: float, common: dict[str, Any]) -> EnergyModel:
    polar = {"glide_ratio": figure["glide_ratio"], "best_glide_speed": figure["best_glide_speed"]}
    # At the same angle of attack airspeed goes with the square root of the weight.
    faster = float(np.sqrt(common["weight"] / own_weight))
    return EnergyModel(
        **common,
        drive_efficiency=float(
            gliding.drive_efficiency_from_cruise(drive_power, own_weight, figure["cruise_speed"], **polar)
        ),
        lowest_airspeed=STALL_DISTANCE * figure["stall_speed"] * faster,
        glide_ratio=figure["glide_ratio"],
        best_glide_speed=figure["best_glide_speed"] * faster,
    )


def flight_power(
    model: EnergyModel, airspeed: npt.ArrayLike, air_density: npt.ArrayLike, climb_speed: npt.ArrayLike = 0.0
) -> Array:
    """Return the power drawn from the battery, drives and electronics.

    Parameters
    ----------
    model : EnergyModel
        From `energy_model`.
    airspeed : array_like
        [m s-1]; 0 is hover.
    air_density : array_like
        [kg m-3]
    climb_speed : array_like, optional
        [m s-1]; a descent takes as much as level flight. All broadcast.

    Returns
    -------
    ndarray
        [W], with a standard deviation of about `wxfly.physics.aircraft.rotor.MODEL_DEVIATION`.
    """
    if model.kind == "multirotor":
        drives = rotor.flight_power(
            model.weight,
            model.area,
            model.drag_area,
            airspeed,
            air_density,
            drive_efficiency=model.drive_efficiency,
            climb_speed=climb_speed,
        )
    else:
        drives = gliding.cruise_power(
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

    The fastest is never above what is published: in thin air a tilt would hold more, but a controller may not.
    """
    rho = np.asarray(air_density, dtype=float)
    thinner = np.sqrt(rotor.STANDARD_DENSITY / rho)
    if model.kind == "fixed_wing":
        return np.asarray(model.lowest_airspeed * thinner), np.where(np.isnan(rho), np.nan, model.top_speed)
    fastest = rotor.top_speed(
        model.weight,
        model.drag_area,
        model.maximum_tilt,
        rho,
        largest_thrust_to_weight=rotor.thrust_to_weight(model.thrust_to_weight, rho),
    )
    return np.zeros_like(rho), np.asarray(np.where(np.isnan(rho), np.nan, np.minimum(fastest, model.top_speed)))


def waiting_power(model: EnergyModel, wind_speed: npt.ArrayLike, air_density: npt.ArrayLike) -> Array:
    """Return the power of staying where one is.

    Parameters
    ----------
    model : EnergyModel
        From `energy_model`.
    wind_speed : array_like
        At the height [m s-1].
    air_density : array_like
        [kg m-3]; broadcast.

    Returns
    -------
    ndarray
        [W]. A multirotor that holds its place flies through the air at the speed of the wind; hover power is the
        least that is counted, as the wind drops now and then. A fixed wing circles at its airspeed of least power.
    """
    wind, rho = np.broadcast_arrays(np.asarray(wind_speed, float), np.asarray(air_density, float))
    if model.kind == "multirotor":
        return np.maximum(flight_power(model, wind, rho), flight_power(model, 0.0, rho))
    slowest, fastest = airspeed_range(model, rho)
    speeds = slowest[..., None] + (fastest - slowest)[..., None] * np.linspace(0.0, 1.0, 61)
    return np.asarray(flight_power(model, speeds, rho[..., None]).min(axis=-1) + 0.0 * wind)


def endurance(
    model: EnergyModel,
    energy: npt.ArrayLike,
    air_density: npt.ArrayLike,
    wind_speed: npt.ArrayLike = 0.0,
) -> Array:
    """Return how long an energy [J] keeps the aircraft in place [s]; other arguments of `waiting_power`."""
    return np.asarray(np.asarray(energy, dtype=float) / waiting_power(model, wind_speed, air_density))


def usable_energy(model: EnergyModel, start_temperature: npt.ArrayLike, air_temperature: npt.ArrayLike) -> Array:
    """Return the energy that one full pack gives in the cold and at its age [J] (`battery.usable_energy`)."""
    return battery.usable_energy(model.battery_energy, start_temperature, air_temperature, cycles=model.battery_cycles)


def full_energy(model: EnergyModel) -> float:
    """Return what a full pack of this age holds when warm [J]; the charge shown is a share of it."""
    return float(model.battery_energy * battery.aged_capacity(model.battery_cycles))


def largest_power(model: EnergyModel, charge: npt.ArrayLike, cell_temperature: npt.ArrayLike) -> Array:
    """Return the power that pulls the pack down to its cut-off [W], by charge left [1] and cell temperature [K]."""
    return battery.power_at_cut_off(
        model.battery_energy,
        charge,
        cell_temperature,
        resistance_capacity=model.resistance_capacity,
        cycles=model.battery_cycles,
    )
