"""The surface layer: how the mean wind grows with height over ground of a roughness, in stable and in unstable air.

The Obukhov length L measures stability: positive in stable air, negative in unstable air, infinite in neutral air.
A forecast does not provide it. It is estimated here from temperatures at two heights, or from sun, cloud and wind.
The log law and the power law convert a wind from one height to another.

References
----------
[Beljaars-Holtslag-1991] Beljaars, A. C. M. and Holtslag, A. A. M. (1991): Flux parameterization over land
    surfaces for atmospheric models. J. Appl. Meteorol. 30, 327-341.
[Davenport-Wieringa] Wieringa, J. (1992): Updating the Davenport roughness classification. J. Wind Eng. Ind.
    Aerodyn. 41, 357-368; WMO-No. 8, Guide to Instruments and Methods of Observation, chapter 5.
[Dyer-1974] Dyer, A. J. (1974): A review of flux-profile relationships. Boundary-Layer Meteorol. 7, 363-372.
[Holtslag-van-Ulden-1983] Holtslag, A. A. M. and van Ulden, A. P. (1983): A simple scheme for daytime estimates
    of the surface fluxes from routine weather data. J. Clim. Appl. Meteorol. 22, 517-529. Constants as in
    public programs that name the paper.
[Paulson-1970] Paulson, C. A. (1970): The mathematical representation of wind speed and temperature profiles
    in the unstable atmospheric surface layer. J. Appl. Meteorol. 9, 857-861.
[Stull-1988] Stull, R. B. (1988): An Introduction to Boundary Layer Meteorology, chapters 5 and 9.
[Tower] Hourly means at ten heights of a 135 m tower (NREL, 2012-2014), see the evidence page on wind.
[van-Ulden-Holtslag-1985] van Ulden, A. P. and Holtslag, A. A. M. (1985): Estimation of atmospheric boundary
    layer parameters for diffusion applications. J. Clim. Appl. Meteorol. 24, 1196-1207.
"""

from __future__ import annotations

from enum import StrEnum
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from wxfly.physics import STANDARD_GRAVITY
from wxfly.physics.arrays import floating

Array = npt.NDArray[np.float64]

GAMMA = 16.0
"""Constant of the gradient function in unstable air, [Dyer-1974]."""
KARMAN = 0.4
"""The von Karman constant, [Stull-1988]."""
DRY_ADIABATIC_LAPSE_RATE = 0.0098
"""[K m-1], gravity over the heat capacity of air."""
SMALLEST_WIND = 0.5
"""Weaker winds count as this when stability is estimated [m s-1]: vanes and cups stand still in them."""


class StabilitySource(StrEnum):
    """What an Obukhov length is estimated from."""

    TEMPERATURES = "temperatures"
    SUN_AND_CLOUD = "sun and cloud"


_HEAT_CAPACITY_OF_AIR = 1.2 * 1005.0  # of a cubic metre near the ground [J m-3 K-1]
_BH_A, _BH_B, _BH_C, _BH_D = 1.0, 2 / 3, 5.0, 0.35


def momentum_stability_correction(height_over_obukhov_length: npt.ArrayLike) -> Array:
    """Return the integrated stability correction of the wind profile, psi of zeta = z/L.

    Parameters
    ----------
    height_over_obukhov_length : array_like
        Any shape [1]; positive stable, negative unstable, 0 neutral. Measured on -2 to 1, usable to 10.

    Returns
    -------
    ndarray
        The same shape [1]; 0 for neutral air, negative for stable. NaN in, NaN out.

    Notes
    -----
    Unstable: [Paulson-1970] with [Dyer-1974]. Stable: [Beljaars-Holtslag-1991] with a = 1, b = 2/3, c = 5,
    d = 0.35; unlike -5 zeta it does not run away beyond zeta = 1.
    """
    zeta = floating(height_over_obukhov_length)
    unstable, stable = np.minimum(zeta, 0.0), np.maximum(zeta, 0.0)
    x = np.sqrt(np.sqrt(1.0 - GAMMA * unstable))
    psi_unstable = 2 * np.log((1 + x) / 2) + np.log((1 + x * x) / 2) - 2 * np.arctan(x) + np.pi / 2
    tail = _BH_C / _BH_D
    psi_stable = -(_BH_A * stable + _BH_B * (stable - tail) * np.exp(-_BH_D * stable) + _BH_B * tail)
    return np.asarray(np.where(zeta < 0, psi_unstable, psi_stable))


def heat_stability_correction(height_over_obukhov_length: npt.ArrayLike) -> Array:
    """Return the integrated stability correction of the temperature profile.

    Parameters
    ----------
    height_over_obukhov_length : array_like
        Any shape [1], as in `momentum_stability_correction`.

    Returns
    -------
    ndarray
        The same shape [1]. Unstable: [Paulson-1970] with [Dyer-1974]; stable: [Beljaars-Holtslag-1991]. Measured on
        -2 to 1, usable to 10, as for momentum.
    """
    zeta = floating(height_over_obukhov_length)
    unstable, stable = np.minimum(zeta, 0.0), np.maximum(zeta, 0.0)
    psi_unstable = 2 * np.log((1 + np.sqrt(1.0 - GAMMA * unstable)) / 2)
    tail = _BH_C / _BH_D
    psi_stable = -(
        (1 + 2 / 3 * _BH_A * stable) ** 1.5 + _BH_B * (stable - tail) * np.exp(-_BH_D * stable) + _BH_B * tail - 1
    )
    return np.asarray(np.where(zeta < 0, psi_unstable, psi_stable))


def obukhov_length_from_temperatures(
    wind_speed: npt.ArrayLike,
    height: float,
    air_temperature: npt.ArrayLike,
    temperature_height: float,
    air_temperature_above: npt.ArrayLike,
    temperature_height_above: float,
    *,
    roughness_length: float = 0.03,
) -> Array:
    """Return the Obukhov length from the wind at one height and the temperature at two.

    Parameters
    ----------
    wind_speed : array_like
        At `height` [m s-1]; less than 0.5 m/s counts as 0.5 m/s.
    height : float
        Height of the wind above ground [m], usually 10.
    air_temperature, air_temperature_above : array_like
        [K].
    temperature_height, temperature_height_above : float
        Heights of the temperatures above ground [m], the second above the first; 1 to 200.
    roughness_length : float, optional
        [m].

    Returns
    -------
    ndarray
        [m], positive stable, negative unstable; infinite where the potential temperatures are equal. height/L is
        limited to -20 to 20. NaN in, NaN out.

    Raises
    ------
    ValueError
        When the heights are not positive and increasing.

    Notes
    -----
    The bulk Richardson number of the layer, ``g/theta * dtheta * z / U**2``, is an increasing function of zeta = z/L,
    ``zeta * [ln(z2/z1) - psi_h] / [ln(z/z0) - psi_m]**2`` ([Stull-1988] 9.7). A table inverts it.
    """
    if not (0 < temperature_height < temperature_height_above and 0 < roughness_length < height):
        raise ValueError(
            f"heights of the temperatures ({temperature_height}, {temperature_height_above}) must be positive and "
            f"increasing and the wind at {height} m above the roughness length {roughness_length} m"
        )
    low, high = floating(air_temperature), floating(air_temperature_above)
    speed = np.maximum(floating(wind_speed), SMALLEST_WIND)
    difference = high - low + DRY_ADIABATIC_LAPSE_RATE * (temperature_height_above - temperature_height)
    number = STANDARD_GRAVITY / ((low + high) / 2) * difference * height / speed**2
    numbers, zetas = _richardson_table(
        float(height), float(temperature_height), float(temperature_height_above), float(roughness_length)
    )
    return _length(float(height), np.interp(number, numbers, zetas).astype(number.dtype, copy=False))


@lru_cache(maxsize=64)
def _richardson_table(height: float, low: float, high: float, z0: float) -> tuple[Array, Array]:
    one_side = np.geomspace(1e-5, 20.0, 400)
    zeta = np.concatenate([-one_side[::-1], [0.0], one_side])
    heat = (
        np.log(high / low)
        - heat_stability_correction(zeta * high / height)
        + heat_stability_correction(zeta * low / height)
    )
    momentum = (
        np.log(height / z0) - momentum_stability_correction(zeta) + momentum_stability_correction(zeta * z0 / height)
    )
    # The inverse needs numbers that never fall; the running maximum ensures that.
    return np.maximum.accumulate(zeta * heat / momentum**2), zeta


def obukhov_length_from_sun_and_cloud(
    wind_speed: npt.ArrayLike,
    height: npt.ArrayLike,
    solar_elevation: npt.ArrayLike,
    cloud_area_fraction: npt.ArrayLike | None = None,
    air_temperature: npt.ArrayLike = 288.15,
    *,
    roughness_length: npt.ArrayLike = 0.03,
) -> Array:
    """Return the Obukhov length over short grass from wind, sun and cloud.

    Parameters
    ----------
    wind_speed : array_like
        At `height` [m s-1]; less than 0.5 m/s counts as 0.5 m/s.
    height : array_like
        Height of the wind above ground [m].
    solar_elevation : array_like
        Elevation of the sun's centre [degree], -90 to 90.
    cloud_area_fraction : array_like, optional
        0 to 1; 0.5 where it is missing.
    air_temperature : array_like, optional
        Near the ground [K]; 288.15 where it is missing.
    roughness_length : array_like, optional
        [m].

    Returns
    -------
    ndarray
        [m], positive stable, negative unstable, infinite neutral. All arguments are broadcast; NaN wind or sun
        gives NaN.

    Notes
    -----
    By day the radiation and heat budget of [Holtslag-van-Ulden-1983], K = (1041 sin h - 69)(1 - 0.75 N**3.4),
    albedo 0.23, moist grass. Once the heat flux H points downwards, the temperature scale is that of the night,
    0.09 (1 - 0.5 N**2) K ([van-Ulden-Holtslag-1985]). It never exceeds what H gives, so the change is smooth.
    Not valid for snow, towns, water or slopes.
    """
    speed = np.maximum(floating(wind_speed), SMALLEST_WIND)
    sun = np.sin(np.deg2rad(floating(solar_elevation)))
    cloud = floating(0.5 if cloud_area_fraction is None else cloud_area_fraction)
    cloud = np.clip(np.where(np.isnan(cloud), 0.5, cloud), 0.0, 1.0)
    given = floating(air_temperature)
    temperature = np.where(np.isnan(given), 288.15, given)
    z, z0 = floating(height), floating(roughness_length)
    log = np.log(z / z0)

    heat = _heat_flux(sun, cloud, temperature)
    speed, z, z0, log, heat, cloud, temperature = np.broadcast_arrays(speed, z, z0, log, heat, cloud, temperature)
    zeta = np.where(
        heat > 0,
        _unstable_zeta(speed, z, z0, log, np.maximum(heat, 0.0), temperature),
        _stable_zeta(speed, z, log, np.maximum(-heat, 0.0), cloud, temperature),
    )
    return _length(z, np.where(np.isnan(heat), np.nan, zeta))


def _heat_flux(sun: Array, cloud: Array, temperature: Array) -> Array:
    """Return the sensible heat flux from ground to air [W m-2], [Holtslag-van-Ulden-1983]."""
    short_wave = np.maximum(1041.0 * sun - 69.0, 0.0) * (1.0 - 0.75 * cloud**3.4)
    long_wave = 5.31e-13 * temperature**6 + 60.0 * cloud - 5.67e-8 * temperature**4
    net = ((1.0 - 0.23) * short_wave + long_wave) / 1.12
    dry_share = 1.0 / (1.0 + np.exp(0.055 * (temperature - 279.0)))
    return np.asarray(dry_share * 0.9 * net - 20.0)


def _unstable_zeta(speed: Array, z: Array, z0: Array, log: Array, heat: Array, temperature: Array) -> Array:
    zeta = np.zeros_like(speed)
    for _ in range(6):
        shape = log - momentum_stability_correction(zeta) + momentum_stability_correction(zeta * z0 / z)
        friction = KARMAN * speed / shape
        zeta = -KARMAN * STANDARD_GRAVITY * heat * z / (_HEAT_CAPACITY_OF_AIR * temperature * friction**3)
        zeta = np.maximum(zeta, -20.0)
    return zeta


def _stable_zeta(speed: Array, z: Array, log: Array, heat: Array, cloud: Array, temperature: Array) -> Array:
    scale = np.minimum(0.09 * (1.0 - 0.5 * cloud**2), heat * log / (_HEAT_CAPACITY_OF_AIR * KARMAN * speed))
    # u* ln(z/z0) + 5 z k g scale/(T u*) = k U; where it has no root, the largest scale that has one is used.
    buoyancy = STANDARD_GRAVITY * scale / temperature
    root = np.sqrt(np.maximum((KARMAN * speed) ** 2 - 20.0 * log * z * KARMAN * buoyancy, 0.0))
    friction = (KARMAN * speed + root) / (2.0 * log)
    buoyancy = np.minimum(buoyancy, KARMAN * speed**2 / (20.0 * log * z))
    return np.asarray(z * KARMAN * buoyancy / friction**2)


def _length(height: npt.ArrayLike, zeta: Array) -> Array:
    with np.errstate(divide="ignore"):
        length = np.asarray(height, dtype=zeta.dtype) / zeta
    return np.where(zeta == 0, np.asarray(np.inf, dtype=zeta.dtype), length)


POWER_LAW_EXPONENT = 1 / 7
"""Exponent of the power law over open land [1]; common practice in wind engineering."""
OPEN_GROUND_ROUGHNESS_LENGTH = 0.03
"""Roughness length assumed for a 10 m wind where none is known [m]: short grass, over which WMO-No. 8 has wind
measured, [Davenport-Wieringa]."""

# Above the lowest tens of metres profiles bend less than surface-layer theory says. In very stable air the wind at
# flight height no longer follows the wind at 10 m at all. Fitted on [Tower]; reanalyses show the same shape. Sun and
# cloud reveal less: what they call moderately stable is often very stable, so with them the air decouples sooner.
UNSTABLE_SHARE = 0.5
STABLE_SHARE = {StabilitySource.TEMPERATURES: 0.25, StabilitySource.SUN_AND_CLOUD: 0.5}
DECOUPLED_ZETA = {StabilitySource.TEMPERATURES: 0.2, StabilitySource.SUN_AND_CLOUD: 0.075}
DECOUPLING_STEEPNESS = 4
_ZETA_HEIGHT = 10.0


def log_law_wind_speed(
    wind_speed: npt.ArrayLike,
    height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    roughness_length: npt.ArrayLike,
    *,
    displacement_height: npt.ArrayLike = 0.0,
    obukhov_length: npt.ArrayLike = np.inf,
) -> Array:
    """Convert a wind speed from one height to another by the textbook log law.

    Parameters
    ----------
    wind_speed : array_like
        At `height` [m s-1].
    height, wanted_height : array_like
        Above ground [m].
    roughness_length : array_like
        [m], 1e-5 to 3.
    displacement_height : array_like, optional
        Woods and towns [m]; both heights are counted from it.
    obukhov_length : array_like, optional
        [m]; infinite (neutral) by default.

    Returns
    -------
    ndarray
        [m s-1], never negative; 0 among the roughness elements. NaN where the given height is among them.

    Notes
    -----
    ``U(z)/U(zr) = [ln((z-d)/z0) - psi((z-d)/L) + psi(z0/L)] / [same at zr]``, [Stull-1988]. Valid for
    z > d + 10 z0, below about 100 m and for z/L below 1. Not capped; forecasts are converted by
    `surface_layer_wind_speed`.
    """
    z0 = floating(roughness_length)
    length = floating(obukhov_length)
    d = floating(displacement_height)
    over = _log_law_shape(floating(wanted_height) - d, z0, 1.0 / length)
    under = _log_law_shape(floating(height) - d, z0, 1.0 / length)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(under > 0, over / under, np.nan)
    return np.asarray(floating(wind_speed) * ratio)


def _log_law_shape(height: Array, z0: Array, inverse_length: Array) -> Array:
    z = np.maximum(height, z0)
    psi = momentum_stability_correction(z * inverse_length) - momentum_stability_correction(z0 * inverse_length)
    return np.asarray(np.maximum(np.log(z / z0) - psi, 0.0))


def power_law_wind_speed(
    wind_speed: npt.ArrayLike,
    height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    exponent: npt.ArrayLike = POWER_LAW_EXPONENT,
) -> Array:
    """Convert a wind speed from one height to another by the power law.

    Parameters
    ----------
    wind_speed, height, wanted_height
        As in `log_law_wind_speed`.
    exponent : array_like, optional
        [1]; 1/7 by default (open land, neutral air; common practice).

    Returns
    -------
    ndarray
        ``U(zr) (z/zr)**exponent`` [m s-1]. Common practice between 10 and 150 m over open land; right on average over
        day and night, not in a single hour.
    """
    ratio = floating(wanted_height) / floating(height)
    return np.asarray(floating(wind_speed) * ratio ** floating(exponent))


def surface_layer_wind_speed(
    wind_speed: npt.ArrayLike,
    height: npt.ArrayLike,
    wanted_height: npt.ArrayLike,
    roughness_length: npt.ArrayLike = OPEN_GROUND_ROUGHNESS_LENGTH,
    *,
    obukhov_length: npt.ArrayLike = np.inf,
    stability_source: StabilitySource = StabilitySource.TEMPERATURES,
) -> Array:
    """Convert a wind speed from one height to another, up or down, in line with measurements on tall towers.

    Parameters
    ----------
    wind_speed, height, wanted_height, roughness_length, obukhov_length
        As in `log_law_wind_speed`; heights of 2 to 150 m.
    stability_source : StabilitySource, optional
        What the Obukhov length was estimated from.

    Returns
    -------
    ndarray
        [m s-1]; in neutral air equal to `log_law_wind_speed`. NaN where `height` is among the roughness elements.

    Notes
    -----
    The log law with weakened stability: 1/L is multiplied by 0.5 in unstable and by 0.25 in stable air. As 10 m/L
    passes 0.2, the result changes to the power law of 1/7. There the upper wind has decoupled from the wind below and
    similarity theory does not apply. With stability from sun and cloud the two numbers for stable air are 0.5 and
    0.075. Below that threshold the result errs on the high side, because [Tower] has less shear at night than flat
    land. All arguments are broadcast; the result is continuous in every one of them.
    """
    inverse = 1.0 / floating(obukhov_length)
    weakened = np.where(inverse < 0, UNSTABLE_SHARE, STABLE_SHARE[stability_source]) * inverse
    with np.errstate(divide="ignore"):
        by_log = log_law_wind_speed(
            wind_speed,
            height,
            wanted_height,
            roughness_length,
            obukhov_length=1.0 / weakened,
        )
    by_power = power_law_wind_speed(wind_speed, height, wanted_height)
    stable = np.maximum(inverse, 0.0) * _ZETA_HEIGHT
    coupled = 1.0 / (1.0 + (stable / DECOUPLED_ZETA[stability_source]) ** DECOUPLING_STEEPNESS)
    return np.asarray(coupled * by_log + (1.0 - coupled) * by_power)
