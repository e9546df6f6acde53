"""Three hours of a real reply, worked from its raw numbers without wxfly, and what the program makes of them.

The arithmetic below uses the standard library only: the speed interpolated in ln(height), a little bent, between the
levels of the reply, the gust's increment over the mean carried up with the peak factor of WMO/TD-No. 1555,
temperature by the standard lapse rate, vapour pressure by Buck (1981), pressure by the hydrostatic formula, density
altitude by the ICAO standard atmosphere.
"""

import json
import math

import numpy as np
import pytest

from tests.shared import BERLIN
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import assess
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.limits import limits_for

HEIGHT = 60.0

pytestmark = pytest.mark.skipif(not BERLIN.is_file(), reason="the measured reply is not beside this checkout")


def read(hour):
    """Return one stamp of the reply in SI."""
    hourly = json.loads(BERLIN.read_text())["hourly"]
    one = {key: values[hour] for key, values in hourly.items()}
    for key in one:
        if key.startswith("wind_speed") or key.startswith("wind_gusts"):
            one[key] /= 3.6
    return one


def wind_at(stamp, height):
    """Interpolate in ln(height), bent towards the slope over open ground (constants of the evidence page on wind)."""
    low, high = (10, 80) if height <= 80 else (80, 120)
    below, above = stamp[f"wind_speed_{low}m"], stamp[f"wind_speed_{high}m"]
    span = math.log(high / low)
    weight = math.log(height / low) / span
    slope_over_open_ground = 1.25 * below / math.log(low / 0.03)
    bend = 4 * weight * (1 - weight) * span * (slope_over_open_ground * span - min(above - below, below))
    return below + weight * (above - below) + 0.075 * bend


def peak_factor(height):
    scale = 3.13 * height**0.2
    rate = (0.007 + 0.213 * (scale / 3.0) ** 0.654) / scale
    share = 1 - 0.193 * (scale / 3.0 + 0.1) ** -0.68
    a = math.sqrt(2 * math.log(3600 * rate))
    return (a + 0.577 / a) * share


def gust_at(stamp, next_stamp_gust, height):
    increment = max(next_stamp_gust - stamp["wind_speed_10m"], 0.0)
    return wind_at(stamp, height) + increment * peak_factor(height) / peak_factor(10.0)


def saturation(celsius):
    return 611.21 * math.exp((18.729 - celsius / 227.3) * celsius / (257.87 + celsius))


def density_altitude(stamp, height, ground):
    celsius = stamp["temperature_2m"]
    kelvin = celsius + 273.15
    exponent = 9.80665 / (287.05 * 0.0065)
    # Back from sea level with the day's temperature and with the standard atmosphere: the lower pressure counts.
    at_ground = min(
        stamp["pressure_msl"] * 100 * (1 + 0.0065 * ground / kelvin) ** -exponent,
        stamp["pressure_msl"] * 100 * (1 - 0.0065 * ground / 288.15) ** exponent,
    )
    above = kelvin - 0.0065 * (height - 2.0)
    pressure = at_ground * (1 - 0.0065 * height / kelvin) ** exponent
    humidity = max(stamp["relative_humidity_2m"] / 100, saturation(stamp["dew_point_2m"]) / saturation(celsius))
    vapour = humidity * saturation(celsius)
    density = (pressure - 0.378 * vapour) / (287.05 * above)
    return 288.15 / 0.0065 * (1 - (density / 1.225) ** 0.234969)


# Hours of the reply counted from its first stamp (2021-11-24T00:00 at +01:00): a windy noon, the best hour of the
# 26th, a wet evening.
@pytest.mark.parametrize("hour", [12, 61, 88])
def test_from_raw_numbers_to_the_margin(hour):
    first, second = read(hour), read(hour + 1)
    ground = json.loads(BERLIN.read_text())["elevation"]
    aircraft = load_aircraft()["camera-quad-250g"]

    wind = max(wind_at(first, HEIGHT), wind_at(second, HEIGHT))
    # The reply does not name its model, so its gust may look back up to three hours or be a snapshot: every stamp that
    # can speak for the hour counts.
    strongest = max(read(hour + k)["wind_gusts_10m"] for k in (0, 1, 2, 3))
    gust = max(gust_at(stamp, strongest, HEIGHT) for stamp in (first, second))
    rain = second["precipitation"]  # of the hour before its stamp
    if rain > 0 or max(first["weather_code"], second["weather_code"]) >= 50:
        rain = max(rain, 0.1)  # a trace counts as the least measured
    if max(first["weather_code"], second["weather_code"]) >= 58:
        rain = max(rain, 0.2)  # slight rain by code is more than a trace
    temperature = min(s["temperature_2m"] + 273.15 - 0.0065 * (HEIGHT - 2) for s in (first, second))
    altitude = max(density_altitude(s, HEIGHT, ground) for s in (first, second))

    hours = assess(derive(_cube(), height=HEIGHT), limits_for(aircraft))
    found = hours.isel(time=hour)
    demand = {name: float(found["demand"].sel(element=name)) for name in found["element"].values}
    assert demand["wind"] == pytest.approx(wind, rel=1e-6)
    assert demand["gust"] == pytest.approx(gust, rel=1e-4)
    assert demand["precipitation"] == pytest.approx(rain)
    assert demand["temperature"] == pytest.approx(temperature, abs=0.02)
    assert demand["density_altitude"] == pytest.approx(altitude, abs=3.0)

    margins = {
        "wind": 1 - wind / 8.5,
        "gust": 1 - gust / 10.7,
        "precipitation": max(1 - rain / 0.1, -1),
        "temperature": min((25.0 - abs(temperature - 288.15)) / 10.0, 1),
        "density_altitude": min(1 - altitude / 4000, 1),
    }
    for name, margin in margins.items():
        assert float(found["margin"].sel(element=name)) == pytest.approx(max(margin, -1), abs=1e-3), name
    others = [m for n, m in zip(found["element"].values, found["margin"].values, strict=True) if n not in margins]
    smallest = min([max(m, -1) for m in margins.values()] + [m for m in others if not np.isnan(m)])
    assert float(found["hour_margin"]) == pytest.approx(smallest, abs=1e-3)


def _cube():
    from wxfly.sources.open_meteo.forecast import read_forecast

    return read_forecast(BERLIN)
