"""Published tables, worked examples and reference libraries: every row of tests/reference/wind.csv."""

import csv
import re
from pathlib import Path

import numpy as np
import pytest

from tests.handbook import gust as handbook_gust
from tests.handbook import surface_layer as handbook_surface_layer
from tests.handbook import terrain as handbook_terrain
from wxfly.physics.wind import components, gust, surface_layer, terrain

TABLE = (Path(__file__).parents[2] / "reference" / "wind.csv").read_text(encoding="utf-8")
ROWS = list(csv.DictReader(TABLE.splitlines()))
CLASS = {name: i + 1 for i, name in enumerate("ABCDEFG")}


def number(text, name):
    """The number after ``name=`` in the inputs of a row."""
    found = re.search(rf"(?:^|[; ]){re.escape(name)}\s*>?=\s*(-?[0-9./]+)", text)
    assert found, (text, name)
    value = found[1].rstrip(".")
    return float(value.split("/")[0]) / float(value.split("/")[1]) if "/" in value else float(value)


def word(text, name):
    return re.search(rf"{name}=([A-Za-z0-9]+)", text)[1]


def computed(row):
    what, given = row["quantity"], row["inputs"]
    if what in ("en1991_Iv", "en1991_cr"):
        z0, smallest = handbook_gust.EN_CATEGORIES[word(given, "category")]
        give = gust.turbulence_intensity if what.endswith("Iv") else handbook_gust.roughness_factor
        return give(max(number(given, "z"), smallest), z0)
    if what == "wind_interp_lnz_m_s":
        return handbook_surface_layer.interpolate_in_log_height(5, 10, 8, 100, number(given, "z"))
    if what.startswith("wind_log_law"):
        d = number(given, "d") if "d=" in given else 0.0
        return surface_layer.log_law_wind_speed(
            number(given, "U10"), 10, number(given, "z"), number(given, "z0"), displacement_height=d
        )
    if what == "wind_power_law_m_s":
        return surface_layer.power_law_wind_speed(5, 10, number(given, "z"), number(given, "alpha"))
    if what == "esdu_peak_factor_3s_1h":
        return gust.peak_factor(number(given, "z"))
    if what == "wmo_gust_factor_3s":
        return gust.gust_factor(number(given, "Iu"), reference_period=number(given, "T0"))
    if what == "durst_factor_vs_1h":
        return handbook_gust.durst_factor(number(given, "t"))
    if what == "expected_max_of_N_rayleigh_peaks":
        return handbook_gust.expected_largest_peak(number(given, "N"))
    if what == "iec_ntm_turbulence_intensity":
        return handbook_gust.turbulence_intensity_at_hub(number(given, "U"), number(given, "Iref"))
    if what == "ecmwf_gust_m_s":
        ratio = number(given, "zi/L")
        return handbook_gust.gust_from_friction_velocity(number(given, "U10"), number(given, "ustar"), ratio)
    if what == "ecmwf_gust_coefficient":
        return handbook_gust.IFS_GUST_COEFFICIENT[number(given, "P_exceed")]
    if what == "deardorff_wstar_m_s":
        return handbook_gust.convective_velocity_scale(250, 1.15, 298, 1500)
    if what == "bulk_richardson":
        return handbook_surface_layer.bulk_richardson_number(2, 6, 283.15, 284.15, 2, 80)
    if what in ("psi_m_BusingerDyer", "psi_m_stable_BeljaarsHoltslag91"):
        return surface_layer.momentum_stability_correction(number(given, "zeta"))
    if what == "psi_h_BusingerDyer":
        return surface_layer.heat_stability_correction(number(given, "zeta"))
    if what == "turner_stability_class":
        return handbook_surface_layer.turner_stability_class(number(given, "U10"), number(given, "net_radiation_index"))
    if what == "obukhov_L_golder_m":
        return handbook_surface_layer.obukhov_length_from_class(CLASS[word(given, "class")], number(given, "z0"))
    if what == "power_exponent_by_PG_class":
        kinds = ("rural", "urban")
        return [
            handbook_surface_layer.power_law_exponent_of_class(CLASS[word(given, "class")], surroundings=k)
            for k in kinds
        ]
    if what == "en1991_orography_co":
        return handbook_terrain.orography_factor(30, 300, number(given, "z"), distance_from_crest=number(given, "x"))
    if what == "taylor_lee_dS_max":
        shape = "escarpment" if "escarpment" in given else "round_hill"
        return terrain.hill_speed_up(shape, 10, 100, 0).factor - 1
    raise AssertionError(f"no function for {what}")


@pytest.mark.parametrize("row", ROWS, ids=[f"{r['quantity']} {r['inputs']}"[:70] for r in ROWS])
def test_published_value(row):
    expected = [float(v.rpartition("=")[2]) for v in row["expected"].split("|")]
    tolerance = row["tolerance"].split()[0]
    allowed = 1e-9 if tolerance == "exact" else float(tolerance) + 1e-9
    np.testing.assert_allclose(np.ravel(computed(row)), expected, rtol=0, atol=allowed)


def test_psi_against_the_integral_of_its_gradient_function():
    """Dyer's phi = (1 - 16 zeta)**-1/4, integrated numerically, gives the closed form of Paulson."""
    integrate = pytest.importorskip("scipy.integrate")
    for zeta in (-0.05, -0.5, -2.0):
        value, _ = integrate.quad(lambda x: (1 - (1 - 16 * x) ** -0.25) / x, 0, zeta)
        assert surface_layer.momentum_stability_correction(zeta) == pytest.approx(value, abs=1e-8)


def test_components_agree_with_metpy():
    calc = pytest.importorskip("metpy.calc", reason="MetPy comes with the extra 'reference'")
    units = pytest.importorskip("metpy.units").units
    for speed, direction in ((5.0, 0.0), (7.3, 45.0), (12.0, 217.0), (3.0, 359.0)):
        u, v = calc.wind_components(speed * units("m/s"), direction * units.degree)
        east, north = components.wind_components(speed, direction)
        assert (east, north) == (pytest.approx(u.magnitude), pytest.approx(v.magnitude))
        back = components.wind_from_components(east, north)
        assert back[1] == pytest.approx(calc.wind_direction(u, v).to("degree").magnitude % 360)
