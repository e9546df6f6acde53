"""Answer from the shipped demonstration: invented places with invented weather."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from wxfly import store
from wxfly.obtained import Obtained, run_of
from wxfly.site import Site


def from_demonstration(sites: Sequence[Site], now: np.datetime64 | None) -> Obtained:
    """Give the shipped forecast for sites of the demonstration.

    Parameters
    ----------
    sites : sequence of Site
        Of the demonstration.
    now : numpy.datetime64 or None
        Chooses the run that covers it; by default the first one answers, for its own time.
    """
    entries = store.load_manifest()["files"]
    entry = next((e for e in entries if e.get("default")), entries[0])
    if now is not None:
        for other in entries:
            start = np.datetime64(other["forecast_reference_time"].rstrip("Z"), "s")
            if start <= now < start + np.timedelta64(int(other["hours"]), "h"):
                entry = other
    names = [row["name"] for row in entry["sites"]]
    cube = store.shipped_forecast(entry["file"]).isel(site=[names.index(site.name) for site in sites])
    run = run_of(cube)
    return Obtained(
        tuple(sites), cube, run if now is None else now, "demo", run, run,
        (f"demonstration: site and weather are invented ({entry['title']})",), is_chosen=True,
    )  # fmt: skip
