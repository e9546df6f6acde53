"""Weather models and ensembles of the forecast service: what each really has, and the part of the Earth that it covers.

The heights are those of the model's own output, read from the service's published source (github.com/open-meteo/
open-meteo, ``Sources/App/*/…Variable.swift``). A height outside the list would come back as another height rescaled by
a fixed law, which adds no information, so only these are requested. Resolution, range and the names of the run metadata
are those of the service's data description (github.com/open-meteo/open-data, README). The other variables of a model
are from the same sources. Two facts are from memory: that the service provides a probability of precipitation for ICON,
GFS, IFS and the models of Météo-France, and which variables MET Nordic lacks. The time between runs is that of the data
description, that of the models of the Canadian centre and of MET Nordic that of the service's map (github.com/
open-meteo/weather-map-layer).

Names, numbers of members and ranges of the ensembles are those of the service's documentation (open-meteo.com/en/docs/
ensemble-api). The span of a gust is that of the same centre's single model, the time between runs that of the service's
map or, of the UK Met Office, from memory.

An outline is the part of the Earth that a model's published grid covers. Grids, projections and corners are those of
the service's own map (``src/domains.ts`` and ``src/tests/fixtures/crs-wkt.json``). Where the service fills a regular
grid from one that is turned, its corners are empty: then the outline is the polygon of the filled part
(``src/domain-footprints.ts``).

References
----------
[Snyder1987] Snyder, J. P. (1987): Map projections, a working manual. USGS Professional Paper 1395. Equations 15-1 to
    15-4 are the Lambert conformal conic projection, 24-2 to 24-4 the Lambert azimuthal equal-area projection, on the
    sphere.
[CF] CF conventions, appendix F: the rotated pole.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from wxfly.errors import WxflyError, unknown_name
from wxfly.pilot.services import OF_ONE_MODEL

EARTH = 6_371_229.0
"""Radius of the sphere that weather models use [m]."""


class Outline(Protocol):
    """The part of the Earth that a grid covers."""

    def covers(self, latitude: float, longitude: float) -> bool:
        """Return whether a place [degree] lies inside; on the edge it does."""
        ...


@dataclass(frozen=True)
class World:
    """Every place on Earth."""

    def covers(self, latitude: float, longitude: float) -> bool:
        """Return True."""
        return True


@dataclass(frozen=True)
class Box:
    """A box of latitude and longitude [degree]; none of them crosses the date line."""

    south: float
    west: float
    north: float
    east: float

    def covers(self, latitude: float, longitude: float) -> bool:
        """Return whether a place [degree] lies inside."""
        return self.south <= latitude <= self.north and self.west <= longitude <= self.east


@dataclass(frozen=True)
class Polygon:
    """A polygon of corners (longitude, latitude) [degree], its sides straight in latitude and longitude."""

    corners: tuple[tuple[float, float], ...]

    def covers(self, latitude: float, longitude: float) -> bool:
        """Return whether a place [degree] lies inside: a ray to the east crosses the sides an odd number of times."""
        inside = False
        for (x, y), (next_x, next_y) in zip(self.corners, (*self.corners[1:], self.corners[0]), strict=True):
            if (y > latitude) != (next_y > latitude):
                inside ^= longitude < x + (latitude - y) / (next_y - y) * (next_x - x)
        return inside


class Projection(Protocol):
    """A map of the Earth on which a grid is a box."""

    def __call__(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return the place [degree] on the map, east and north."""
        ...


@dataclass(frozen=True)
class Lambert:
    """Lambert conformal conic projection with one standard parallel on the sphere [m]; see [Snyder1987]."""

    parallel: float
    meridian: float

    def __call__(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return the place on the map [m]; nothing south of 89.9 degrees south is on it."""
        parallel = math.radians(self.parallel)
        cone = math.sin(parallel)
        scale = math.cos(parallel) * math.tan(math.pi / 4 + parallel / 2) ** cone / cone

        def radius(angle: float) -> float:
            return float(EARTH * scale / math.tan(math.pi / 4 + math.radians(angle) / 2) ** cone)

        here = radius(min(max(latitude, -89.9), 89.999))
        turned = cone * math.radians(_difference(longitude, self.meridian))
        return here * math.sin(turned), radius(self.parallel) - here * math.cos(turned)


@dataclass(frozen=True)
class EqualArea:
    """Lambert azimuthal equal-area projection on the sphere [m]; see [Snyder1987]."""

    latitude: float
    longitude: float

    def __call__(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return the place on the map [m]; the antipode of its centre is at no place on it."""
        here, centre = math.radians(latitude), math.radians(self.latitude)
        turned = math.radians(_difference(longitude, self.longitude))
        towards = math.sin(centre) * math.sin(here) + math.cos(centre) * math.cos(here) * math.cos(turned)
        if towards <= -1.0 + 1e-12:
            return math.inf, math.inf
        scale = EARTH * math.sqrt(2 / (1 + towards))
        north = math.cos(centre) * math.sin(here) - math.sin(centre) * math.cos(here) * math.cos(turned)
        return scale * math.cos(here) * math.sin(turned), scale * north


@dataclass(frozen=True)
class RotatedPole:
    """Latitude and longitude about another pole [degree]; see [CF]."""

    pole_latitude: float
    pole_longitude: float

    def __call__(self, latitude: float, longitude: float) -> tuple[float, float]:
        """Return longitude and latitude about that pole [degree]."""
        here, pole = math.radians(latitude), math.radians(self.pole_latitude)
        turned = math.radians(longitude - self.pole_longitude)
        up = math.sin(here) * math.sin(pole) + math.cos(here) * math.cos(pole) * math.cos(turned)
        east = -math.cos(here) * math.sin(turned)
        north = math.sin(here) * math.cos(pole) - math.cos(here) * math.sin(pole) * math.cos(turned)
        return math.degrees(math.atan2(east, north)), math.degrees(math.asin(max(-1.0, min(1.0, up))))


@dataclass(frozen=True)
class ProjectedBox:
    """A box on a map, from one corner to the opposite one.

    Attributes
    ----------
    projection : Projection
        The map.
    corners : tuple of tuple of float
        Both corners on the map, east and north.
    """

    projection: Projection
    corners: tuple[tuple[float, float], tuple[float, float]]

    def covers(self, latitude: float, longitude: float) -> bool:
        """Return whether a place [degree] lies inside."""
        east, north = self.projection(latitude, longitude)
        (west, south), (far_east, far_north) = self.corners
        return west <= east <= far_east and south <= north <= far_north


def between_corners(projection: Projection, south_west: Sequence[float], north_east: Sequence[float]) -> ProjectedBox:
    """Return the box on a map between two places (latitude, longitude) [degree], its first and its last cell."""
    return ProjectedBox(projection, (projection(*south_west), projection(*north_east)))


def from_corner(
    projection: Projection, corner: tuple[float, float], cells: tuple[int, int], step: tuple[float, float]
) -> ProjectedBox:
    """Return the box on a map from its first cell, on the map, over so many cells of this width, east and north."""
    far = tuple(at + (count - 1) * width for at, count, width in zip(corner, cells, step, strict=True))
    return ProjectedBox(projection, (corner, (far[0], far[1])))


def _difference(longitude: float, meridian: float) -> float:
    """Return how far east of a meridian a longitude is, from -180 up to 180 [degree]."""
    return (longitude - meridian + 180.0) % 360.0 - 180.0


WORLD = World()
ICON_EU = Box(29.5, -23.5, 70.5, 62.5)
ICON_D2 = Polygon((
    (-0.32, 43.18), (8.64, 43.64), (17.64, 43.38), (20.34, 57.7), (14.54, 58.0), (7.88, 58.06), (2.2, 57.86),
    (-3.94, 57.36),
))  # fmt: skip
ARPEGE_EUROPE = Box(20.0, -32.0, 72.0, 42.0)
AROME_FRANCE = Polygon((
    (-8.175, 37.525), (-0.2, 38.0), (5.85, 37.95), (12.2, 37.525), (15.975, 54.7), (7.825, 55.275), (-0.5, 55.375),
    (-6.25, 55.15), (-12.0, 54.675),
))  # fmt: skip
KNMI_EUROPE = between_corners(RotatedPole(35.0, 172.0), (39.74063, -25.162262), (62.619324, 38.75702))
KNMI_NETHERLANDS = Box(49.0, 0.0, 56.002, 11.281)
DMI_EUROPE = between_corners(Lambert(55.5, -8.0), (39.671, -25.421997), (62.667618, 40.069855))
UKV = from_corner(EqualArea(54.9, -2.5), (-1_158_000.0, -1_036_000.0), (1042, 970), (2000.0, 2000.0))
HRRR = between_corners(Lambert(38.5, -97.5), (21.138, -122.72), (47.8424, -60.918))
_NBM_MAP = Lambert(25.0, -95.0)
NBM = from_corner(_NBM_MAP, _NBM_MAP(19.229, -126.277), (2345, 1597), (2539.7, 2539.7))
RDPS = between_corners(RotatedPole(31.758286, 87.596985), (-3.771976, -124.61325), (50.039913, 32.107147))
HRDPS = between_corners(RotatedPole(36.0885, 65.305), (39.626034, -133.62952), (47.87646, -40.708527))
MET_NORDIC = between_corners(Lambert(63.0, 15.0), (52.30272, 1.9184653), (72.18527, 41.764282))
_SWISS_POLE = RotatedPole(43.0, 190.0)
ICON_CH1 = from_corner(_SWISS_POLE, (-6.46, -4.06), (1089, 705), (0.01, 0.01))
ICON_CH2 = from_corner(_SWISS_POLE, (-6.46, -4.06), (545, 353), (0.02, 0.02))


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
        "ncep_hrrr_conus", "HRRR", _NOAA, (10, 80), (), 3, 2, "contiguous United States", HRRR, 1,
        ("ncep_hrrr_conus",),
        INSTANT, provides=("visibility", "cape", "boundary_layer_height"), long_interval_hours=6,
    ),
    Model(
        "ncep_nbm_conus", "NBM", _NOAA, (10, 80), (), 2.5, 11, "contiguous United States", NBM, 1,
        ("ncep_nbm_conus",),
        NOT_KNOWN, provides=("visibility", "cape", "precipitation_probability"),
        lacks=("surface_pressure", "pressure_msl", *_LAYERS), is_blend=True,
    ),
    Model(
        "icon_global", "ICON", _DWD, _ICON, _ICON[1:], 11, 7.5, "world", WORLD, 6, ("dwd_icon",), provides=_OF_ICON,
        long_interval_hours=12,
    ),
    Model(
        "icon_eu", "ICON-EU", _DWD, _ICON, _ICON[1:], 7, 5, "Europe", ICON_EU, 3, ("dwd_icon_eu",),
        provides=("visibility", *_OF_ICON), long_interval_hours=6,
    ),
    Model(
        "icon_d2", "ICON-D2", _DWD, _ICON, _ICON[1:], 2, 2, "Central Europe", ICON_D2, 3, ("dwd_icon_d2",),
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
        "meteofrance_arpege_europe", "ARPEGE Europe", _MF, _AROME, _AROME[1:], 11, 4, "Europe", ARPEGE_EUROPE,
        6,
        ("meteofrance_arpege_europe",), provides=_OF_AROME,
    ),
    Model(
        "meteofrance_arome_france", "AROME", _MF, _AROME, _AROME[1:], 2.5, 2.1, "France", AROME_FRANCE, 3,
        ("meteofrance_arome_france0025",), provides=_OF_AROME,
    ),
    Model(
        "knmi_harmonie_arome_europe", "HARMONIE-AROME", _KNMI, (10, 50, 100, 200, 300), (50, 100, 200, 300), 5.5,
        2.5, "Central and Northern Europe", KNMI_EUROPE, 1,
        ("knmi_harmonie_arome_europe",), provides=("visibility",),
    ),
    Model(
        "knmi_harmonie_arome_netherlands", "HARMONIE-AROME 2 km", _KNMI, (10, 50, 100, 200, 300),
        (50, 100, 200, 300), 2, 2.5, "Netherlands and Belgium", KNMI_NETHERLANDS, 1,
        ("knmi_harmonie_arome_netherlands",),
        provides=("visibility",),
    ),
    Model(
        "dmi_harmonie_arome_europe", "HARMONIE-AROME (DMI)", _DMI, (10, 50, 100, 150, 250, 350, 450),
        (50, 100, 150, 250), 2, 2.5, "Central and Northern Europe", DMI_EUROPE, 3,
        ("dmi_harmonie_arome_europe",),
        provides=("visibility", "freezing_level_height"),
    ),
    Model(
        "ukmo_global_deterministic_10km", "UM global", _UKMO, (10,), (), 10, 7, "world", WORLD, 6,
        ("ukmo_global_deterministic_10km",), license="CC BY-SA 4.0", provides=_OF_UM,
    ),
    Model(
        "ukmo_uk_deterministic_2km", "UKV", _UKMO, (10,), (), 2, 2, "United Kingdom and Ireland", UKV, 1,
        ("ukmo_uk_deterministic_2km",), license="CC BY-SA 4.0", provides=_OF_UM,
    ),
    Model(
        "cmc_gem_gdps", "GDPS", _CMC, _GEM, _GEM[1:], 15, 10, "world", WORLD, 12, ("cmc_gem_gdps",), NOT_KNOWN,
        provides=("cape",),
    ),
    Model(
        "cmc_gem_rdps", "RDPS", _CMC, _GEM, _GEM[1:], 10, 3.5, "North America", RDPS, 6,
        ("cmc_gem_rdps",), NOT_KNOWN,
        provides=("cape",),
    ),
    Model(
        "cmc_gem_hrdps", "HRDPS", _CMC, _GEM, _GEM[1:], 2.5, 2, "Canada", HRDPS, 6,
        ("cmc_gem_hrdps",), NOT_KNOWN,
        provides=("cape",),
    ),
    Model(
        "metno_nordic", "MET Nordic", _MET, (10,), (), 1, 2.5, "Nordic countries", MET_NORDIC, 1,
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
    Ensemble("icon_eu_eps", "ICON-EU-EPS", _DWD, 40, 13, 5, "Europe", ICON_EU, 6, HOUR_BEFORE),
    Ensemble("icon_d2_eps", "ICON-D2-EPS", _DWD, 20, 2, 2, "Central Europe", ICON_D2, 6, HOUR_BEFORE),
    Ensemble("gem_global_ensemble", "GEPS", _CMC, 21, 25, 16, "world", WORLD, 12),
    Ensemble("ukmo_global_ensemble_20km", "MOGREPS-G", _UKMO, 18, 20, 8, "world", WORLD, 6, license="CC BY-SA 4.0"),
    Ensemble("meteoswiss_icon_ch1_ensemble", "ICON-CH1-EPS", _MCH, 11, 1, 1.4, "Alps", ICON_CH1, 12, HOUR_BEFORE),
    Ensemble("meteoswiss_icon_ch2_ensemble", "ICON-CH2-EPS", _MCH, 21, 2, 5, "Alps", ICON_CH2, 12, HOUR_BEFORE),
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
