"""Aircraft: operating limits by class, from the shipped table and the pilot's own file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from pathlib import Path
from typing import Any

from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.own_files import OwnTable, parse_toml, shipped_and_own
from wxfly.units import parse_quantity


class AircraftKind(StrEnum):
    """How an aircraft stays up."""

    MULTIROTOR = "multirotor"
    FIXED_WING = "fixed_wing"


DEFAULT = "camera-quad-250g"


@dataclass(frozen=True)
class Figure:
    """How one figure is read and listed.

    Attributes
    ----------
    quantity : str
        The quantity that its unit must measure.
    shown : str
        The unit in which it is listed, or the quantity of `wxfly.units.SYSTEMS` that gives it.
    is_needed, may_be_zero : bool
        Whether every aircraft has it, and whether it may be zero.
    """

    quantity: str
    shown: str
    is_needed: bool = False
    may_be_zero: bool = False


def _figure(
    quantity: str, shown: str, *, default: float | None = None, is_needed: bool = False, may_be_zero: bool = False
) -> Any:
    row = {"figure": Figure(quantity, shown, is_needed, may_be_zero)}
    return field(metadata=row) if is_needed else field(default=default, metadata=row)


@dataclass(frozen=True, kw_only=True)
class Aircraft:
    """The operating limits and figures of an aircraft, as its maker states them.

    All figures are in SI units. None means that the pilot has not given the figure: an element that needs it is then
    not judged, and the answer reports that.

    Attributes
    ----------
    name, title : str
        Short name, and title for people.
    kind : AircraftKind
        How it stays up.
    maximum_wind, maximum_gust : float
        Largest mean wind and largest gust at flight height [m s-1].
    minimum_temperature, maximum_temperature : float
        Range of air temperature [K].
    maximum_takeoff_altitude : float or None
        Largest take-off altitude [m], read as density altitude in the standard atmosphere.
    maximum_precipitation : float
        Largest rate of precipitation [mm h-1].
    mass : float or None
        Take-off mass [kg].
    characteristic_dimension : float or None
        Largest visible dimension [m]: motor to motor, or span.
    maximum_wind_difference : float
        Largest difference of wind over 30 m of height [m s-1].
    maximum_gust_at_launch : float or None
        Largest gust 2 m above ground for launching and landing [m s-1].
    battery_energy : float or None
        Energy printed on the pack [J].
    battery_capacity, battery_cell_resistance : float or None
        Capacity printed on the pack [C]; resistance of one of its cells at 25 degC [ohm]. Both are for one pack where
        several share the load.
    battery_cycles : float or None
        Number of charges of the pack so far [1].
    top_speed : float or None
        Airspeed in level flight [m s-1].
    climb_speed, descent_speed : float or None
        Speeds as flown [m s-1].
    electronics_power : float or None
        Power of everything but the motors: camera, radio, computer [W].
    hover_endurance : float or None
        Multirotors: hover time without wind until the pack is empty, at sea level [s].
    maximum_tilt : float or None
        Multirotors: tilt at top speed [degree].
    rotor_diameter, rotor_count : float or None
        Multirotors: diameter of one rotor [m] and number of rotors [1].
    thrust_to_weight : float or None
        Multirotors: largest thrust divided by weight at sea level [1].
    cruise_speed, cruise_endurance : float or None
        Fixed wing: an airspeed [m s-1] and the time until the pack is empty at it [s].
    glide_ratio, best_glide_speed, stall_speed : float or None
        Fixed wing: best lift over drag [1], its airspeed and the stall speed, at sea level [m s-1].
    sources : mapping
        The source of each figure.
    """

    name: str
    title: str
    kind: AircraftKind
    maximum_wind: float = _figure("speed", "wind", is_needed=True)
    maximum_gust: float = _figure("speed", "wind", is_needed=True)
    maximum_wind_difference: float = _figure("speed", "wind", default=4.1)
    minimum_temperature: float = _figure("temperature", "temperature", is_needed=True)
    maximum_temperature: float = _figure("temperature", "temperature", is_needed=True)
    maximum_takeoff_altitude: float | None = _figure("length", "height")
    maximum_precipitation: float = _figure("precipitation", "precipitation", is_needed=True, may_be_zero=True)
    maximum_gust_at_launch: float | None = _figure("speed", "wind")
    mass: float | None = _figure("mass", "kg")
    characteristic_dimension: float | None = _figure("length", "m")
    battery_energy: float | None = _figure("energy", "Wh")
    battery_capacity: float | None = _figure("charge", "mAh")
    battery_cell_resistance: float | None = _figure("resistance", "mohm")
    battery_cycles: float | None = _figure("number", "1", may_be_zero=True)
    hover_endurance: float | None = _figure("time", "min")
    cruise_endurance: float | None = _figure("time", "min")
    top_speed: float | None = _figure("speed", "wind")
    climb_speed: float | None = _figure("speed", "wind")
    descent_speed: float | None = _figure("speed", "wind")
    cruise_speed: float | None = _figure("speed", "wind")
    best_glide_speed: float | None = _figure("speed", "wind")
    stall_speed: float | None = _figure("speed", "wind")
    electronics_power: float | None = _figure("power", "W", may_be_zero=True)
    maximum_tilt: float | None = _figure("angle", "degree")
    rotor_diameter: float | None = _figure("length", "m")
    rotor_count: float | None = _figure("number", "1")
    thrust_to_weight: float | None = _figure("number", "1")
    glide_ratio: float | None = _figure("number", "1")
    sources: Mapping[str, str] = field(default_factory=dict, compare=False)


FIGURES: dict[str, Figure] = {f.name: f.metadata["figure"] for f in fields(Aircraft) if f.metadata}
_WORDS = ("title", "kind")
ENERGY_FIGURES = tuple(list(FIGURES)[list(FIGURES).index("battery_energy") :])
"""The keys that only a sortie needs."""

# 8 kt per 100 ft is the top of "moderate" in the wind-shear intensity classes of the Fifth Air Navigation
# Conference (ICAO Doc 9817; value from memory).
_WIND_DIFFERENCE_SOURCE = "top of moderate wind shear, 8 kt per 100 ft (ICAO Doc 9817, value from memory)"


def load_aircraft(own_file: Path | None = None) -> OwnTable[Aircraft]:
    """Return every known aircraft by name: the shipped classes, replaced or extended by the pilot's own.

    Parameters
    ----------
    own_file : Path, optional
        The pilot's file; an absent file adds nothing, and an entry that cannot be read is set aside.
    """
    return shipped_and_own("aircraft.toml", own_file, _parse_one)


def find_aircraft(name: str, own_file: Path | None = None) -> Aircraft:
    """Return the aircraft of this name, or say which is nearest."""
    return load_aircraft(own_file).find(name, "aircraft")


def parse_aircraft(text: str, place: str) -> dict[str, Aircraft]:
    """Read aircraft from TOML text; `place` names the file in errors."""
    return {name: _parse_one(name, entry, place) for name, entry in parse_toml(text, place).items()}


def _parse_one(name: str, entry: Any, place: str) -> Aircraft:
    where = f"{place}: [{name}]"
    if not isinstance(entry, dict):
        raise WxflyError(f'{where} must be a table of keys such as maximum_gust = "10 m/s"')
    values: dict[str, Any] = {}
    sources: dict[str, str] = {"maximum_wind_difference": _WIND_DIFFERENCE_SOURCE}
    for key, given in entry.items():
        if key in _WORDS:
            values[key] = _word(where, key, given)
        elif key in FIGURES:
            values[key], sources[key] = _read_figure(where, key, given)
        else:
            raise unknown_name(f"{where} key", key, [*_WORDS, *FIGURES])
    needed = (*_WORDS, *(key for key, figure in FIGURES.items() if figure.is_needed))
    missing = [key for key in needed if key not in values]
    if missing:
        raise WxflyError(f"{where} has no {', no '.join(missing)}; the maker's manual gives it")
    if values["kind"] not in tuple(AircraftKind):
        raise unknown_name(f"{where} kind", values["kind"], tuple(AircraftKind))
    values["kind"] = AircraftKind(values["kind"])
    aircraft = Aircraft(name=name, sources=sources, **values)
    if aircraft.maximum_wind > aircraft.maximum_gust:
        raise WxflyError(f"{where} maximum_wind is above maximum_gust; are the two swapped?")
    if aircraft.minimum_temperature >= aircraft.maximum_temperature:
        raise WxflyError(f"{where} minimum_temperature is not below maximum_temperature; are the two swapped?")
    return aircraft


def _word(where: str, key: str, given: Any) -> str:
    if not isinstance(given, str):
        raise WxflyError(f"{where} {key} = {given!r} must be a text in quotes")
    return given


def _read_figure(where: str, key: str, given: Any) -> tuple[float, str]:
    row, source = FIGURES[key], "the pilot's own file"
    if isinstance(given, dict):
        unknown = [k for k in given if k not in ("value", "source")]
        if unknown:
            raise unknown_name(f"{where} {key} key", unknown[0], ("value", "source"))
        source = str(given.get("source", source))
        given = given.get("value")
    if not isinstance(given, str):
        raise WxflyError(f'{where} {key} = {given!r} must be a text with its unit, such as "10 m/s"')
    try:
        # A count has no unit. Every other figure must state its unit, so that none is read in a wrong one.
        value = parse_quantity(given, row.quantity, default_unit="1" if row.quantity == "number" else "")
    except WxflyError as fault:
        raise WxflyError(f"{where} {key}: {fault}") from None
    if row.quantity != "temperature" and value <= 0 and not row.may_be_zero:
        raise WxflyError(f"{where} {key} = {given!r} must be above zero")
    if value < 0:
        raise WxflyError(f"{where} {key} = {given!r} must not be below zero")
    return value, source
