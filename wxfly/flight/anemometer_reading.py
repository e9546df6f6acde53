"""A reading of the anemometer: weighted with the forecast of its time, and applied to the hours to come.

A reading above the forecast always counts. A reading below it is a *credit*, given only where the anemometer certainly
turns, where the air at flight height follows the ground, and where the reading is not so far below the forecast that it
may come from the lee of an obstacle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt
import xarray as xr

from wxfly.errors import WxflyError
from wxfly.flight.sortie import FORECAST_DEVIATION
from wxfly.physics.wind import error
from wxfly.physics.wind.gust import gust_factor, peak_factor
from wxfly.physics.wind.jets import JET_EXPONENT
from wxfly.physics.wind.surface_layer import StabilitySource
from wxfly.pilot.limits import Limits
from wxfly.units import QuantityError

Array = npt.NDArray[np.float64]

ANEMOMETER_HEIGHT = 2.0
"""Height of a hand-held anemometer above ground [m]."""
READING_PERIOD = 120.0
"""Length of a reading [s]."""
CONFIDENCE = 0.9
ON_TOWER = (0.315, 0.0)
"""Error constants of the extrapolation from the anemometer to flight height, for `wxfly.physics.wind.error`. They are
those of the tower on which the rule is shown, by day; for the night see `NIGHT_FACTOR`."""
NIGHT_FACTOR = 1.5
"""Factor for the larger error of an extrapolated reading by night. Without it, 88 to 100 of 100 night hours were within
the limits, by height, limit and year of a tower, where 90 are stated; with it 96 and more (evidence page on wind)."""
_LOWEST_ANEMOMETER, _HIGHEST_ANEMOMETER = 1.0, 10.0


@dataclass(frozen=True)
class Stop:
    """Readings from which a limit at one height is more likely passed than kept.

    Attributes
    ----------
    height : float
        Height above ground at which the limit counts [m].
    mean, gust : float
        The readings, the smallest of all hours [m s-1].
    is_at_launch : bool
        Whether it is the limit of the launch, at the anemometer's height.
    """

    height: float
    mean: float
    gust: float
    is_at_launch: bool = False


@dataclass(frozen=True)
class AnemometerRule:
    """Limits for the reading of an anemometer over two minutes, in SI units.

    Attributes
    ----------
    anemometer_height : float
        Height of the anemometer above ground [m].
    largest_mean, largest_gust : float
        Readings up to which wind and gust are within limits at every flight height, with `confidence` [m s-1]; 0 where
        no reading is low enough; NaN where the forecast does not allow the height conversion.
    mean_stop, gust_stop : float
        Readings from which wind and gust are more likely above the limits than within them [m s-1].
    mean_expected, gust_expected : tuple of float
        Readings expected from the forecast, lowest and highest of the hours [m s-1].
    ratio : float
        Largest ratio of the wind at flight height to the wind at the anemometer [1].
    confidence : float
        Probability that belongs to `largest_mean` and `largest_gust`.
    stops : tuple of Stop
        `mean_stop` and `gust_stop` by height: those of the launch, of flight height, and of the way back.
    """

    anemometer_height: float
    largest_mean: float
    largest_gust: float
    mean_stop: float
    gust_stop: float
    mean_expected: tuple[float, float]
    gust_expected: tuple[float, float]
    ratio: float
    confidence: float
    stops: tuple[Stop, ...] = ()


def check_anemometer_height(anemometer_height: float) -> None:
    """Refuse a height at which nobody can hold an anemometer."""
    if not _LOWEST_ANEMOMETER <= anemometer_height <= _HIGHEST_ANEMOMETER:
        raise QuantityError(
            "an anemometer height of {height} is out of reach; wanted {lowest} to {highest}",
            "height",
            height=anemometer_height,
            lowest=_LOWEST_ANEMOMETER,
            highest=_HIGHEST_ANEMOMETER,
        )


def gust_of_period(mean: npt.ArrayLike, gust_of_hour: npt.ArrayLike) -> Array:
    """Return the strongest gust expected in two minutes, from that of an hour with the same mean [m s-1]."""
    shorter = np.asarray(gust_of_hour, dtype=float) * _two_minutes()
    return np.asarray(np.maximum(shorter, np.asarray(mean, dtype=float)))


def gust_of_hour(gust_of_period: npt.ArrayLike) -> Array:
    """Return the strongest gust expected in an hour, from that of two minutes [m s-1]."""
    return np.asarray(np.asarray(gust_of_period, dtype=float) / _two_minutes())


def _two_minutes() -> float:
    strong = 1.0  # turbulence for which neither factor is at its bound; their ratio does not depend on it
    return float(gust_factor(strong, reference_period=READING_PERIOD) / gust_factor(strong))


def extrapolate_up(reading: npt.ArrayLike, ratio: npt.ArrayLike) -> Array:
    """Return the wind at flight height from an anemometer reading [m s-1] and the ratio of the two [1]."""
    return np.asarray(np.asarray(reading, dtype=float) * np.asarray(ratio, dtype=float))


def extrapolate_down(wind: npt.ArrayLike, ratio: npt.ArrayLike) -> Array:
    """Return the anemometer reading from the wind at flight height; the inverse of `extrapolate_up`."""
    return np.asarray(np.asarray(wind, dtype=float) / np.asarray(ratio, dtype=float))


def ratio_to_anemometer(
    wind_at_anemometer: npt.ArrayLike,
    wind_at_height: npt.ArrayLike,
    anemometer_height: float,
    height: float,
    roughness_length: float,
) -> Array:
    """Return the ratio of the wind at flight height to that at the anemometer.

    Parameters
    ----------
    wind_at_anemometer, wind_at_height : array_like
        Forecast wind at the two heights, at the same time [m s-1].
    anemometer_height, height : float
        Heights above ground [m].
    roughness_length : float
        Roughness length of the ground around the site [m].

    Returns
    -------
    ndarray
        The ratio [1], not below that of the neutral log law: a wind strong enough to reach a limit has mixed the air.
    """
    low, high = np.asarray(wind_at_anemometer, dtype=float), np.asarray(wind_at_height, dtype=float)
    z0 = min(roughness_length, anemometer_height / 3.0)
    neutral = np.log(height / z0) / np.log(anemometer_height / z0)
    return np.asarray(np.maximum(high / np.maximum(low, _STILL), neutral))


def extrapolation_deviation_of(
    reading: npt.ArrayLike, anemometer_height: float, height: float, *, is_night: npt.ArrayLike = False
) -> Array:
    """Return the standard deviation of an extrapolated reading [m s-1]; see `wxfly.physics.wind.error`."""
    speed = np.asarray(reading, dtype=float)
    unknown = np.full(speed.shape, np.nan)
    by_day = error.deviation_from_one_level(
        speed,
        np.asarray(anemometer_height),
        np.asarray(height),
        unknown,
        StabilitySource.TEMPERATURES,
        constants=ON_TOWER,
    )
    return np.asarray(np.where(is_night, NIGHT_FACTOR, 1.0) * by_day)


def night(hours: xr.Dataset) -> npt.NDArray[np.bool_]:
    """Return for each hour whether the sun is down at one end at least, from `wxfly.assessment.conditions.derive`."""
    return np.asarray((hours["sun_elevation"] <= 0).any("edge").values)


def largest_reading(
    limit: npt.ArrayLike,
    ratio: npt.ArrayLike,
    anemometer_height: float,
    height: float,
    confidence: float = CONFIDENCE,
    *,
    is_night: npt.ArrayLike = False,
) -> Array:
    """Return the largest reading at which the wind at flight height is below a limit, with a confidence [m s-1]."""
    most = extrapolate_down(limit, ratio)
    deviation = extrapolation_deviation_of(most, anemometer_height, height, is_night=is_night)
    kept_back = error.error_factor(confidence) * deviation
    return np.asarray(np.maximum(extrapolate_down(np.asarray(limit, float) - kept_back, ratio), 0.0))


def anemometer_rule(
    near_ground: xr.Dataset,
    aloft: Sequence[xr.Dataset],
    limits: Limits,
    *,
    roughness_length: float,
    confidence: float = CONFIDENCE,
) -> AnemometerRule:
    """Convert the limits of wind and gust to the height of the anemometer, for a period of hours.

    Parameters
    ----------
    near_ground : xarray.Dataset
        The hours at the height of the anemometer, from `wxfly.assessment.conditions.derive`; dimensions edge and time.
    aloft : sequence of xarray.Dataset
        The same hours at every flight height.
    limits : Limits
        Limits with those of wind and gust.
    roughness_length : float
        Roughness length of the ground around the site [m].
    confidence : float, optional
        Probability that a reading up to the first pair means wind and gust within limits.

    Returns
    -------
    AnemometerRule
        The strictest rule of all hours and heights.
    """
    low = float(near_ground["height"])
    low_wind, low_gust = near_ground["wind_speed"].values, near_ground["wind_speed_of_gust"].values
    dark = night(near_ground)
    mean, gust, stops, ratios = [], [], [], []
    calm = np.maximum(low_wind, _STILL) / np.maximum(low_gust, _STILL)
    if limits.maximum_gust_at_launch is not None:  # this limit is for the anemometer's height: no conversion
        launch = np.full(low_gust.shape, limits.maximum_gust_at_launch)
        gust.append(gust_of_period(launch * calm, launch))
        stops.append(Stop(low, np.inf, _least(gust[-1:]), is_at_launch=True))
    for level in aloft:
        height = float(level["height"])
        ratio = ratio_to_anemometer(low_wind, level["wind_speed"].values, low, height, roughness_length)
        # A gust grows less with height than the mean, because its increment stays; so it has its own ratio.
        with np.errstate(invalid="ignore"):
            share = level["wind_speed_of_gust"].values / np.maximum(low_gust, _STILL)
        gust_ratio = np.maximum(share, 1.0)
        mean.append(largest_reading(limits.maximum_wind, ratio, low, height, confidence, is_night=dark))
        held = largest_reading(limits.maximum_gust, gust_ratio, low, height, confidence, is_night=dark)
        passed = extrapolate_down(limits.maximum_gust, gust_ratio)
        gust.append(gust_of_period(held * calm, held))
        mean_stop, gust_stop = extrapolate_down(limits.maximum_wind, ratio), gust_of_period(passed * calm, passed)
        stops.append(Stop(height, _least([mean_stop]), _least([gust_stop])))
        ratios.append(ratio)
    return AnemometerRule(
        anemometer_height=low,
        largest_mean=_least(mean),
        largest_gust=_least(gust),
        mean_stop=_least([stop.mean for stop in stops]),
        gust_stop=_least([stop.gust for stop in stops]),
        mean_expected=(float(low_wind.min()), float(low_wind.max())),
        gust_expected=_span(gust_of_period(low_wind, low_gust)),
        ratio=float(np.max(ratios)),
        confidence=confidence,
        stops=tuple(stops),
    )


def _least(values: list[Array] | list[float]) -> float:
    return float(np.min(values))  # any NaN stays NaN


def _span(values: Array) -> tuple[float, float]:
    return float(values.min()), float(values.max())


MEMORY = 6 * 3600.0
"""Time after which a correction has faded to a third [s]; common practice, no source."""
LEE_SHARE = 0.5
"""Share of its weight that a reading below the forecast keeps: the anemometer may be in the lee of an obstacle; common
practice, no source."""
FAR_BELOW = 0.5
"""Share of the forecast at the anemometer below which a mean or a gust is more likely read in a lee than forecast
wrongly; an estimate of ours, no source."""
TEMPERATURE_WEIGHT = 0.8
"""Weight of a shaded, ventilated thermometer relative to the forecast; common practice, no source."""
STARTING_SPEED = 1.0
"""Mean below which a hand-held anemometer may stand still [m s-1]; common practice, no source: small ones start at 0.3
to 0.8 m/s, and later with a worn bearing."""
LOWEST_TEMPERATURE, HIGHEST_TEMPERATURE = 183.0, 330.0
"""Range of air temperatures measured near the ground [K]: -89.2 and 56.7 degC are the records in the WMO's archive of
weather and climate extremes (from memory)."""
PLAUSIBLE_DIFFERENCE = 10.0
"""Largest plausible difference between a measured temperature and the forecast [K]. Beyond it the thermometer, in the
sun or warm from a pocket, is more likely wrong than the forecast; common practice, no source."""
_SHEAR_EXPONENT = 1 / 7
_STILL = 0.5


class NoCredit(Enum):
    """Why a reading below the forecast changes nothing."""

    STANDS_STILL = "stands still"
    DECOUPLED = "decoupled"
    NOT_KNOWN = "not known"
    GUST_NOT_KNOWN = "gust not known"
    FAR_BELOW = "far below"


@dataclass(frozen=True)
class Reading:
    """A measurement by the pilot, in SI units.

    Attributes
    ----------
    time : numpy.datetime64
        Time of the reading, UTC.
    anemometer_height : float
        Height of the anemometer above ground [m].
    mean : float
        Mean wind over two minutes [m s-1].
    gust : float or None
        Strongest gust of the two minutes [m s-1].
    temperature : float or None
        Air temperature in the shade [K].
    """

    time: np.datetime64
    anemometer_height: float
    mean: float
    gust: float | None = None
    temperature: float | None = None


@dataclass(frozen=True, kw_only=True)
class Correction:
    """The effect of a reading on the forecast, in SI units; NaN where it has none.

    Attributes
    ----------
    reading : Reading
        The reading.
    height : float
        Flight height [m].
    expected_at_anemometer, expected_gust_at_anemometer, expected_temperature : float
        Forecast for the place and time of the reading.
    forecast_wind, forecast_gust, forecast_deviation : float
        Forecast at flight height, and the standard deviation of its wind.
    extrapolated_wind, extrapolated_gust, extrapolation_deviation : float
        The reading extrapolated to flight height, and the standard deviation of that extrapolation.
    weight : float
        Weight of the reading relative to the forecast, 0 to 1.
    added_wind, added_gust, added_temperature : float
        Amounts added to the forecast at flight height at the time of the reading; they fade over `MEMORY`.
    no_credit : NoCredit or None
        Why a reading below the forecast does not lower it; None where it does.
    credit_ends : numpy.datetime64
        Start of the first later hour in which the air at flight height does not follow the ground, UTC; NaT for none.
    """

    reading: Reading
    height: float
    expected_at_anemometer: float
    expected_gust_at_anemometer: float
    expected_temperature: float
    forecast_wind: float
    forecast_gust: float
    forecast_deviation: float
    extrapolated_wind: float
    extrapolated_gust: float
    extrapolation_deviation: float
    weight: float
    added_wind: float
    added_gust: float
    added_temperature: float
    no_credit: NoCredit | None
    credit_ends: np.datetime64

    @property
    def deviation(self) -> float:
        """Return the standard deviation of the wind at flight height after the reading is included [m s-1].

        A reading without credit makes the forecast no surer.
        """
        together = float(self.extrapolation_deviation * np.sqrt(self.weight))
        return together if self.no_credit is None else max(together, self.forecast_deviation)

    @property
    def temperature_is_plausible(self) -> bool:
        """Return whether a temperature was read that is not too far from the forecast."""
        read = self.reading.temperature
        return read is not None and abs(read - self.expected_temperature) <= PLAUSIBLE_DIFFERENCE

    @property
    def may_improve(self) -> tuple[str, ...]:
        """Return the elements that the reading may improve: only those that were measured."""
        wind = () if self.no_credit is not None else ("wind",) if self.reading.gust is None else ("wind", "gust")
        return (*wind, *(("temperature", "density_altitude") if self.temperature_is_plausible else ()))


def check_temperature(temperature: float) -> None:
    """Refuse a temperature [K] that has never been measured in shaded air near the ground."""
    if not LOWEST_TEMPERATURE <= temperature <= HIGHEST_TEMPERATURE:
        raise QuantityError(
            "a temperature of {given} is not possible in shaded air; wanted {lowest} to {highest}, read in the shade"
            " after some minutes",
            "temperature",
            given=temperature,
            lowest=LOWEST_TEMPERATURE,
            highest=HIGHEST_TEMPERATURE,
        )


def weigh(
    reading: Reading,
    near_ground: xr.Dataset,
    flight: xr.Dataset,
    *,
    roughness_length: float,
    forecast_deviation: float = FORECAST_DEVIATION,
) -> Correction:
    """Weight a reading with the forecast of its time.

    Parameters
    ----------
    reading : Reading
        The reading.
    near_ground, flight : xarray.Dataset
        The hours at the anemometer's height and at flight height, starting with that of the reading, from
        `wxfly.assessment.conditions.derive`.
    roughness_length : float
        Roughness length of the ground around the site [m].
    forecast_deviation : float, optional
        Standard deviation of the forecast's error at flight height [m s-1].

    Raises
    ------
    WxflyError
        When the forecast has no wind at the time.
    """
    low, high = _at(near_ground, reading.time), _at(flight, reading.time)
    height = float(flight["height"])
    if np.isnan(low["wind_speed"] + high["wind_speed"]):
        raise WxflyError(
            f"the forecast has no wind at {str(reading.time)[:16]}Z to compare a reading with; fetch a newer one"
        )
    ratio = float(
        ratio_to_anemometer(low["wind_speed"], high["wind_speed"], reading.anemometer_height, height, roughness_length)
    )
    extrapolated = float(extrapolate_up(reading.mean, ratio))
    extrapolation_deviation = float(extrapolation_deviation_of(reading.mean, reading.anemometer_height, height))
    uncertainty = float(np.hypot(forecast_deviation, high["wind_standard_deviation"]))
    weight = uncertainty**2 / (uncertainty**2 + extrapolation_deviation**2)
    # By night the error is larger. That raises the uncertainty but does not lower the weight of a reading above the
    # forecast.
    extrapolation_deviation *= NIGHT_FACTOR if night(near_ground)[:1].any() else 1.0
    expected_gust = float(gust_of_period(low["wind_speed"], low["wind_speed_of_gust"]))
    no_credit, credit_ends = _credit(reading, near_ground, flight)
    no_credit = no_credit or _far_below(reading, low["wind_speed"], expected_gust)
    added = _credited(weight * (extrapolated - high["wind_speed"]), no_credit)
    extrapolated_gust, added_gust = np.nan, max(added, 0.0)  # a gust that was not read is never lowered
    if reading.gust is not None:
        extrapolated_gust = extrapolated + max(float(gust_of_hour(reading.gust)) - reading.mean, 0.0)
        if np.isnan(high["wind_speed_of_gust"]):
            # A lost gust is at least the mean wind: so the reading counts at least as much as beside a known one.
            added_gust = max(weight * (extrapolated_gust - high["wind_speed"]), added_gust)
        else:
            added_gust = _credited(weight * (extrapolated_gust - high["wind_speed_of_gust"]), no_credit)
    added_temperature = 0.0
    if reading.temperature is not None:
        difference = reading.temperature - low["air_temperature_near_ground"]
        added_temperature = 0.0 if np.isnan(difference) else TEMPERATURE_WEIGHT * difference
    return Correction(
        reading=reading,
        height=height,
        expected_at_anemometer=low["wind_speed"],
        expected_gust_at_anemometer=expected_gust,
        expected_temperature=low["air_temperature_near_ground"],
        forecast_wind=high["wind_speed"],
        forecast_gust=high["wind_speed_of_gust"],
        forecast_deviation=uncertainty,
        extrapolated_wind=extrapolated,
        extrapolated_gust=extrapolated_gust,
        extrapolation_deviation=extrapolation_deviation,
        weight=weight,
        added_wind=added,
        added_gust=added_gust,
        added_temperature=added_temperature,
        no_credit=no_credit,
        credit_ends=credit_ends,
    )


def _credited(added: float, no_credit: NoCredit | None) -> float:
    if added >= 0:
        return added
    return LEE_SHARE * added if no_credit is None else 0.0


def _far_below(reading: Reading, expected_mean: float, expected_gust: float) -> NoCredit | None:
    """Return whether mean or gust is so far below the forecast at the anemometer that it may be read in a lee."""
    if reading.mean < FAR_BELOW * expected_mean:
        return NoCredit.FAR_BELOW
    if reading.gust is None:
        return None
    if np.isnan(expected_gust):  # the gust may be far below it
        return NoCredit.GUST_NOT_KNOWN
    return NoCredit.FAR_BELOW if reading.gust < FAR_BELOW * expected_gust else None


def _credit(reading: Reading, near_ground: xr.Dataset, flight: xr.Dataset) -> tuple[NoCredit | None, np.datetime64]:
    """Return why a reading below the forecast does not lower it, and when the air above stops following the ground."""
    starts = near_ground["time"].values.astype("datetime64[s]")
    decoupled, is_known = _decoupled(near_ground, flight)
    to_come = starts + np.timedelta64(1, "h") > reading.time
    ends = starts[to_come & (decoupled | ~is_known)]
    credit_ends = ends[0] if ends.size else np.datetime64("NaT", "s")
    if reading.mean < STARTING_SPEED:
        return NoCredit.STANDS_STILL, credit_ends
    now = int(np.argmax(to_come))
    if decoupled[now]:
        return NoCredit.DECOUPLED, credit_ends
    return (None if is_known[now] else NoCredit.NOT_KNOWN), credit_ends


def _decoupled(near_ground: xr.Dataset, flight: xr.Dataset) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Return for each hour whether the air at flight height is decoupled from the ground, and whether that is known.

    It is decoupled under a low-level jet, and where the wind grows up to flight height as fast as below one.
    """
    low, high = (np.asarray(level["wind_speed"].values, dtype=float) for level in (near_ground, flight))
    way = max(np.log(float(flight["height"]) / float(near_ground["height"])), 1e-6)
    with np.errstate(divide="ignore"):
        exponent = np.log(high / np.maximum(low, _STILL)) / way
    jet = np.broadcast_to(np.asarray(flight["low_level_jet"].values, dtype=float), exponent.shape)
    decoupled = (exponent > JET_EXPONENT) | (jet > 0)
    return decoupled.any(axis=0), ~np.isnan(exponent + jet).any(axis=0)


_READ = (
    "wind_speed", "wind_speed_of_gust", "wind_standard_deviation", "air_temperature_near_ground",
)  # fmt: skip


def _at(conditions: xr.Dataset, moment: np.datetime64) -> dict[str, float]:
    """Return the values at a time, interpolated between the two edges of its hour."""
    starts = conditions["time"].values.astype("datetime64[s]")
    position = int(np.searchsorted(starts, moment.astype("datetime64[s]"), side="right")) - 1
    if position < 0 or moment - starts[position] >= np.timedelta64(1, "h"):
        return dict.fromkeys(_READ, np.nan)
    share = float((moment - starts[position]) / np.timedelta64(1, "h"))
    hour = conditions.isel(time=position)
    result = {}
    for name in _READ:
        first, last = (float(v) for v in np.broadcast_to(hour[name].values, 2))
        result[name] = first + share * (last - first)
    return result


def correct_forecast(cube: xr.Dataset, correction: Correction) -> xr.Dataset:
    """Add a correction to a forecast, so that everything derived from the forecast changes with it.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube.
    correction : Correction
        From `weigh`.

    Returns
    -------
    xarray.Dataset
        With wind at every height, gust and temperature changed from the hour of the reading on; the change fades.
        What is added counts in full in the complete hour of the reading, so that no hour is judged by less than the
        wind and the gust of now; what is taken off fades from the reading on. Below flight height the change is
        smaller, by a power law. From `credit_ends` on nothing is lowered. Unknown values stay unknown.
    """
    time = cube["time"].values.astype("datetime64[s]")
    read = correction.reading.time.astype("datetime64[s]")
    hour_end = read.astype("datetime64[h]") + np.timedelta64(1, "h")
    fading = np.where(time > read - np.timedelta64(1, "h"), _faded(time - read), 0.0)
    # A gust is that of the hour before its time: its hour of the reading ends with `hour_end`.
    raised = np.where(fading > 0, _faded(time - hour_end), 0.0)
    # NaT compares false: without an end, the credit only fades.
    credit = np.where(time >= correction.credit_ends, 0.0, fading)

    def in_time(added: float) -> xr.DataArray:
        return xr.DataArray(added * (credit if added < 0 else raised), dims="time", coords={"time": cube["time"]})

    added_wind, added_gust = in_time(correction.added_wind), in_time(correction.added_gust)
    changed: dict[str, xr.DataArray] = {}
    if "wind_speed" in cube:
        share = (cube["height"] / correction.height) ** _SHEAR_EXPONENT
        wind = cube["wind_speed"] + added_wind * share
        changed["wind_speed"] = wind.clip(min=0.0)
    if "wind_speed_of_gust" in cube:
        near_ground = added_wind * (10.0 / correction.height) ** _SHEAR_EXPONENT
        # The increment of a gust grows a little with height: at flight height it changes as the reading says.
        growth = float(peak_factor(correction.height) / peak_factor(10.0))
        added = near_ground + (added_gust - added_wind) / growth
        changed["wind_speed_of_gust"] = (cube["wind_speed_of_gust"] + added).clip(min=0.0)
    warmer = xr.DataArray(correction.added_temperature * fading, dims="time", coords={"time": cube["time"]})
    for name in ("air_temperature", "air_temperature_aloft"):
        if name in cube:
            changed[name] = cube[name] + warmer
    return cube.assign({name: cube[name].copy(data=v.transpose(*cube[name].dims)) for name, v in changed.items()})


def _faded(since: npt.NDArray[np.timedelta64]) -> Array:
    """Return the share that is left of a correction some time after it was in full force [1]."""
    return np.asarray(np.exp(-np.maximum(since / np.timedelta64(1, "s"), 0.0) / MEMORY))
