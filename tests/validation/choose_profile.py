"""Show why the constants of the profile from 10 m are what they are, on the tower's even fortnights.

    python tests/validation/choose_profile.py FILE.csv.gz

prints a table over a grid of the three constants of ``wxfly/physics/wind_laws.py``, with stability from temperatures
and from sun and cloud: RMSE from 10 to 80 m, bias in hours with 8 m/s and more at 80 m, and the worst ratio to the RMSE
of the 1/7 law over the stability classes. Chosen is a row near the least RMSE among those with a bias within 0.1 m/s
and no class above the 1/7 law by more than 0.5 % (rounding); one unstable share for both.
"""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.validation.fit_wind_error import obukhov_lengths
from tests.validation.records import read_tower
from tests.validation.tower import STABILITY
from wxfly.physics.wind import surface_layer

STABLE = (0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 1.0)
UNSTABLE = (0.3, 0.5, 0.75, 1.0)
DECOUPLED = (0.06, 0.075, 0.1, 0.15, 0.2, 0.3)


def rows(path: Path | str, source: str) -> list[tuple[float, ...]]:
    """Stable share, unstable share, decoupling, RMSE, bias in strong wind, worst ratio; for one source of stability."""
    record = read_tower(path)
    by_temperatures, by_sun = obukhov_lengths(record)
    length = by_temperatures if source == "temperatures" else by_sun
    low, truth = record.speed[10], record.speed[80]
    keep = record.fitted & ~np.isnan(low + truth + by_temperatures + length)
    low, truth, length = low[keep], truth[keep], length[keep]
    by_law = surface_layer.power_law_wind_speed(low, 10, 80) - truth
    zeta = 10.0 / by_temperatures[keep]
    classes = [(zeta > least) & (zeta <= most) for least, most in STABILITY.values()]
    as_shipped = surface_layer.UNSTABLE_SHARE, dict(surface_layer.STABLE_SHARE), dict(surface_layer.DECOUPLED_ZETA)
    found = []
    try:
        for stable, unstable, decoupled in itertools.product(STABLE, UNSTABLE, DECOUPLED):
            surface_layer.UNSTABLE_SHARE = unstable
            surface_layer.STABLE_SHARE[source], surface_layer.DECOUPLED_ZETA[source] = stable, decoupled
            provided = surface_layer.surface_layer_wind_speed(
                low, 10, 80, obukhov_length=length, stability_source=source
            )
            error = provided - truth
            worst = max(np.sqrt(np.mean(error[c] ** 2) / np.mean(by_law[c] ** 2)) for c in classes)
            root = float(np.sqrt(np.mean(error**2)))
            found.append((stable, unstable, decoupled, root, float(np.mean(error[truth >= 8])), float(worst)))
    finally:
        surface_layer.UNSTABLE_SHARE = as_shipped[0]
        surface_layer.STABLE_SHARE.update(as_shipped[1])
        surface_layer.DECOUPLED_ZETA.update(as_shipped[2])
    return found


def main() -> None:
    """Print the tables."""
    for source, stable_share in surface_layer.STABLE_SHARE.items():
        chosen = (stable_share, surface_layer.UNSTABLE_SHARE, surface_layer.DECOUPLED_ZETA[source])
        print(source)
        print("stable  unstable  decoupled   RMSE   bias at 8 m/s and more   worst ratio to the 1/7 law in a class")
        for stable, unstable, decoupled, root, bias, worst in rows(sys.argv[1], source):
            mark = "  <- chosen" if (stable, unstable, decoupled) == chosen else ""
            print(f"{stable:6.2f}  {unstable:8.2f}  {decoupled:9.3f}  {root:5.3f}  {bias:22.3f}   {worst:8.3f}{mark}")


if __name__ == "__main__":
    main()
