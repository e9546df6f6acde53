"""The invented model: hourly weather at one place from a table of the large-scale weather above it.

The table says what the large-scale weather does (pressure, wind above the lowest layer, air mass, cloud, rain);
everything a pilot feels near the ground follows from it by plain physics, so that the variables agree with each
other: the sun warms the ground and the ground the air, the night cools it, wind mixes or decouples, moist air
that cools to its dew point makes fog, the gust follows the turbulence. The constants are tuned to give weather
that looks right; they are no forecast model and nothing here is used to judge a flight.

Similarity functions: Businger-Dyer as in Stull, Practical Meteorology, and the gust of the ECMWF documentation
(Part IV, section 3.9: mean wind plus 7.71 times the friction velocity). Vapour pressure: Magnus formula over
water, WMO-No. 8.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

HEIGHTS = np.array([10.0, 80.0, 120.0, 180.0])
ZERO_CELSIUS = 273.15
KARMAN = 0.4
GRAVITY = 9.80665
DRY_AIR = 287.05
HEAT_OF_AIR = 1200.0  # density times heat capacity near sea level [J m-3 K-1]

# What a real service rounds to, in the unit of the cube.
DECIMALS = {
    "wind_speed": 2, "wind_from_direction": 0, "wind_speed_of_gust": 2, "air_temperature": 2,
    "air_temperature_aloft": 2, "dew_point_temperature": 2, "relative_humidity": 2, "surface_air_pressure": -1,
    "air_pressure_at_mean_sea_level": -1, "precipitation_amount": 1, "precipitation_probability": 2,
    "weather_code": 0, "cloud_area_fraction": 2, "low_type_cloud_area_fraction": 2,
    "medium_type_cloud_area_fraction": 2, "high_type_cloud_area_fraction": 2, "cloud_base_altitude": -1,
    "freezing_level_altitude": -1, "visibility_in_air": -1,
    "atmosphere_convective_available_potential_energy": -1, "lifted_index": 1,
    "atmosphere_boundary_layer_thickness": -1, "surface_roughness_length": 4, "kp_index": 2,
}  # fmt: skip


@dataclass(frozen=True)
class Ground:
    """What the place itself does to the weather.

    Attributes
    ----------
    latitude, longitude, surface_altitude : float
        [degree], [degree], [m]
    roughness_length : float
        Of the invented model's surface [m].
    drag : float
        Friction velocity over the wind aloft, neutral.
    heating : float
        Share of the absorbed sunshine that warms the air.
    tie : float
        How fast the air takes on the temperature of the air mass [h-1]; large by the sea.
    cooling : float
        Loss of a clear night [W m-2].
    local_wind : float
        Strength of the breeze of the place at full sunshine [m s-1].
    breeze_from, drainage_from : float
        Where the breeze of the day and the drainage of the night come from [degree].
    """

    latitude: float
    longitude: float
    surface_altitude: float
    roughness_length: float
    drag: float
    heating: float
    tie: float
    cooling: float
    local_wind: float
    breeze_from: float
    drainage_from: float


@dataclass(frozen=True)
class Rain:
    """One spell of precipitation.

    Attributes
    ----------
    start, end : float
        Hours from the run.
    amount : float
        Largest hourly amount [mm].
    kind : str
        One of `KINDS`, or ``fog`` for hours in which moist air may fill with fog; the amount is then 0.
    """

    start: float
    end: float
    amount: float
    kind: str


def saturation_vapour_pressure(celsius: Array) -> Array:
    """Return the saturation vapour pressure over water [hPa] (Magnus, WMO-No. 8)."""
    return 6.112 * np.exp(17.62 * celsius / (243.12 + celsius))


def dew_point_over_dew_or_frost(celsius: float) -> float:
    """Return the dew point [degC] to which a cold ground dries the air above it: dew, or frost below 0 degC."""
    if celsius > 0:
        return celsius - 0.5
    over_ice = 0.98 * 6.112 * np.exp(22.46 * celsius / (272.62 + celsius))
    ratio = np.log(over_ice / 6.112)
    return float(min(243.12 * ratio / (17.62 - ratio), celsius - 0.5))


def sine_of_sun(times: npt.NDArray[np.datetime64], latitude: float, longitude: float) -> Array:
    """Return the sine of the sun's elevation, to about half a degree."""
    start_of_year = times.astype("datetime64[Y]").astype(times.dtype)
    day = (times - start_of_year) / np.timedelta64(1, "D")
    angle = 2 * np.pi * (day - 81) / 365.25
    declination = np.radians(23.44) * np.sin(angle)
    equation = (9.87 * np.sin(2 * angle) - 7.53 * np.cos(angle) - 1.5 * np.sin(angle)) / 60
    hour_angle = np.radians(15 * ((day % 1) * 24 + longitude / 15 + equation - 12))
    phi = np.radians(latitude)
    return np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(hour_angle)


def smooth(values: Array, hours: float) -> Array:
    """Smooth along time with a bell of this width, the ends held."""
    reach = int(4 * hours) + 1
    bell = np.exp(-0.5 * (np.arange(-reach, reach + 1) / hours) ** 2)
    return np.convolve(np.pad(values, reach, mode="edge"), bell / bell.sum(), mode="valid")


def wander(random: np.random.Generator, count: int, memory: float) -> Array:
    """Return noise of variance 1 that remembers itself for about so many hours."""
    keep = np.exp(-1 / memory)
    shock = random.standard_normal(count) * np.sqrt(1 - keep**2)
    values = np.zeros(count)
    values[0] = random.standard_normal()
    for hour in range(1, count):
        values[hour] = keep * values[hour - 1] + shock[hour]
    return values


def _large_scale(table: Array, count: int, random: np.random.Generator) -> dict[str, Array]:
    """Spread the rows of the table over the hours; columns as in scenarios.py."""
    hours = np.arange(count, dtype=float)
    column = {name: np.interp(hours, table[:, 0], table[:, i]) for i, name in enumerate(COLUMNS)}
    angle = np.radians(table[:, COLUMNS.index("wind_from")])
    wind = table[:, COLUMNS.index("wind")]
    eastward = np.interp(hours, table[:, 0], -wind * np.sin(angle))
    northward = np.interp(hours, table[:, 0], -wind * np.cos(angle))
    liveliness = 1 + 0.06 * wander(random, count, 6)
    return {
        "pressure": smooth(column["pressure"], 2.5) + 0.15 * wander(random, count, 8),
        "eastward": smooth(eastward, 1.0) * liveliness,
        "northward": smooth(northward, 1.0) * liveliness,
        "temperature": smooth(column["temperature"], 2.0) + 0.25 * wander(random, count, 5),
        "dew_point": smooth(column["dew_point"], 2.0) + 0.25 * wander(random, count, 5),
        "low": np.clip(smooth(column["low"], 0.8) + 0.05 * wander(random, count, 2) * (column["low"] > 5), 0, 100),
        "mid": np.clip(smooth(column["mid"], 1.0) + 5 * wander(random, count, 2) * (column["mid"] > 5), 0, 100),
        "high": np.clip(smooth(column["high"], 1.5) + 8 * wander(random, count, 3) * (column["high"] > 5), 0, 100),
        "stratus": column["stratus"],
        "cape": column["cape"],
    }


COLUMNS = (
    "hour", "pressure", "wind", "wind_from", "temperature", "dew_point", "low", "mid", "high", "stratus", "cape",
)  # fmt: skip


def make_weather(
    times: npt.NDArray[np.datetime64],
    ground: Ground,
    table: Array,
    spells: tuple[Rain, ...],
    random: np.random.Generator,
) -> dict[str, Array]:
    """Make the hourly weather of one place.

    Parameters
    ----------
    times : ndarray of datetime64
        Hourly, UTC.
    ground : Ground
        The place.
    table : ndarray
        Rows of the large-scale weather; columns `COLUMNS`: hours from the run, mean-sea-level pressure [hPa],
        speed [m s-1] and direction [degree] of the wind above 180 m, temperature and dew point of the air mass
        at the ground [degC], low, middle and high cloud [%], base of the low cloud above ground [m], and the
        largest CAPE of the afternoon [J kg-1].
    spells : tuple of Rain
        Precipitation.
    random : numpy.random.Generator
        Seeded by the caller.

    Returns
    -------
    dict
        Variables of the forecast contract in its units, rounded; axes (time,) or (time, height).
    """
    count = times.size
    large = _large_scale(table, count, random)
    rain = _rain(spells, count, random)
    sun = np.clip(sine_of_sun(times, ground.latitude, ground.longitude), 0, None)
    near = _near_ground(large, rain, _foggy_hours(spells, count), sun, ground, count)
    weather = _wind(large, rain, near, ground, random, count)
    weather |= _air(large, near, ground)
    weather |= _sky(large, rain, near, weather, sun, ground, random, count)
    weather["surface_roughness_length"] = np.full(count, ground.roughness_length)
    return {name: np.round(values, DECIMALS[name]) + 0.0 for name, values in weather.items()}


def _rain(spells: tuple[Rain, ...], count: int, random: np.random.Generator) -> dict[str, Array]:
    """Return the amount of each hour [mm], the kind as index of `KINDS`, and the chance of rain."""
    hours = np.arange(count, dtype=float)
    amount, kind, chance = np.zeros(count), np.full(count, -1), np.full(count, 0.02)
    for spell in (s for s in spells if s.kind != "fog"):
        middle, half = (spell.start + spell.end) / 2, (spell.end - spell.start) / 2
        scattered = spell.kind in ("showers", "thunder")
        shape = np.clip(1 - ((hours - 0.5 - middle) / half) ** 2, 0, None) ** 0.5
        lumps = np.exp(0.35 * wander(random, count, 2))
        here = spell.amount * shape * np.clip(lumps, 0.3, 1.6)
        if scattered and spell.end - spell.start > 4:
            here = np.where(random.random(count) < 0.45, here, 0.0)
        here = np.where(here < 0.05, 0.0, here)
        kind = np.where(here > amount, KINDS.index(spell.kind), kind)
        amount = np.maximum(amount, here)
        spread = 2.0 + 0.03 * spell.start  # the hour of it is less sure the further ahead it lies
        distance = np.clip(np.abs(hours - 0.5 - middle) - half, 0, None)
        sureness = np.clip(0.95 - 0.0013 * spell.start, 0.4, 1) * (0.55 if scattered else 1.0)
        chance = np.maximum(chance, sureness * np.exp(-((distance / spread) ** 2)))
    amount = np.round(amount, 1)
    kind = np.where(amount > 0, kind, -1)
    chance = np.clip(chance + 0.02 * wander(random, count, 4), 0, 0.97)
    chance = np.where(amount > 0, np.maximum(chance, 0.35), chance)
    return {"amount": amount, "kind": kind.astype(float), "chance": chance}


def _foggy_hours(spells: tuple[Rain, ...], count: int) -> npt.NDArray[np.bool_]:
    hours = np.arange(count)
    allowed = [(hours >= s.start) & (hours <= s.end) for s in spells if s.kind == "fog"]
    return np.any(allowed, axis=0) if allowed else np.zeros(count, dtype=bool)


KINDS = ("drizzle", "rain", "showers", "snow", "thunder", "freezing")


def _near_ground(
    large: dict[str, Array], rain: dict[str, Array], foggy_hours: npt.NDArray[np.bool_], sun: Array,
    ground: Ground, count: int,
) -> dict[str, Array]:  # fmt: skip
    """Step through the hours: heating, temperature, decoupling, fog and dew, boundary layer."""
    names = ("anomaly", "stable", "heat", "fog", "thickness", "friction", "breeze", "drying")
    out = {n: np.zeros(count) for n in names}
    aloft = np.hypot(large["eastward"], large["northward"])
    anomaly, stable, fog, warmed, breeze, drying = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for hour in range(count):
        low, mid, high = (large[n][hour] / 100 for n in ("low", "mid", "high"))
        through = (1 - 0.72 * low) * (1 - 0.5 * mid) * (1 - 0.15 * high) * (1 - 0.5 * fog)
        sky_loss = (1 - 0.85 * max(low, 0.85 * mid, 0.3 * high)) * (1 - 0.6 * fog)
        # A ground that is cold already loses less, and water that condenses on it gives its heat back.
        sky_loss *= float(np.clip(1 + 0.045 * anomaly, 0.25, 1))
        sky_loss *= 0.75 if large["temperature"][hour] + anomaly < large["dew_point"][hour] else 1.0
        thin = 1 + 0.03 * ground.surface_altitude / 1000
        heat = ground.heating * 900 * thin * sun[hour] ** 1.15 * through - ground.cooling * sky_loss
        heat -= 25.0 * (rain["amount"][hour] > 0) * (heat > 0)
        friction = ground.drag * aloft[hour] * (1 - 0.85 * stable) * (1.12 if heat > 30 else 1.0)
        friction = max(friction, 0.03)
        if heat > 0:
            depth = 230 + 0.32 * out["thickness"][hour - 1]
            warmed = warmed + heat * 3600
        else:
            depth = 75 + 22 * aloft[hour] * (1 - 0.8 * stable)
            warmed = warmed * 0.55
        anomaly += heat * 3600 / (HEAT_OF_AIR * depth) - (ground.tie + 0.003 * aloft[hour]) * anomaly
        spread = large["temperature"][hour] + anomaly - large["dew_point"][hour]
        if heat > 0:
            stable = max(0.0, min(stable, 1.0) * 0.55 - (0.15 if anomaly > 0 else 0.0))
        else:
            goal = float(np.clip((-anomaly - 0.4) / 3.0, 0, 1))
            stable = 0.6 * stable + 0.4 * goal
        foggy = spread < 0.4 and friction < 0.2 and rain["amount"][hour] == 0 and bool(foggy_hours[hour])
        fog = min(1.0, fog + 0.35) if foggy else max(0.0, fog - 0.45)
        fog = 0.0 if spread > 0.8 or rain["amount"][hour] > 0 else fog
        # Without fog or rain the dew, or the frost, takes the water out of the air that cools.
        drying *= 0.55 if heat > 0 else 0.92
        if rain["amount"][hour] == 0 and not foggy_hours[hour] and large["stratus"][hour] > 150:
            now = large["temperature"][hour] + anomaly
            drying = max(drying, large["dew_point"][hour] - dew_point_over_dew_or_frost(now))
        mechanical = 90 + 900 * friction * (1 - 0.4 * stable)
        convective = np.sqrt(2 * warmed / (HEAT_OF_AIR * 0.0045)) if heat > 0 else 0.0
        goal_breeze = float(np.clip(heat / 220, -0.25, 1))
        breeze = 0.6 * breeze + 0.4 * goal_breeze
        for name, value in (
            ("anomaly", anomaly), ("stable", stable), ("heat", heat), ("fog", fog),
            ("thickness", max(mechanical, convective)), ("friction", friction), ("breeze", breeze),
            ("drying", drying),
        ):  # fmt: skip
            out[name][hour] = value
    return out


def _wind(
    large: dict[str, Array], rain: dict[str, Array], near: dict[str, Array], ground: Ground,
    random: np.random.Generator, count: int,
) -> dict[str, Array]:  # fmt: skip
    """Return wind and direction at the heights, and the gust at 10 m."""
    aloft = np.hypot(large["eastward"], large["northward"])
    towards = np.degrees(np.arctan2(-large["eastward"], -large["northward"]))
    friction, stable = near["friction"], near["stable"]
    kelvin = large["temperature"] + near["anomaly"] + ZERO_CELSIUS
    inverse_length = -KARMAN * GRAVITY * near["heat"] / (HEAT_OF_AIR * kelvin * friction**3)
    inverse_length = np.clip(inverse_length, -0.1, 0.0)
    z = HEIGHTS[None, :]
    profile = np.log(z / ground.roughness_length) - _psi(z * inverse_length[:, None])
    layer = friction[:, None] / KARMAN * profile
    # A decoupled night: the air above no longer feels the ground and runs ahead of the large-scale wind.
    top = aloft * (0.93 + 0.14 * stable)
    rise = 1 - np.exp(-((z / 90.0) ** 1.4))
    rest = np.clip(top - layer[:, -1], 0, None) * np.clip(1.15 * stable, 0, 1)
    speed = layer + rest[:, None] * rise / rise[:, -1]
    speed = np.minimum(speed, 1.15 * aloft[:, None] + 0.3)
    turn = (9 + 18 * stable + (6 if ground.roughness_length > 0.02 else 0))[:, None] * np.exp(-z / 150)
    direction = towards[:, None] - turn
    eastward, northward = -speed * np.sin(np.radians(direction)), -speed * np.cos(np.radians(direction))
    strength = ground.local_wind * near["breeze"] * np.exp(-((aloft / 11) ** 2))
    came_from = np.radians(np.where(strength >= 0, ground.breeze_from, ground.drainage_from))
    by_height = np.where(strength[:, None] >= 0, 1 - 0.25 * np.exp(-z / 25), np.exp(-z / 70))
    local = np.abs(strength)[:, None] * by_height
    restless = 0.25 + 0.02 * aloft
    eastward = eastward - local * np.sin(came_from)[:, None] + (restless * wander(random, count, 3))[:, None]
    northward = northward - local * np.cos(came_from)[:, None] + (restless * wander(random, count, 3))[:, None]
    speed = np.hypot(eastward, northward)
    direction = np.round(np.degrees(np.arctan2(-eastward, -northward)) % 360)
    unstable = (1 + (0.5 / 12) * 1000 * np.abs(inverse_length)) ** (1 / 3)
    own_friction = np.maximum(friction, KARMAN * speed[:, 0] / np.log(10 / ground.roughness_length) * 0.85)
    flurry = 7.71 * own_friction * np.minimum(unstable, 1.55) * (1 + 0.06 * wander(random, count, 2))
    burst = np.select(
        [rain["kind"] == KINDS.index("thunder"), rain["kind"] == KINDS.index("showers")],
        [9 + 1.5 * np.sqrt(rain["amount"]), 1.2 + 0.8 * np.sqrt(rain["amount"])], 0.0,
    )  # fmt: skip
    moment = speed[:, 0] + flurry
    gust = np.maximum(moment, np.concatenate((moment[:1], moment[:-1]))) + burst
    return {
        "wind_speed": speed,
        "wind_from_direction": np.where(direction == 0, 360.0, direction),
        "wind_speed_of_gust": np.maximum(gust, speed[:, 0] + 0.3),
    }


def _psi(ratio: Array) -> Array:
    x = (1 - 16 * np.minimum(ratio, 0)) ** 0.25
    return np.asarray(2 * np.log((1 + x) / 2) + np.log((1 + x**2) / 2) - 2 * np.arctan(x) + np.pi / 2)


def _air(large: dict[str, Array], near: dict[str, Array], ground: Ground) -> dict[str, Array]:
    """Return temperature, humidity and pressure."""
    celsius = np.round(large["temperature"] + near["anomaly"], 1)
    dew_point = np.minimum(large["dew_point"] - near["drying"], celsius - 0.1)
    dew_point = np.round(np.where(near["fog"] > 0.3, celsius, dew_point), 1)
    humidity = saturation_vapour_pressure(dew_point) / saturation_vapour_pressure(celsius)
    z = HEIGHTS[None, :]
    anomaly = near["anomaly"][:, None]
    mixed = celsius[:, None] - 0.0098 * z - 0.08 * np.clip(anomaly, 0, 6) * (1 - np.exp(-z / 15))
    rested = celsius[:, None] - anomaly * (1 - np.exp(-z / 75)) - 0.0065 * z
    aloft = np.where(anomaly > 0, mixed, rested)
    # The pressure at the ground knows no day and night; a service's reduction to sea level, by the temperature of
    # the hour and the standard lapse rate, does, and so does ours.
    column = smooth(celsius, 8.0) + ZERO_CELSIUS + 0.00325 * ground.surface_altitude
    at_ground = large["pressure"] * 100 * np.exp(-GRAVITY * ground.surface_altitude / (DRY_AIR * column))
    at_ground = np.round(at_ground, -1)
    fall = 0.0065 * ground.surface_altitude
    at_sea = at_ground * (1 + fall / (celsius + ZERO_CELSIUS)) ** (GRAVITY / (DRY_AIR * 0.0065))
    freezing = large["temperature"] + np.clip(near["anomaly"], 0, None) * 0.5
    return {
        "air_temperature": celsius + ZERO_CELSIUS,
        "dew_point_temperature": dew_point + ZERO_CELSIUS,
        "relative_humidity": humidity,
        "air_temperature_aloft": np.round(aloft, 1) + ZERO_CELSIUS,
        "surface_air_pressure": at_ground,
        "air_pressure_at_mean_sea_level": at_sea,
        "freezing_level_altitude": ground.surface_altitude + np.clip(freezing, 0, None) / 0.0065,
    }


def _sky(
    large: dict[str, Array], rain: dict[str, Array], near: dict[str, Array], weather: dict[str, Array],
    sun: Array, ground: Ground, random: np.random.Generator, count: int,
) -> dict[str, Array]:  # fmt: skip
    """Return cloud, visibility, the weather code, instability and the boundary layer."""
    celsius = weather["air_temperature"] - ZERO_CELSIUS
    spread = celsius - (weather["dew_point_temperature"] - ZERO_CELSIUS)
    fog = near["fog"]
    condensation = 125 * spread
    convective = (near["heat"] > 20) & (near["thickness"] > 500)
    cumulus = np.clip((near["thickness"] - condensation) / 900, 0, 0.45) * convective
    low = np.maximum(large["low"] / 100, cumulus)
    low = np.where(rain["amount"] > 0, np.maximum(low, 0.55), low)
    low = np.where(fog > 0.3, 1.0, low)
    low, mid, high = (np.round(np.clip(v, 0, 1), 2) for v in (low, large["mid"] / 100, large["high"] / 100))
    low, mid, high = (np.where(v < 0.05, 0.0, v) for v in (low, mid, high))
    total = np.round(1 - (1 - low) * (1 - mid) * (1 - high), 2)
    layer = np.where(cumulus > large["low"] / 100, np.maximum(condensation, 150), large["stratus"])
    layer = np.where(rain["amount"] > 0, np.minimum(layer, np.maximum(large["stratus"], 90)), layer)
    layer = layer * (1 + 0.05 * wander(random, count, 3))
    base = np.select([fog > 0.3, low > 0, mid > 0, high > 0], [0.0, layer, 3200.0, 8000.0], np.nan)
    base = np.where(base > 2500, base + 150 * wander(random, count, 6), base)

    day = np.clip(smooth(np.roll(sun, 3), 2.0) / 0.6, 0, 1)
    energy = large["cape"] * day
    thunder = rain["kind"] == KINDS.index("thunder")
    energy = np.where(thunder, np.maximum(energy, 0.6 * large["cape"]), energy)
    lifted = 2.0 + 0.9 * np.clip(10 - energy / 10, 0, 10) * (0.4 + 0.04 * np.clip(spread, 0, 15))
    lifted = np.where(energy > 0, np.minimum(lifted, 6.0), lifted) - 0.17 * np.sqrt(energy)

    humidity = weather["relative_humidity"]
    haze = 32_000 * np.clip(1.075 - humidity, 0.06, 1) ** 0.75
    amount, kind = rain["amount"], rain["kind"]
    wet_bulb = celsius - 0.35 * spread
    snow = (kind == KINDS.index("snow")) | ((amount > 0) & (wet_bulb < 0.3) & (kind != KINDS.index("freezing")))
    veil = np.where(snow, 1 + 9 * amount, 1 + 0.5 * amount + 1.2 * (kind == 0) + 1.5 * (kind == 5))
    sight = np.clip(haze / veil, 1050, 30_000)
    sight = np.where(fog > 0.3, np.clip(950 - 800 * fog + 60 * wander(random, count, 2), 120, 950), sight)
    return {
        "precipitation_amount": amount,
        "precipitation_probability": rain["chance"],
        "weather_code": _code(amount, kind, snow, celsius, total, sight),
        "cloud_area_fraction": total,
        "low_type_cloud_area_fraction": low,
        "medium_type_cloud_area_fraction": mid,
        "high_type_cloud_area_fraction": high,
        "cloud_base_altitude": ground.surface_altitude + base,
        "visibility_in_air": sight,
        "atmosphere_convective_available_potential_energy": energy,
        "lifted_index": lifted,
        "atmosphere_boundary_layer_thickness": near["thickness"] * (1 + 0.04 * wander(random, count, 3)),
    }


def _code(amount: Array, kind: Array, snow: npt.NDArray[np.bool_], celsius: Array, total: Array, sight: Array) -> Array:
    """Return the present weather as WMO code 4677 writes it."""
    wet = amount > 0
    slight, moderate = amount < 2.5, amount < 10
    names = {name: (kind == i) & wet for i, name in enumerate(KINDS)}
    cold = celsius <= 0
    codes = (95, 85, 86, 71, 73, 75, 56, 57, 51, 53, 80, 81, 82, 61, 63, 65, 48, 45, 0, 1, 2)
    return np.select(
        [
            names["thunder"],
            wet & snow & names["showers"] & (amount < 1), wet & snow & names["showers"],
            wet & snow & (amount < 1), wet & snow & (amount < 3), wet & snow,
            names["freezing"] & cold & (amount < 0.5), names["freezing"] & cold,
            (names["drizzle"] | names["freezing"]) & (amount < 0.3), names["drizzle"] | names["freezing"],
            names["showers"] & slight, names["showers"] & moderate, names["showers"],
            wet & slight, wet & moderate, wet,
            (sight < 1000) & cold, sight < 1000,
            total < 0.125, total < 0.375, total < 0.75,
        ],
        [np.full(amount.shape, float(code)) for code in codes],
        3.0,
    )  # fmt: skip
