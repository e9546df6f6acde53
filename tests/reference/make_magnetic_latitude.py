"""Make `wxfly/data/magnetic_latitude.csv`, the coarse grid of AACGM-v2 latitude that wxfly ships.

Run it where aacgmv2 is installed (``pip install aacgmv2==2.7.1``, needs a C compiler):

    python tests/reference/make_magnetic_latitude.py wxfly/data/magnetic_latitude.csv

AACGM-v2 (Shepherd 2014, doi 10.1002/2014JA020264) follows the real field (IGRF) from 110 km up and back down
along the dipole. It is not defined in a band along the magnetic equator; there the grid is filled along each
meridian, which only serves to have numbers: nothing in wxfly depends on latitudes below 40 degrees.
"""

from __future__ import annotations

import datetime
import sys
from pathlib import Path

import aacgmv2
import numpy as np

EPOCH = datetime.datetime(2025, 1, 1)
HEIGHT_KM = 110.0
LATITUDE_STEP, LONGITUDE_STEP = 5.0, 10.0


def make_grid() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return latitudes, longitudes and the AACGM latitude at each pair of them [degree]."""
    latitude = np.arange(-90.0, 90.1, LATITUDE_STEP)
    longitude = np.arange(-180.0, 180.0, LONGITUDE_STEP)
    # At the very poles longitude has no meaning for the converter; step just beside them.
    lat, lon = np.meshgrid(np.clip(latitude, -89.99, 89.99), longitude, indexing="ij")
    grid = aacgmv2.convert_latlon_arr(lat.ravel(), lon.ravel(), HEIGHT_KM, EPOCH)[0].reshape(lat.shape)
    for column in grid.T:
        known = np.isfinite(column)
        column[~known] = np.interp(latitude[~known], latitude[known], column[known])
    return latitude, longitude, grid


def main(path: Path) -> None:
    """Write the grid as a table, a row for each latitude."""
    latitude, longitude, grid = make_grid()
    made_by = f"aacgmv2 {aacgmv2.__version__}, {EPOCH:%Y-%m-%d}, {HEIGHT_KM:g} km"
    lines = [
        f"# AACGM-v2 latitude [degree]; {made_by}. Rows latitude, columns longitude [degree].",
        "# Filled along the meridian where it is not defined. Made by tests/reference/make_magnetic_latitude.py",
        "latitude," + ",".join(f"{x:g}" for x in longitude),
    ]
    lines += [
        f"{row_latitude:g}," + ",".join(f"{value:.3f}" for value in row)
        for row_latitude, row in zip(latitude, grid, strict=True)
    ]
    path.write_text("\n".join(lines) + "\n", encoding="ascii")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
