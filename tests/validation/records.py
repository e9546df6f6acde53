"""Reading of the measured masts and towers, the check of their instruments, and the blocks of time.

Every record is split by fortnights counted from 1970-01-01: constants are fitted on the even ones only, and what is
reported is of the odd ones unless said otherwise. Neighbouring hours are alike, whole fortnights are not.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

SHARED = Path(__file__).resolve().parents[3] / "shared" / "data"
TOWER = SHARED / "tower_m5" / "m5_hourly_2012_2014.csv.gz"
BREEZE = SHARED / "mast_breeze" / "winddata.csv.gz"
SODAR = SHARED / "model_vs_sodar" / "sodar_wrf_10min.csv"
BERLIN = SHARED / "replies" / "berlin_2021-11-24_168h.json"

FORTNIGHT = 14
# A cup that stands still while the others turn is frozen or broken, not a calm.
STOPPED = 0.3
TURNING = 2.0
# Two cups within a third of each other's height do not differ by more than this unless one is iced or broken.
NEIGHBOURS = 1.34
LARGEST_DIFFERENCE = 1.5
LARGEST_SHARE = 0.75


def brightwind_file() -> Path | None:
    """The 40/60/80 m mast, where ``get_brightwind.py`` has put it; None when it is not there."""
    folder = Path(os.environ.get("WXFLY_VALIDATION_DATA", Path.home() / ".cache" / "wxfly-validation"))
    path = folder / "brightwind_demo_data.csv"
    return path if path.is_file() else None


@dataclass
class Record:
    """One mast: arrays by height [m], in m/s, degree and K."""

    time: np.ndarray
    speed: dict[int, np.ndarray]
    direction: dict[int, np.ndarray] = field(default_factory=dict)
    temperature: dict[int, np.ndarray] = field(default_factory=dict)
    gust: dict[int, np.ndarray] = field(default_factory=dict)
    deviation: dict[int, np.ndarray] = field(default_factory=dict)
    as_recorded: dict[int, np.ndarray] = field(default_factory=dict)

    @property
    def fitted(self) -> np.ndarray:
        """Whether a record lies in a fortnight that constants are fitted on."""
        return (self.time.astype("datetime64[D]").astype(int) // FORTNIGHT) % 2 == 0


def read_tower(path: Path | str) -> Record:
    """Read a tower file: ``Speed (cup_ N m)``, ``Direction (Vane_ N m)``, ``Air Temperature (N m)``, time ``t``."""
    table = pd.read_csv(path)
    time = pd.to_datetime(table["t"], utc=True).dt.tz_localize(None).to_numpy().astype("datetime64[s]")
    speed = _columns(table, r"Speed \(cup_ ?(\d+) m\)")
    direction = _columns(table, r"Direction \(Vane_ ?(\d+) m\)")
    temperature = {h: v + 273.15 for h, v in _columns(table, r"Air Temperature \((\d+) m\)").items()}
    return Record(time, checked(speed), direction, temperature, as_recorded=speed)


def _columns(table: pd.DataFrame, pattern: str) -> dict[int, np.ndarray]:
    found = {int(m[1]): name for name in table.columns if (m := re.fullmatch(pattern, name))}
    return {h: table[found[h]].to_numpy(dtype=float) for h in sorted(found)}


def checked(speed: dict[int, np.ndarray]) -> dict[int, np.ndarray]:
    """Take out readings of cups that stand still, or lag far behind a neighbour, while the others turn."""
    good = {h: v.copy() for h, v in speed.items()}
    with np.errstate(invalid="ignore"):
        everything = np.stack(list(speed.values()))
        usual = np.full(everything.shape[1], np.nan)
        some = ~np.isnan(everything).all(axis=0)
        usual[some] = np.nanmedian(everything[:, some], axis=0)
        for values in good.values():
            values[(values < STOPPED) & (usual > TURNING)] = np.nan
        heights = sorted(good)
        for low, high in pairwise(heights):
            if low < 10 or high / low > NEIGHBOURS:
                continue
            a, b = good[low].copy(), good[high].copy()
            lagging = (np.abs(a - b) > LARGEST_DIFFERENCE) & (np.fmin(a, b) < LARGEST_SHARE * np.fmax(a, b))
            good[low][lagging & (a < b)] = np.nan
            good[high][lagging & (b < a)] = np.nan
    return good


def read_breeze(path: Path | str) -> Record:
    """Read the 20/30/40 m mast: ``vN_Hm_avg``, ``_max``, ``_std``, ``dirN_Hm_avg``; ten-minute records."""
    table = pd.read_csv(path)
    time = pd.to_datetime(table["date_time"], format="%d.%m.%Y %H:%M").to_numpy().astype("datetime64[s]")
    speed = _columns(table, r"v\d_(\d+)m_avg")
    gust, deviation = _columns(table, r"v\d_(\d+)m_max"), _columns(table, r"v\d_(\d+)m_std")
    good = checked(speed)
    for h in gust:
        gust[h] = np.where(np.isnan(good[h]), np.nan, gust[h])
    return Record(time, good, _columns(table, r"dir\d_(\d+)m_avg"), {}, gust, deviation, speed)


def read_brightwind(path: Path | str) -> Record:
    """Read the 40/60/80 m mast; of the two cups of a level the one out of the mast's wake, that is the faster."""
    table = pd.read_csv(path, encoding="utf-8-sig")
    time = pd.to_datetime(table["Timestamp"]).to_numpy().astype("datetime64[s]")
    speed, gust, deviation, direction = {}, {}, {}, {}
    for h in (40, 60, 80):
        north, south = table[f"Spd{h}mN"].to_numpy(float), table[f"Spd{h}mS"].to_numpy(float)
        use_south = np.isnan(north) | (south > north)
        speed[h] = np.where(use_south, south, north)
        gust[h] = np.where(use_south, table[f"Spd{h}mSMax"], table[f"Spd{h}mNMax"]).astype(float)
        deviation[h] = np.where(use_south, table[f"Spd{h}mSStd"], table[f"Spd{h}mNStd"]).astype(float)
        direction[h] = table[f"Dir{h - 2}mS"].to_numpy(float)
    good = checked(speed)
    for h in gust:
        gust[h] = np.where(np.isnan(good[h]), np.nan, gust[h])
    return Record(time, good, direction, {}, gust, deviation, speed)


def hourly(record: Record) -> Record:
    """Return the means of whole hours of a ten-minute record: what a forecast of hours speaks of; speeds alone."""
    hour = record.time.astype("datetime64[h]").astype("datetime64[s]")
    groups = pd.DataFrame(record.speed).groupby(hour)
    means, whole = groups.mean(), groups.count() == 6
    return Record(
        means.index.to_numpy().astype("datetime64[s]"),
        {h: means[h].where(whole[h]).to_numpy(dtype=float) for h in record.speed},
    )


def rmse(error: np.ndarray) -> float | None:
    """Root mean square of the errors that are there; None without any."""
    kept = error[~np.isnan(error)]
    return round(float(np.sqrt(np.mean(kept**2))), 4) if kept.size else None


def mean(error: np.ndarray) -> float | None:
    """Mean of what is there; None without any."""
    kept = error[~np.isnan(error)]
    return round(float(np.mean(kept)), 4) if kept.size else None


def scores(error: np.ndarray) -> dict[str, float | int | None]:
    """RMSE, bias, MAE and the count."""
    return {
        "rmse": rmse(error),
        "bias": mean(error),
        "mae": mean(np.abs(error)),
        "n": int((~np.isnan(error)).sum()),
    }
