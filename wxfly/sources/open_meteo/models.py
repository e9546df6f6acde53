"""Weather models and ensembles of the forecast service: the variables and heights that each really has, its region.

The heights are those of the model's own output, read from the service's published source (github.com/open-meteo/
open-meteo, ``Sources/App/*/…Variable.swift``). A height outside the list would come back as another height rescaled by
a fixed law, which adds no information, so only these are requested. Resolution, range and the names of the run metadata
are those of the service's data description (github.com/open-meteo/open-data, README). The other variables of a model
are from the same sources. Two facts are from memory: that the service provides a probability of precipitation for ICON,
GFS, IFS and the models of Météo-France, and which variables MET Nordic lacks. The outline of each model and its source
are in `wxfly.sources.open_meteo.outlines`; the time between runs is that of the data description, that of the models
of the Canadian centre and of MET Nordic that of the service's map (github.com/open-meteo/weather-map-layer).

Open-Meteo fills a height that a model lacks by a fixed logarithmic law from another one (github.com/open-meteo/
open-meteo, ``Meteorology.scaleWindFactor``): the wind at 120 m is then the wind at 100 m times a constant, with the
same direction. Such a height adds nothing and hides the true shear, so it is left out.

Names, numbers of members and ranges of the ensembles are those of the service's documentation (open-meteo.com/en/docs/
ensemble-api). The span of a gust is that of the same centre's single model, the time between runs that of the service's
map or, of the UK Met Office, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.services import OF_ONE_MODEL
from wxfly.sources.open_meteo import outlines
from wxfly.sources.open_meteo.outlines import WORLD, Outline

# The span of a gust, in hours from its stamp.
HOUR_BEFORE = (-1.0, 0.0)
THREE_HOURS_BEFORE = (-3.0, 0.0)
INSTANT = (0.0, 0.0)
# An unknown model may use any of the three, so a gust counts for every hour it could belong to.
NOT_KNOWN = (-3.0, 1.0)


@dataclass(frozen=True)
class Model:
    """One weather model.

    Attributes
    ----------
    name : str
        The forecast service's name for it.
    title, institution : str
        Title for people, and who runs it.
    wind_heights, temperature_heights : tuple of int
        Heights above ground [m] that the model provides; temperatures also at 2 m.
    gust_covers_hours : tuple of float
        The span of a gust, as in `wxfly.cube.contract.Variable.covers_hours`.
    resolution_km, range_days : float
        Mesh width [km] and length of the forecast [d].
    domains : tuple of str
        Names of its run metadata; empty where they are not published under a name that we know.
    region : str
        Region that it covers, in words.
    outline : Outline
        The place of its grid on Earth.
    interval_hours : float
        Time between runs [h].
    long_interval_hours : float
        Time between runs of the full length, where some are shorter [h]; 0 where all are alike. Of ICON-EU by the
        service's source (``IconDomains.swift``), of the others from memory.
    license : str
        License of the data.
    provides : tuple of str
        Names among `OF_SOME_MODELS` that it provides. One of these that is missing from a reply is lost. For a name
        that is not listed the sources state nothing, and the model counts as lacking it.
    lacks : tuple of str
        Names among the others that it lacks.
    is_blend : bool
        Whether it is made from several models: its levels may then be of different ones.
    """

    name: str
    title: str
    institution: str
    wind_heights: tuple[int, ...]
    temperature_heights: tuple[int, ...]
    resolution_km: float
    range_days: float
    region: str
    outline: Outline
    interval_hours: float
    domains: tuple[str, ...] = ()
    gust_covers_hours: tuple[float, float] = HOUR_BEFORE
    license: str = "CC BY 4.0"
    provides: tuple[str, ...] = ()
    lacks: tuple[str, ...] = ()
    is_blend: bool = False
    long_interval_hours: float = 0.0

    def provides_name(self, name: str) -> bool:
        """Return whether it provides the variable of this name of the service."""
        return name in self.provides if name in OF_SOME_MODELS else name not in self.lacks


# Names of the service that only some models provide; every model provides all others except its `lacks`.
OF_SOME_MODELS = (
    "visibility", "cape", "lifted_index", "freezing_level_height", "boundary_layer_height", "roughness_length",
    "precipitation_probability",
)  # fmt: skip
_OF_ICON = ("cape", "freezing_level_height", "precipitation_probability")
_OF_AROME = ("cape", "precipitation_probability")
_OF_UM = ("visibility", "cape", "freezing_level_height")
_LAYERS = ("cloud_cover_low", "cloud_cover_mid", "cloud_cover_high")
_ICON = (10, 80, 120, 180)
_AROME = (10, 20, 50, 100, 150, 200)
_GEM = (10, 40, 80, 120)
_DWD, _NOAA = "Deutscher Wetterdienst (DWD)", "NOAA National Centers for Environmental Prediction"
_MF, _ECMWF, _CMC = "Météo-France", "ECMWF", "Environment and Climate Change Canada"
_KNMI, _DMI = "Royal Netherlands Meteorological Institute (KNMI)", "Danish Meteorological Institute (DMI)"
_UKMO, _MET, _MCH = "UK Met Office", "MET Norway", "MeteoSwiss"

_ROWS = (
    # GFS stores GUST:surface, which is an instantaneous gust.
    Model(
        "ncep_gfs_global", "GFS", _NOAA, (10, 80, 100), (80, 100), 25, 16, "world", WORLD, 6,
        ("ncep_gfs013", "ncep_gfs025"), INSTANT,
        provides=(
            "visibility", "cape", "lifted_index", "boundary_layer_height", "freezing_level_height",
            "precipitation_probability",
        ),
    ),
    Model(
        "ncep_hrrr_conus", "HRRR", _NOAA, (10, 80), (), 3, 2, "contiguous United States", outlines.HRRR, 1,
        ("ncep_hrrr_conus",),
        INSTANT, provides=("visibility", "cape", "boundary_layer_height"), long_interval_hours=6,
    ),
    Model(
        "ncep_nbm_conus", "NBM", _NOAA, (10, 80), (), 2.5, 11, "contiguous United States", outlines.NBM, 1,
        ("ncep_nbm_conus",),
        NOT_KNOWN, provides=("visibility", "cape", "precipitation_probability"),
        lacks=("surface_pressure", "pressure_msl", *_LAYERS), is_blend=True,
    ),
    Model(
        "icon_global", "ICON", _DWD, _ICON, _ICON[1:], 11, 7.5, "world", WORLD, 6, ("dwd_icon",), provides=_OF_ICON,
        long_interval_hours=12,
    ),
    Model(
        "icon_eu", "ICON-EU", _DWD, _ICON, _ICON[1:], 7, 5, "Europe", outlines.ICON_EU, 3, ("dwd_icon_eu",),
        provides=("visibility", *_OF_ICON), long_interval_hours=6,
    ),
    Model(
        "icon_d2", "ICON-D2", _DWD, _ICON, _ICON[1:], 2, 2, "Central Europe", outlines.ICON_D2, 3, ("dwd_icon_d2",),
        provides=("visibility", *_OF_ICON),
    ),
    # The service's page states that its gusts are the largest of the three hours before.
    Model(
        "ecmwf_ifs025", "IFS 0.25°", _ECMWF, (10, 100), (), 25, 15, "world", WORLD, 6, ("ecmwf_ifs025",),
        THREE_HOURS_BEFORE, provides=("cape", "precipitation_probability"), long_interval_hours=12,
    ),
    Model(
        "ecmwf_ifs", "IFS 9 km", _ECMWF, (10, 100, 200), (), 9, 10, "world", WORLD, 6,
        ("ecmwf_ifs",), THREE_HOURS_BEFORE,
        provides=("visibility", "boundary_layer_height"), long_interval_hours=12,
    ),
    Model(
        "meteofrance_arpege_world", "ARPEGE", _MF, _AROME, _AROME[1:], 25, 4, "world", WORLD, 6,
        ("meteofrance_arpege_world025",), provides=_OF_AROME,
    ),
    Model(
        "meteofrance_arpege_europe", "ARPEGE Europe", _MF, _AROME, _AROME[1:], 11, 4, "Europe", outlines.ARPEGE_EUROPE,
        6,
        ("meteofrance_arpege_europe",), provides=_OF_AROME,
    ),
    Model(
        "meteofrance_arome_france", "AROME", _MF, _AROME, _AROME[1:], 2.5, 2.1, "France", outlines.AROME_FRANCE, 3,
        ("meteofrance_arome_france0025",), provides=_OF_AROME,
    ),
    Model(
        "knmi_harmonie_arome_europe", "HARMONIE-AROME", _KNMI, (10, 50, 100, 200, 300), (50, 100, 200, 300), 5.5,
        2.5, "Central and Northern Europe", outlines.KNMI_EUROPE, 1,
        ("knmi_harmonie_arome_europe",), provides=("visibility",),
    ),
    Model(
        "knmi_harmonie_arome_netherlands", "HARMONIE-AROME 2 km", _KNMI, (10, 50, 100, 200, 300),
        (50, 100, 200, 300), 2, 2.5, "Netherlands and Belgium", outlines.KNMI_NETHERLANDS, 1,
        ("knmi_harmonie_arome_netherlands",),
        provides=("visibility",),
    ),
    Model(
        "dmi_harmonie_arome_europe", "HARMONIE-AROME (DMI)", _DMI, (10, 50, 100, 150, 250, 350, 450),
        (50, 100, 150, 250), 2, 2.5, "Central and Northern Europe", outlines.DMI_EUROPE, 3,
        ("dmi_harmonie_arome_europe",),
        provides=("visibility", "freezing_level_height"),
    ),
    Model(
        "ukmo_global_deterministic_10km", "UM global", _UKMO, (10,), (), 10, 7, "world", WORLD, 6,
        ("ukmo_global_deterministic_10km",), license="CC BY-SA 4.0", provides=_OF_UM,
    ),
    Model(
        "ukmo_uk_deterministic_2km", "UKV", _UKMO, (10,), (), 2, 2, "United Kingdom and Ireland", outlines.UKV, 1,
        ("ukmo_uk_deterministic_2km",), license="CC BY-SA 4.0", provides=_OF_UM,
    ),
    Model(
        "cmc_gem_gdps", "GDPS", _CMC, _GEM, _GEM[1:], 15, 10, "world", WORLD, 12, ("cmc_gem_gdps",), NOT_KNOWN,
        provides=("cape",),
    ),
    Model(
        "cmc_gem_rdps", "RDPS", _CMC, _GEM, _GEM[1:], 10, 3.5, "North America", outlines.RDPS, 6,
        ("cmc_gem_rdps",), NOT_KNOWN,
        provides=("cape",),
    ),
    Model(
        "cmc_gem_hrdps", "HRDPS", _CMC, _GEM, _GEM[1:], 2.5, 2, "Canada", outlines.HRDPS, 6,
        ("cmc_gem_hrdps",), NOT_KNOWN,
        provides=("cape",),
    ),
    Model(
        "metno_nordic", "MET Nordic", _MET, (10,), (), 1, 2.5, "Nordic countries", outlines.MET_NORDIC, 1,
        ("metno_nordic_pp",),
        lacks=_LAYERS,
    ),
)  # fmt: skip

MODELS: dict[str, Model] = {row.name: row for row in _ROWS}
"""The models that can be requested, by the service's name."""


def find_model(name: str) -> Model:
    """Return the model of this name.

    Raises
    ------
    WxflyError
        With the nearest valid name. Mixtures (``best_match``, ``…_seamless``) are refused: their winds at 10 m
        and at 80 m may come from different models.
    """
    if name in MODELS:
        return MODELS[name]
    fault = unknown_name("model", name, [*MODELS, *OF_ONE_MODEL])
    if name == "best_match" or name.endswith("_seamless"):
        raise WxflyError(f"{fault}; a mixture of models has levels of different models in one profile")
    raise fault


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


_ENSEMBLE_ROWS = (
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

ENSEMBLES: dict[str, Ensemble] = {row.name: row for row in _ENSEMBLE_ROWS}
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


def call_weight(parameters: Mapping[str, str], members: int = 1) -> float:
    """Return the weighted calls that a request costs, as the service counts them.

    For each place it is a tenth of the number of variables, of every member, at least 1, and more for over 14 days
    (published source of the service, ``ForecastApiResult.calculateQueryWeight``).
    """
    names = len(parameters["hourly"].split(",")) * members
    of_place = max(1.0, names / 10, names / 10 * float(parameters.get("forecast_days", 7)) / 14)
    return of_place * len(parameters["latitude"].split(","))


Array = npt.NDArray[np.float64]

# A height -> the heights from which the service computes it when the model lacks it, in the service's order.
MADE_FROM: dict[int, tuple[int, ...]] = {
    80: (75, 100),
    120: (125, 150, 100),
    180: (175, 200),
    100: (70, 120),
    200: (170, 180),
}
_ROUNDING = 0.06  # replies are rounded to 0.1 km/h or 0.01 m/s [m s-1]
_FEWEST_HOURS = 3


def rescaling_factor(height: float, from_height: float) -> float:
    """Return the service's fixed ratio of the wind at `height` to that at `from_height` [m].

    It is the logarithmic profile of FAO Irrigation and Drainage Paper 56, equation 47 (Allen et al. 1998).
    """
    return math.log(67.8 * height - 5.42) / math.log(67.8 * from_height - 5.42)


def drop_rescaled_heights(
    levels: Mapping[str, Mapping[int, Array]],
) -> tuple[dict[str, dict[int, Array]], list[str]]:
    """Remove heights whose wind equals that of another height times the fixed ratio in every hour.

    Parameters
    ----------
    levels : mapping
        Columns by our name and height [m]; wind in m s-1.

    Returns
    -------
    levels : dict
        The remaining columns. A copied direction goes back to the height it came from.
    dropped : list of str
        Names of the removed columns, such as ``wind_speed_120m``.
    """
    kept = {name: dict(by_height) for name, by_height in levels.items()}
    speed = kept.get("wind_speed", {})
    direction = kept.get("wind_from_direction", {})
    dropped = []
    for height, sources in MADE_FROM.items():
        origin = next((s for s in sources if _is_rescaled(speed, height, s)), None)
        if origin is None:
            continue
        del speed[height]
        dropped.append(f"wind_speed_{height}m")
        if height in direction:
            direction.setdefault(origin, direction[height])
            del direction[height]
    return kept, dropped


def _is_rescaled(speed: Mapping[int, Array], height: int, origin: int) -> bool:
    if height not in speed or origin not in speed:
        return False
    here, there = speed[height], speed[origin]
    both = np.isfinite(here) & np.isfinite(there)
    if not np.array_equal(np.isfinite(here), np.isfinite(there)) or both.sum() < _FEWEST_HOURS:
        return False
    if there[both].max() < 1.0:
        return False  # too calm to decide
    return bool(np.all(np.abs(here[both] - rescaling_factor(height, origin) * there[both]) <= _ROUNDING))
