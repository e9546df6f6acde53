"""The services that wxfly asks, one row each: address, purpose, what is sent to it, its terms, its reader."""

from __future__ import annotations

from dataclasses import dataclass

_OPEN_METEO = "Weather data by Open-Meteo.com (https://open-meteo.com/)"
_NOAA_FILES = "Forecast by NOAA/NCEP (https://www.noaa.gov/)"


@dataclass(frozen=True)
class Service:
    """One service.

    Attributes
    ----------
    name : str
        Name of its address, under ``[sources]`` and in the environment as ``WXFLY_<NAME>_URL``.
    address : str
        Its default address.
    title, provides, sends, terms : str
        For the reference: its name, its purpose, what is sent to it, and its terms.
    source : str
        Its name in notes, errors and provenance.
    attribution : str
        Shown with every output made from its data.
    takes_key : bool
        Whether it belongs to the service that a customer has a key for; the key is sent to no other.
    reader : str
        Module whose ``parse_kept`` reads its forecasts again from the store; empty where none are kept.
    kept_as : str
        Its name in the head of a kept forecast.
    model : str
        Model name of a service that has only one model, and that is asked in place of another where the pilot named
        none. Its reader has ``get_forecast`` and ``parse_forecast`` too.
    """

    name: str
    address: str
    title: str
    provides: str
    sends: str
    terms: str
    source: str = ""
    attribution: str = ""
    takes_key: bool = False
    reader: str = ""
    kept_as: str = ""
    model: str = ""


SERVICES: dict[str, Service] = {
    row.name: row
    for row in (
        Service(
            "forecast", "https://api.open-meteo.com/v1/forecast", "Open-Meteo forecast",
            "the forecast of one model, and the wind of the cells around a site",
            "coordinates to 0.01° (1 km), of models finer than 5 km to 0.001°; height of the ground",
            "free for non-commercial use; data CC BY 4.0 (of the UK Met Office CC BY-SA 4.0), with a link beside every"
            " output",
            "Open-Meteo", _OPEN_METEO, takes_key=True,
            reader="wxfly.sources.open_meteo.forecast", kept_as="open_meteo",
        ),
        Service(
            "ensemble", "https://ensemble-api.open-meteo.com/v1/ensemble", "Open-Meteo ensembles",
            "members that give the chance, unless `--ensemble none`", "the same", "as the forecast",
            "Open-Meteo", _OPEN_METEO, takes_key=True,
            reader="wxfly.sources.open_meteo.ensemble", kept_as="ensemble",
        ),
        Service(
            "previous_runs", "https://previous-runs-api.open-meteo.com/v1/forecast", "Open-Meteo past forecasts",
            "what was forecast days before an hour, only with `wxfly verify --past`", "the same coordinates",
            "as the forecast", "Open-Meteo", _OPEN_METEO, takes_key=True,
        ),
        Service(
            "geocoding", "https://geocoding-api.open-meteo.com/v1/search", "Open-Meteo place search",
            "coordinates of a place name", "the name", "names from GeoNames, CC BY", "Open-Meteo",
            "Place names from GeoNames (https://www.geonames.org/) by Open-Meteo.com (https://open-meteo.com/)",
            takes_key=True,
        ),
        Service(
            "elevation", "https://api.open-meteo.com/v1/elevation", "Open-Meteo ground height",
            "height of the ground", "coordinates to 0.0001° (11 m), once for each place", "Copernicus GLO-90",
            "Open-Meteo", _OPEN_METEO, takes_key=True,
        ),
        Service(
            "metadata", "https://api.open-meteo.com/data", "Open-Meteo run metadata", "when the model ran",
            "nothing of the place", "as the forecast", "Open-Meteo", _OPEN_METEO,
        ),
        Service(
            "grids", "https://openmeteo.s3.amazonaws.com", "Open-Meteo file store",
            "forecast grids, only with the extra `grids`, for `wxfly where`", "which part of the globe is read",
            "data CC BY 4.0, with a link beside every output; the library that reads its files, omfiles, is GPL-2.0",
            "Open-Meteo file store", _OPEN_METEO,
        ),
        Service(
            "noaa_gfs", "https://noaa-gfs-bdp-pds.s3.amazonaws.com", "NOAA GFS files",
            "GRIB2 files of GFS, only for programs with the extra `grib`", "nothing of the place", "public domain",
            "NOAA GFS files", _NOAA_FILES,
        ),
        Service(
            "noaa_hrrr", "https://noaa-hrrr-bdp-pds.s3.amazonaws.com", "NOAA HRRR files",
            "GRIB2 files of HRRR, only for programs with the extra `grib`", "nothing of the place", "public domain",
            "NOAA HRRR files", _NOAA_FILES,
        ),
        Service(
            "ecmwf_open_data", "https://data.ecmwf.int/forecasts", "ECMWF open data",
            "GRIB2 files of IFS, only for programs with the extra `grib`", "nothing of the place",
            "CC BY 4.0, with a link beside every output", "ECMWF open data",
            "Forecast by ECMWF (https://www.ecmwf.int/), CC BY 4.0, read into a grid by wxfly",
        ),
        Service(
            "space_weather", "https://services.swpc.noaa.gov", "NOAA Space Weather Prediction Center",
            "Kp: forecast of three days, outlook of 27", "nothing of the place", "public domain",
            "NOAA Space Weather Prediction Center",
            "Kp by NOAA Space Weather Prediction Center (https://www.spaceweather.gov/)",
        ),
        Service(
            "gfz", "https://kp.gfz.de/app/json", "GFZ German Research Centre for Geosciences",
            "Kp of the hours just past, only when NOAA's forecast of it cannot be had and none is kept",
            "nothing of the place", "CC BY 4.0, Matzka et al. 2021", "GFZ German Research Centre for Geosciences",
            "Kp by GFZ (https://kp.gfz.de/, CC BY 4.0, Matzka et al. 2021)",
        ),
        Service(
            "met_norway", "https://api.met.no/weatherapi/locationforecast/2.0/complete",
            "MET Norway Locationforecast",
            "a second source: `--model met_norway`, or when the first has failed and nothing is stored that is young"
            " enough to use",
            "coordinates to 0.001° (110 m), height of the ground",
            "CC BY 4.0; it wants to know who asks, so `contact` must be set", "MET Norway",
            "Data from MET Norway (https://www.met.no/), CC BY 4.0",
            reader="wxfly.sources.met_norway", kept_as="met_norway", model="met_norway",
        ),
        Service(
            "aviation_weather", "https://aviationweather.gov/api/data", "Aviation Weather Center",
            "airport reports and airports' own forecasts near the site", "a box of about 120 km", "public domain",
            "Aviation Weather Center",
            "Airport reports: NOAA/NWS Aviation Weather Center (https://aviationweather.gov/)",
        ),
    )
}  # fmt: skip
"""The services by name; `wxfly.pilot.settings` has the addresses in force."""

OF_ONE_MODEL: dict[str, Service] = {row.model: row for row in SERVICES.values() if row.model}
"""The services that have only one model, by its name."""
