"""The runner of check values: how it reads, what it counts, and that it can fail."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

import check_values
from check_values import Row, run

HERE = Path(__file__).resolve().parent
SHARED = HERE.parents[1] / "shared" / "check_values.csv"
HEAD = "quantity,inputs,expected,tolerance,source,source_kind\n"

NOT_COMPUTED = {
    "appendix_C_continuous_max_LWC_g_m3", "auroral_equatorward_boundary_MLAT_deg", "ekman_angle_from_geostrophic_deg",
    "energy_per_distance_MJ_km", "llj_climatology_cabauw", "llj_criterion", "m100_dataset",
    "magnetic_declination_deg", "moist_air_density_CIPM2007_kg_m3", "nrel_spa_sunset", "nwp_10m_wind_error_m_s",
    "psi_m_stable_ChengBrutsaert05", "psi_m_unstable_Hogstrom88", "vlos_legacy_uk_m",
}  # fmt: skip
"""Quantities of the table that wxfly does not compute, or computes by another method."""
COVERED_IN_PART = {"li_ion_capacity_ratio_vs_25C", "psi_h_BusingerDyer", "psi_m_BusingerDyer"}
"""Quantities of which some rows are of another method."""


def make_row(quantity: str, inputs: str, expected: str, tolerance: str = "0.01") -> Row:
    return Row(quantity, inputs, expected, tolerance, "this test", "test")


# The same question as it may be written in other tables.
SPELLINGS = [
    ("esat_water_hPa", "20 C", "23.3921"),
    ("esat_water_hPa", "T = 293.15 K", "23.3921"),
    ("esat_water_hPa", "t=68 F", "23.3921"),
    ("moist_air_density_kg_m3", "RH=50 %; t=20 C; p=1013.25 hPa", "1.19936"),
    ("moist_air_density_kg_m3", "T=293.15; p=101325; RH=0.5", "1.19936"),
    ("lcl_height_romps_m", "T=20 C; RH=70 %; p=1000 hPa", "716.007"),
    ("geomagnetic_lat_dipole_deg", "lat=51.5; lon=-0.13", "53.3465"),
    ("geomagnetic_lat_AACGM_deg", "Hobart 42.88 S 147.33 E; 110 km", "-53.734"),
    ("kp_to_ap", "Kp=5+", "56"),
    ("kp_to_ap", "Kp=8-", "179"),
    ("wind_chill_ec", "V10=20 km/h, T=-10 C", "-17.86"),
    ("wind_chill_ec", "T=263.15 K; V10=5.5556 m/s", "-17.86"),
    ("shadow_length_per_m", "elevation = 10 deg", "5.67128"),
    ("density_altitude_from_rho_m", "rho = 1.0", "2064.30"),
    ("sunrise_UTC", "London 51.5,-0.1275; local date 2025-06-21", "06-21 03:43:10"),
    ("vlos_alos_m", "fixed wing CD=1.1 m", "569"),
    ("vlos_dlos_m", "ground visibility 3000 m", "900"),
    ("wmo_4677", "code=81", "rain showers moderate"),
    ("wmo_4677", "code=55", "drizzle dense"),
    ("lifted_index_chance", "-3 to -6", "moderate"),
    ("kp_to_G", "Kp=4", "none"),
    ("frost_point_C", "RHw=90 %; t=-20 C", "-19.023"),
]


@pytest.mark.parametrize(("quantity", "inputs", "expected"), SPELLINGS)
def test_reads_other_spellings(quantity: str, inputs: str, expected: str) -> None:
    result = run(make_row(quantity, inputs, expected))
    assert result.outcome == "passed", result.reason


def test_a_wrong_value_fails() -> None:
    assert run(make_row("esat_ice_hPa", "t=-20 C", "1.05", "0.1 %")).outcome == "failed"
    assert run(make_row("kp_to_G", "Kp=8.667", "G5", "exact")).outcome == "failed"
    late = make_row("sunset_UTC", "London 51.5,-0.1275; local date 2025-06-21", "06-21 20:22:32", "10 s")
    assert run(late).outcome == "failed"
    assert run(make_row("wmo_4677", "code=61", "snow slight", "n/a")).outcome == "failed"


def test_a_place_without_the_event_is_said_so() -> None:
    row = make_row("civil_dusk_UTC", "Reykjavik 64.1466,-21.9426; local date 2025-06-21", "none")
    assert run(row).outcome == "passed"


def test_unknown_quantity_and_unreadable_inputs_are_not_covered() -> None:
    assert run(make_row("phase_of_the_moon", "today", "full")).outcome == "not covered"
    assert run(make_row("moist_air_density_kg_m3", "a warm day", "1.2")).outcome == "not covered"


@pytest.mark.thorough
def test_the_runner_counts_and_tells_by_its_exit_code(tmp_path: Path) -> None:
    table = tmp_path / "values.csv"
    table.write_text(
        HEAD
        + "kp_to_G,Kp=6,G2,exact,test,test\n"
        + "kp_to_G,Kp=6,G3,exact,test,test\n"
        + "phase_of_the_moon,today,full,exact,test,test\n",
        encoding="utf-8",
    )
    done = subprocess.run(
        [sys.executable, str(HERE / "check_values.py"), str(table)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    counted = json.loads(done.stdout.splitlines()[-1])
    assert (counted["passed"], counted["failed"], counted["not_covered"]) == (1, 1, 1)
    assert counted["summary"] == "1 passed, 1 failed, 1 not covered"
    assert "phase_of_the_moon" in done.stdout


def test_the_whole_table() -> None:
    if not SHARED.exists():
        pytest.skip("the table of check values is not beside the checkout")
    results = [run(row) for row in check_values.read_rows(SHARED)]
    failed = [r for r in results if r.outcome == "failed"]
    assert not failed, [(r.row.quantity, r.row.inputs, r.reason) for r in failed]
    not_covered = {r.row.quantity for r in results if r.outcome == "not covered"}
    assert not_covered <= NOT_COMPUTED | COVERED_IN_PART
