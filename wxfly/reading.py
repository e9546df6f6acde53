"""A reading of the anemometer: weighed against the forecast of its time, and carried into the hours to come."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from wxfly.errors import WxflyError
from wxfly.field_check import carry_up, carrying_deviation, gust_of_hour, gust_of_period, ratio_to_hand
from wxfly.legs import FORECAST_DEVIATION

MEMORY = 6 * 3600.0
"""Time after which a correction has faded to a third [s]; common practice, no source."""
LEE_SHARE = 0.5
"""How much of its weight a reading below the forecast keeps: a hand may stand in the lee of something; common
practice, no source."""
TEMPERATURE_WEIGHT = 0.8
"""Of a shaded, aired thermometer against the forecast; common practice, no source."""
_SHEAR_EXPONENT = 1 / 7


@dataclass(frozen=True)
class Reading:
    """What the pilot measures, SI.

    Attributes
    ----------
    time : numpy.datetime64
        UTC.
    hand_height : float
        [m]
    mean : float
        Of two minutes [m s-1].
    gust : float or None
        Strongest of the two minutes [m s-1].
    temperature : float or None
        In the shade [K].
    """

    time: np.datetime64
    hand_height: float
    mean: float
    gust: float | None = None
    temperature: float | None = None


@dataclass(frozen=True)
class Correction:
    """What a reading does to the forecast; SI, NaN where it says nothing.

    Attributes
    ----------
    reading : Reading
        What was measured.
    height : float
        Flight height [m].
    expected_at_hand, expected_gust_at_hand, expected_temperature : float
        What the forecast had there and then.
    forecast_wind, forecast_gust : float
        At flight height.
    carried_wind, carried_gust, carried_deviation : float
        The reading at flight height, and the standard deviation of carrying it there.
    weight : float
        Of the reading against the forecast, 0 to 1.
    added_wind, added_gust, added_temperature : float
        To the forecast at flight height at the time of the reading; it fades over `MEMORY`.
    """

    reading: Reading
    height: float
    expected_at_hand: float
    expected_gust_at_hand: float
    expected_temperature: float
    forecast_wind: float
    forecast_gust: float
    carried_wind: float
    carried_gust: float
    carried_deviation: float
    weight: float
    added_wind: float
    added_gust: float
    added_temperature: float


def weigh(reading: Reading, hand: xr.Dataset, flight: xr.Dataset, *, roughness_length: float) -> Correction:
    """Weigh a reading against the forecast of its time.

    Parameters
    ----------
    reading : Reading
        What was measured.
    hand, flight : xarray.Dataset
        The hours at hand height and at flight height, as `wxfly.derived.derive` gives them.
    roughness_length : float
        Of the ground around [m].

    Raises
    ------
    WxflyError
        When the forecast has no wind at the time.
    """
    low, high = _at(hand, reading.time), _at(flight, reading.time)
    height = float(flight["height"])
    if np.isnan(low["wind_speed"] + high["wind_speed"]):
        raise WxflyError(
            f"the forecast has no wind at {str(reading.time)[:16]}Z to hold a reading against; fetch a newer one"
        )
    ratio = float(ratio_to_hand(low["wind_speed"], high["wind_speed"], reading.hand_height, height, roughness_length))
    carried = float(carry_up(reading.mean, ratio))
    carried_deviation = float(carrying_deviation(reading.mean, reading.hand_height, height))
    forecast_deviation = float(np.hypot(FORECAST_DEVIATION, high["wind_standard_deviation"]))
    weight = forecast_deviation**2 / (forecast_deviation**2 + carried_deviation**2)
    added = _less_in_lee(weight * (carried - high["wind_speed"]))
    carried_gust, added_gust = np.nan, added
    if reading.gust is not None:
        carried_gust = carried + max(float(gust_of_hour(reading.gust)) - reading.mean, 0.0)
        if not np.isnan(high["wind_speed_of_gust"]):
            added_gust = _less_in_lee(weight * (carried_gust - high["wind_speed_of_gust"]))
    added_temperature = 0.0
    if reading.temperature is not None:
        difference = reading.temperature - low["air_temperature_near_ground"]
        added_temperature = 0.0 if np.isnan(difference) else TEMPERATURE_WEIGHT * difference
    return Correction(
        reading,
        height,
        low["wind_speed"],
        float(gust_of_period(low["wind_speed"], low["wind_speed_of_gust"])),
        low["air_temperature_near_ground"],
        high["wind_speed"],
        high["wind_speed_of_gust"],
        carried,
        carried_gust,
        carried_deviation,
        weight,
        added,
        added_gust,
        added_temperature,
    )


def _less_in_lee(added: float) -> float:
    return added if added >= 0 else LEE_SHARE * added


_READ = (
    "wind_speed", "wind_speed_of_gust", "wind_standard_deviation", "air_temperature_near_ground",
)  # fmt: skip


def _at(conditions: xr.Dataset, moment: np.datetime64) -> dict[str, float]:
    """Give the values of a moment, between the two edges of its hour."""
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
    """Add a correction to a forecast, so that everything that follows from it is worked out anew.

    Parameters
    ----------
    cube : xarray.Dataset
        A forecast cube.
    correction : Correction
        From `weigh`.

    Returns
    -------
    xarray.Dataset
        Wind at every height, gust and temperature changed from the time of the reading on, less and less. Below
        flight height the wind gets less of it, by a power law. What was not known stays not known.
    """
    time = cube["time"].values.astype("datetime64[s]")
    since = (time - correction.reading.time.astype("datetime64[s]")) / np.timedelta64(1, "s")
    # The hour of the reading is corrected as a whole, its first edge too.
    fading = np.where(since > -3600.0, np.exp(-np.maximum(since, 0.0) / MEMORY), 0.0)
    of_time = xr.DataArray(fading, dims="time", coords={"time": cube["time"]})
    changed: dict[str, xr.DataArray] = {}
    if "wind_speed" in cube:
        share = (cube["height"] / correction.height) ** _SHEAR_EXPONENT
        wind = cube["wind_speed"] + correction.added_wind * of_time * share
        changed["wind_speed"] = wind.clip(min=0.0)
    if "wind_speed_of_gust" in cube:
        near_ground = correction.added_wind * (10.0 / correction.height) ** _SHEAR_EXPONENT
        added = near_ground + (correction.added_gust - correction.added_wind)
        changed["wind_speed_of_gust"] = (cube["wind_speed_of_gust"] + added * of_time).clip(min=0.0)
    for name in ("air_temperature", "air_temperature_aloft"):
        if name in cube:
            changed[name] = cube[name] + correction.added_temperature * of_time
    return cube.assign(
        {name: values.transpose(*cube[name].dims).assign_attrs(cube[name].attrs) for name, values in changed.items()}
    )
