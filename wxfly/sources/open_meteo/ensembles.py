"""Ensembles of the ensemble service: who runs them, number of members, span of a gust.

Names, numbers of members and ranges are those of the service's documentation (open-meteo.com/en/docs/ensemble-api).
The span of a gust is that of the same centre's single model (`wxfly.sources.open_meteo.models`), the time between runs
that of the service's map (github.com/open-meteo/weather-map-layer) or, of the UK Met Office, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from wxfly.errors import WxflyError, unknown_name
from wxfly.sources.open_meteo import outlines
from wxfly.sources.open_meteo.models import HOUR_BEFORE, INSTANT, NOT_KNOWN, THREE_HOURS_BEFORE
from wxfly.sources.open_meteo.outlines import WORLD, Outline

_DWD, _NOAA, _ECMWF = "Deutscher Wetterdienst (DWD)", "NOAA National Centers for Environmental Prediction", "ECMWF"
_CMC, _UKMO, _MCH = "Environment and Climate Change Canada", "UK Met Office", "MeteoSwiss"

# Heights [m] that the service provides for ensembles. A height that a model lacks comes back without values, or as
# another height times a fixed ratio; both are left out.
WIND_HEIGHTS = (10, 80, 100, 120)
TEMPERATURE_HEIGHTS = (80, 120)


@dataclass(frozen=True)
class Ensemble:
    """One ensemble.

    Attributes
    ----------
    name : str
        The service's name for it.
    title, institution : str
        Title for people, and who runs it.
    members : int
        Number of members, the control included.
    resolution_km, range_days : float
        Mesh width [km] and length [d].
    region : str
        Region that it covers, in words.
    outline : Outline
        The place of its grid on Earth.
    interval_hours : float
        Time between runs [h].
    gust_covers_hours : tuple of float
        As in `wxfly.cube.contract.Variable.covers_hours`.
    license : str
        License of the data.
    """

    name: str
    title: str
    institution: str
    members: int
    resolution_km: float
    range_days: float
    region: str
    outline: Outline
    interval_hours: float
    gust_covers_hours: tuple[float, float] = NOT_KNOWN
    license: str = "CC BY 4.0"


_ROWS = (
    Ensemble("ncep_gefs025", "GEFS 0.25°", _NOAA, 31, 25, 10, "world", WORLD, 6, INSTANT),
    Ensemble("ncep_gefs05", "GEFS 0.5°", _NOAA, 31, 50, 35, "world", WORLD, 6, INSTANT),
    Ensemble("ecmwf_ifs025_ensemble", "IFS ensemble 0.25°", _ECMWF, 51, 25, 15, "world", WORLD, 6, THREE_HOURS_BEFORE),
    Ensemble("icon_global_eps", "ICON-EPS", _DWD, 40, 26, 7.5, "world", WORLD, 12, HOUR_BEFORE),
    Ensemble("icon_eu_eps", "ICON-EU-EPS", _DWD, 40, 13, 5, "Europe", outlines.ICON_EU, 6, HOUR_BEFORE),
    Ensemble("icon_d2_eps", "ICON-D2-EPS", _DWD, 20, 2, 2, "Central Europe", outlines.ICON_D2, 6, HOUR_BEFORE),
    Ensemble("gem_global_ensemble", "GEPS", _CMC, 21, 25, 16, "world", WORLD, 12),
    Ensemble("ukmo_global_ensemble_20km", "MOGREPS-G", _UKMO, 18, 20, 8, "world", WORLD, 6, license="CC BY-SA 4.0"),
    Ensemble(
        "meteoswiss_icon_ch1_ensemble", "ICON-CH1-EPS", _MCH, 11, 1, 1.4, "Alps", outlines.ICON_CH1, 12, HOUR_BEFORE
    ),
    Ensemble(
        "meteoswiss_icon_ch2_ensemble", "ICON-CH2-EPS", _MCH, 21, 2, 5, "Alps", outlines.ICON_CH2, 12, HOUR_BEFORE
    ),
)

ENSEMBLES: dict[str, Ensemble] = {row.name: row for row in _ROWS}
"""The ensembles that can be requested, by the service's name."""


def find_ensemble(name: str) -> Ensemble:
    """Return the ensemble of this name.

    Raises
    ------
    WxflyError
        With the nearest valid name. Mixtures (``…_seamless_eps``) are refused: their members change model in time.
    """
    if name in ENSEMBLES:
        return ENSEMBLES[name]
    fault = unknown_name("ensemble", name, ENSEMBLES)
    if "seamless" in name:
        raise WxflyError(f"{fault}; a mixture changes its model on the way")
    raise fault
