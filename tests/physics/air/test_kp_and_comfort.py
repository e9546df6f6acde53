"""Kp at a place, comfort, and the rule sets."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.handbook import comfort as handbook_comfort
from tests.handbook import geomagnetic as handbook_geomagnetic
from wxfly.physics import geomagnetic, sun
from wxfly.physics.air import comfort
from wxfly.physics.geomagnetic import cubic_weights
from wxfly.units import parse_quantity

C = 273.15
DATA = Path(__file__).resolve().parents[3] / "wxfly" / "data"
kps = st.floats(0, 9)
latitudes = st.floats(-90, 90)


class TestGeomagnetic:
    @given(latitudes, st.floats(-180, 180))
    def test_the_grid_is_smooth_and_periodic(self, latitude: float, longitude: float) -> None:
        here = float(geomagnetic.geomagnetic_latitude(latitude, longitude))
        assert abs(here) <= 91
        assert float(geomagnetic.geomagnetic_latitude(latitude, longitude + 360)) == pytest.approx(here, abs=1e-6)
        near = float(geomagnetic.geomagnetic_latitude(np.clip(latitude + 0.01, -90, 90), longitude))
        assert abs(near - here) < 0.05

    def test_western_europe_is_lower_than_in_the_dipole(self) -> None:
        """Up to 5.6 degrees: at the boundary that is two to three units of Kp."""
        difference = handbook_geomagnetic.dipole_latitude(51.5, -0.13) - geomagnetic.geomagnetic_latitude(51.5, -0.13)
        assert float(difference) == pytest.approx(5.6, abs=0.1)

    def test_the_shipped_grid_is_what_the_package_gives(self) -> None:
        """aacgmv2, where it is installed, at places between the points of the grid."""
        aacgmv2 = pytest.importorskip("aacgmv2")
        import datetime

        places = np.array([(52.3, 13.4), (61.2, -149.9), (47.6, -122.3), (-36.8, 174.8), (33.7, 130.1), (78.2, 15.6)])
        exact = aacgmv2.convert_latlon_arr(*places.T, 110.0, datetime.datetime(2025, 1, 1))[0]
        assert np.abs(geomagnetic.geomagnetic_latitude(*places.T) - exact).max() < 0.05

    @given(kps, kps, latitudes)
    def test_risk_grows_with_kp(self, a: float, b: float, latitude: float) -> None:
        low, high = sorted((a, b))
        assert geomagnetic.kp_risk(low, latitude) <= geomagnetic.kp_risk(high, latitude)
        assert handbook_geomagnetic.auroral_boundary(high) <= handbook_geomagnetic.auroral_boundary(low)

    @given(latitudes, latitudes)
    def test_limit_falls_toward_the_poles(self, a: float, b: float) -> None:
        low, high = sorted((abs(a), abs(b)))
        assert geomagnetic.kp_limit(high) <= geomagnetic.kp_limit(low)
        assert 4.66 < float(geomagnetic.kp_limit(a)) < 9

    @given(kps, latitudes)
    def test_above_the_limit_the_risk_is_high(self, kp: float, latitude: float) -> None:
        limit = float(geomagnetic.kp_limit(latitude))
        assert (float(geomagnetic.kp_risk(kp, latitude)) == 2) == (kp > limit)

    @pytest.mark.parametrize(
        ("kp", "latitude", "risk"),
        [(3, 47.7, 0), (5.33, 47.7, 0), (7, 20, 1), (8, 47.7, 2), (8, 20, 1), (9, 20, 2), (4, 67.2, 1),
         (5, 67.2, 2), (4.67, 67.2, 1), (7.67, 47.7, 1), (2, 58, 0), (np.nan, 50, np.nan)],
    )  # fmt: skip
    def test_risk(self, kp: float, latitude: float, risk: float) -> None:
        assert np.array_equal(float(geomagnetic.kp_risk(kp, latitude)), risk, equal_nan=True)

    def test_words_promise_no_metres(self) -> None:
        for kp in (0, 2, 4.67, 5, 6.33, 8, 9, np.nan):
            for latitude in (10, 47, 56, 67):
                words = geomagnetic.describe_kp(kp, latitude)
                assert words
                assert " m " not in words and "metre" not in words
        assert "not known" in geomagnetic.describe_kp(np.nan, 50)

    def test_thirds(self) -> None:
        assert geomagnetic.g_scale([4.67, 5.0, 8.67, 9.0]).tolist() == [0, 1, 4, 5]
        assert geomagnetic.g_scale(4.6667) == 0
        assert np.isnan(geomagnetic.g_scale(np.nan)) and np.isnan(handbook_geomagnetic.ap_from_kp(np.nan))
        assert np.isnan(handbook_geomagnetic.ap_from_kp(12.0))


@given(st.floats(0, 1))
def test_cubic_weights_reproduce_cubics(x: float) -> None:
    points = np.array([-1.0, 0.0, 1.0, 2.0])
    weights = cubic_weights(x)
    for power in range(4):
        assert sum(float(w) * p**power for w, p in zip(weights, points, strict=True)) == pytest.approx(x**power)


class TestComfort:
    @given(st.floats(-50, 20), st.floats(0, 40), st.floats(0, 10))
    def test_wind_never_warms(self, t: float, wind: float, more: float) -> None:
        here = float(comfort.wind_chill(t + C, wind))
        assert here <= t + C + 1e-9
        assert float(comfort.wind_chill(t + C, wind + more)) <= here + 1e-9

    def test_advice_is_silent_in_between(self) -> None:
        assert comfort.describe_cold(C + 5) == comfort.describe_heat(C + 20) == ""
        assert comfort.describe_cold(np.nan) == comfort.describe_heat(np.nan) == ""
        assert "10 to 15 minutes" in comfort.describe_cold(C - 40)
        said = [comfort.describe_cold(C - t) for t in (12, 30, 40)]
        assert len(set(said)) == 3
        assert len({comfort.describe_heat(C + t) for t in (20, 29, 36, 45)}) == 4

    @given(st.floats(0, 60))
    def test_beaufort(self, wind: float) -> None:
        force = float(comfort.beaufort_force(wind))
        assert float(handbook_comfort.beaufort_lower_bound(force)) <= wind
        if force < 12:
            assert wind < float(handbook_comfort.beaufort_lower_bound(force + 1))

    def test_beaufort_by_the_scale(self) -> None:
        """WMO Beaufort scale, equivalent speeds at 10 m."""
        bounds = [0.0, 0.3, 1.6, 3.4, 5.5, 8.0, 10.8, 13.9, 17.2, 20.8, 24.5, 28.5, 32.7]
        assert handbook_comfort.beaufort_lower_bound(np.arange(13)).tolist() == bounds
        assert comfort.beaufort_force(bounds).tolist() == list(range(13))

    @given(st.floats(27.5, 45), st.floats(0.14, 0.84))
    def test_the_two_formulas_differ_only_where_adjusted(self, t: float, rh: float) -> None:
        """US Weather Prediction Center: adjustments below 13 %, and above 85 % from 80 to 87 degF."""
        whole = float(comfort.heat_index(t + C, rh))
        if whole >= C + 27.5:
            assert whole == pytest.approx(float(handbook_comfort.heat_index_by_regression(t + C, rh)))
        hot = t + 10
        assert float(comfort.heat_index(hot + C, 0.9)) == pytest.approx(
            float(handbook_comfort.heat_index_by_regression(hot + C, 0.9))
        )

    @pytest.mark.parametrize(("t", "bounds"), [(27.0, 1), (32.0, 2), (41.0, 3)])
    def test_bounds_of_the_advice_on_heat(self, t: float, bounds: int) -> None:
        steps = [comfort.describe_heat(C + v) for v in (20.0, 30.0, 36.0, 45.0)]
        assert comfort.describe_heat(C + t + 0.1) == steps[bounds]
        assert comfort.describe_heat(C + t - 0.1) == steps[bounds - 1]

    def test_unknown_in_unknown_out(self) -> None:
        for value in (
            comfort.wind_chill(np.nan, 5.0), comfort.wind_chill(263.0, np.nan), comfort.heat_index(np.nan, 0.5),
            comfort.heat_index(300.0, np.nan), comfort.beaufort_force(np.nan),
            handbook_comfort.beaufort_lower_bound(np.nan),
        ):  # fmt: skip
            assert np.isnan(value)


RULES = tomllib.loads((DATA / "rules.toml").read_text(encoding="utf-8"))
QUANTITIES = {
    "height_limit": "length", "minimum_visibility": "length", "cloud_separation": "length",
    "cloud_separation_horizontal": "length", "maximum_ground_speed": "speed",
}  # fmt: skip


class TestRules:
    def test_the_sets(self) -> None:
        assert set(RULES) == {"us", "eu_open", "uk", "own"}
        for name, rule in RULES.items():
            assert {"title", "reminder", "height_limit", "minimum_visibility", "daylight_rule"} <= set(rule)
            assert "local rules prevail" in rule["reminder"].lower(), name

    def test_each_limit_says_where_it_stands_and_when_it_was_read(self) -> None:
        for rule in RULES.values():
            for key, limit in rule.items():
                if key in ("title", "reminder"):
                    continue
                assert set(limit) == {"value", "paragraph", "standing", "read", "note"}
                assert limit["standing"] in ("law", "guidance", "common practice")
                assert limit["read"] in ("2026-11-25", "2026-11-28", "from memory")
                assert (limit["standing"] == "law") <= (limit["paragraph"] != "none")
                if key in QUANTITIES:
                    assert parse_quantity(limit["value"], QUANTITIES[key], "m") > 0
                elif key == "daylight_rule":
                    assert limit["value"] in sun.DAYLIGHT_RULES
                else:
                    assert key in ("line_of_sight", "aircraft_light")
