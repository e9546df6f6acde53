"""Real soundings and airport reports: humidity, pressure with height, density altitude, cloud base, wind chill.

Soundings: University of Wyoming, NOAA/NCEI IGRA 2; reports: Iowa Environmental Mesonet, Aviation Weather Center.
"""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest

from tests.handbook import atmosphere as handbook_atmosphere
from wxfly.physics.air import atmosphere, cloud, comfort

DATA = Path(__file__).resolve().parents[4] / "shared" / "data"
C = 273.15
FT = 0.3048

WYOMING = ("wyoming_high_alt_sounding_1.txt", "wyoming_sounding_heights_1.txt")


def need(path: Path) -> Path:
    if not path.exists():
        pytest.skip(f"{path.name} is not beside the checkout")
    return path


def read_wyoming(name: str) -> dict[str, np.ndarray]:
    with need(DATA / "soundings" / name).open(encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file) if all(v and v.strip() for v in list(r.values())[3:9])]
    keys = {
        "pressure": "pressure_hPa", "height": "geopotential height_m", "temperature": "temperature_C",
        "dew_point": "dew point temperature_C", "ice_point": "ice point temperature_C",
        "humidity": "relative humidity_%",
    }  # fmt: skip
    return {k: np.array([float(r[column]) for r in rows]) for k, column in keys.items()}


@pytest.mark.parametrize("name", WYOMING)
def test_humidity_of_soundings(name: str) -> None:
    s = read_wyoming(name)
    warm = s["temperature"] > -40
    t, dew_point = s["temperature"][warm] + C, s["dew_point"][warm] + C
    relative_humidity = 100 * atmosphere.relative_humidity_from_dew_point(t, dew_point)
    # Whole per cents, from temperatures of a tenth: 0.05 K of either is up to 0.5 %.
    assert np.abs(relative_humidity - s["humidity"][warm]).max() <= 1.3
    frost = atmosphere.frost_point_from_vapour_pressure(atmosphere.saturation_vapour_pressure(dew_point)) - C
    # Below -40 degC formulas over supercooled water part, and none is measured well.
    cold = (s["dew_point"][warm] < -0.5) & (s["dew_point"][warm] > -40)
    # The reference puts out a tenth from a rounded dew point.
    assert np.abs(frost - s["ice_point"][warm])[cold].max() <= 0.15


@pytest.mark.parametrize("name", WYOMING)
def test_pressure_with_height_in_soundings(name: str) -> None:
    s = read_wyoming(name)
    up = s["height"] - s["height"][0]
    low = (up > 0) & (up <= 300)
    provided = atmosphere.pressure_at_height(s["pressure"][0] * 100, s["temperature"][0] + C, up[low])
    # Heights in whole metres and pressures of a tenth; inversions cost the rest.
    assert np.abs(provided / 100 - s["pressure"][low]).max() <= 0.7


@pytest.mark.parametrize("name", WYOMING)
def test_density_altitude_in_soundings(name: str) -> None:
    s = read_wyoming(name)
    low = s["pressure"] > 600
    t, dew_point, p = s["temperature"][low] + C, s["dew_point"][low] + C, s["pressure"][low] * 100
    e = atmosphere.saturation_vapour_pressure(dew_point)
    exact = atmosphere.density_altitude(atmosphere.air_density(t, e, p))
    # The US weather service's formula, which lies 14 to 18 ft above the exact one near the ground.
    published = handbook_atmosphere.density_altitude_by_weather_service(t, dew_point, p)
    assert np.all(published - exact > 0) and (published - exact).max() < 8.0


@pytest.mark.parametrize("name", WYOMING)
def test_cloud_base_estimate_is_below_the_cloud_of_soundings(name: str) -> None:
    s = read_wyoming(name)
    t, dew_point, p = s["temperature"][0] + C, s["dew_point"][0] + C, s["pressure"][0] * 100
    base = cloud.cloud_base(np.nan, t, dew_point, p, 0.5)
    assert base.method == cloud.CloudBaseMethod.CONDENSATION_LEVEL
    saturated = s["height"][s["humidity"] >= 97] - s["height"][0]
    assert saturated.size
    # A tenth of a kelvin of spread, to which soundings are rounded, is 12 m.
    assert float(base.height) <= saturated[0] + 12.0


def read_igra() -> np.ndarray:
    import zipfile

    path = need(DATA / "soundings" / "igra2_sounding_0.txt")
    with zipfile.ZipFile(path) as archive:
        text = archive.read(archive.namelist()[0]).decode("ascii")
    first = text.split("#")[1].splitlines()[1:]
    rows = [
        [float(re.sub(r"[A-Z]", "", line[a:b]) or "nan") for a, b in ((9, 15), (16, 21), (22, 27), (28, 33), (34, 39))]
        for line in first
    ]
    table = np.array(rows)
    table[table <= -8888] = np.nan
    return table


def test_humidity_and_heights_of_an_arctic_sounding() -> None:
    table = read_igra()
    pressure, height, t, reported, depression = table.T
    t, reported, depression = t / 10 + C, reported / 1000, depression / 10
    known = ~np.isnan(reported) & (t > C - 35)
    ours = atmosphere.relative_humidity_from_dew_point(t, t - depression)[known]
    assert np.abs(ours - reported[known]).max() < 0.02
    assert np.abs(ours - reported[known]).mean() < 0.005
    levels = ~np.isnan(height) & ~np.isnan(t) & (height <= 1600)
    e = atmosphere.saturation_vapour_pressure(t - depression)
    warm = handbook_atmosphere.virtual_temperature(t, np.nan_to_num(e), pressure)
    z0, p0 = height[levels][0], pressure[levels][0]
    mean_warm = (warm[levels] + warm[levels][0]) / 2
    provided = atmosphere.pressure_at_height(p0, mean_warm, height[levels] - z0, lapse_rate=0.0)
    assert np.abs(provided - pressure[levels]).max() < 60.0


def read_jfk() -> list[dict[str, str]]:
    path = need(DATA / "replies" / "iem_jfk_metar_sample.csv")
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


def kelvin(fahrenheit: str) -> float:
    return (float(fahrenheit) - 32) / 1.8 + C


def test_humidity_of_airport_reports() -> None:
    rows = [r for r in read_jfk() if r["relh"] != "M" and r["dwpf"] != "M"]
    ours = [
        100 * float(atmosphere.relative_humidity_from_dew_point(kelvin(r["tmpf"]), kelvin(r["dwpf"]))) for r in rows
    ]
    assert len(rows) > 30
    # Their formula for the vapour pressure is another one; the temperatures are the same.
    assert np.abs(ours - np.array([float(r["relh"]) for r in rows])).max() < 0.3


def test_wind_chill_of_airport_reports() -> None:
    """Their "feels like" is the wind chill below 50 degF."""
    rows = [r for r in read_jfk() if "M" not in (r["feel"], r["sknt"]) and float(r["tmpf"]) < 50]
    rows = [r for r in rows if float(r["feel"]) < float(r["tmpf"])]
    ours = [(float(comfort.wind_chill(kelvin(r["tmpf"]), float(r["sknt"]) * 1852 / 3600)) - C) * 1.8 + 32 for r in rows]
    assert len(rows) >= 5
    # The US version of the formula has coefficients rounded for degF and mph.
    assert np.abs(np.array(ours) - [float(r["feel"]) for r in rows]).max() < 0.15


def test_cloud_base_estimate_is_not_above_reported_cloud() -> None:
    ratios = []
    for row in read_jfk():
        exact = re.search(r"T([01])(\d{3})([01])(\d{3})", row["metar"])
        bases = [float(row[f"skyl{i}"]) * FT for i in range(1, 5) if "M" not in (row[f"skyl{i}"], row[f"skyc{i}"])]
        if not exact or not bases or min(bases) > 3000:
            continue
        t, dew_point = (
            (-1 if sign == "1" else 1) * int(tenths) / 10 + C
            for sign, tenths in ((exact[1], exact[2]), (exact[3], exact[4]))
        )
        estimate = float(cloud.cloud_base_height(np.nan, t, dew_point, np.nan, np.nan))
        ratios.append(min(bases) / estimate)
    assert len(ratios) > 25
    assert min(ratios) >= 1.0


def test_a_real_reply_gives_answers_in_most_hours() -> None:
    """Temperature, dew point, humidity, rain, code, cloud and sea-level pressure; nothing else."""
    from wxfly.physics.air import icing, thunderstorm

    path = need(DATA / "replies" / "berlin_2021-11-24_168h.json")
    hourly = json.loads(path.read_text(encoding="utf-8"))["hourly"]

    def take(name: str) -> np.ndarray:
        return np.array([np.nan if v is None else v for v in hourly[name]], dtype=float)

    t, dew_point = take("temperature_2m") + C, take("dew_point_2m") + C
    rh, code, rain = take("relative_humidity_2m") / 100, take("weather_code"), take("precipitation")
    pressure = atmosphere.surface_pressure_from_sea_level(take("pressure_msl") * 100, t, 44.8)
    base = cloud.cloud_base_height(np.nan, t, dew_point, pressure, take("cloud_cover_low") / 100)
    at_height = atmosphere.temperature_at_height(t, np.empty((t.size, 0)), [], 100.0)
    risk = icing.icing_risk(at_height, t, rh, rain, code, np.nan, base, 100.0)
    # Without CAPE only the dry cold air of these days excludes a storm.
    thunder = thunderstorm.thunderstorm_chance(code, rain, np.nan, np.nan, dew_point_temperature=dew_point)
    assert np.isnan(base).mean() < 0.01
    assert np.isnan(risk).mean() < 0.05
    assert np.isnan(thunder).mean() < 0.25
    assert {0.0, 1.0, 2.0} <= set(risk)
