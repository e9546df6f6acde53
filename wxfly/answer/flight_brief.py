"""The flight brief: everything a pilot takes along for one window at one site."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import xarray as xr

from wxfly.answer.request import SiteAnswer
from wxfly.answer.windows import Window
from wxfly.assessment.conditions import derive
from wxfly.flight.advice import Advice, advise
from wxfly.flight.anemometer_reading import CONFIDENCE, AnemometerRule, anemometer_rule
from wxfly.flight.return_leg import worst_moment
from wxfly.flight.sortie import Budget, Flights, Reach, Sortie, flights_in_window, reach
from wxfly.physics.wind.surface_layer import OPEN_GROUND_ROUGHNESS_LENGTH
from wxfly.pilot.site import Site

LAUNCH_HEIGHT = 10.0
"""Height of the reported launch wind [m], where forecasts and stations have it."""


@dataclass(frozen=True)
class EnergyBrief:
    """The sortie at the most demanding time of the window.

    Attributes
    ----------
    sortie : Sortie
        The planned flight.
    budget : Budget
        Energy budget at the time and in the direction that need the most.
    moment : numpy.datetime64
        That time, UTC.
    reach : Reach
        Reach in every direction at that time.
    flight_time : float
        Flight time on one battery, working at the place as long as possible [s].
    flights : Flights
        The flights that the batteries allow in the window.
    """

    sortie: Sortie
    budget: Budget
    moment: np.datetime64
    reach: Reach
    flight_time: float
    flights: Flights


@dataclass(frozen=True, kw_only=True)
class FlightBrief:
    """Content of the page.

    Attributes
    ----------
    answer : SiteAnswer
        The answer that contains the window.
    window : Window
        The chosen window.
    levels : mapping
        The window's hours at each reported height, by height [m].
    rule : AnemometerRule
        The limits as an anemometer shows them.
    energy : EnergyBrief or None
        None where figures of the aircraft are missing.
    energy_missing : tuple of str
        The missing figures.
    advice : Advice
        Advice on the window beyond its limits.
    """

    answer: SiteAnswer
    window: Window
    levels: Mapping[float, xr.Dataset]
    rule: AnemometerRule
    energy: EnergyBrief | None
    energy_missing: tuple[str, ...]
    advice: Advice

    @property
    def sight_range(self) -> float:
        """Distance at which the aircraft stays visible all through the window [m]; NaN when unknown."""
        return self.advice.sight_range


def make_flight_brief(
    cube: xr.Dataset,
    answer: SiteAnswer,
    window: Window,
    *,
    sortie: Sortie | None,
    energy_missing: tuple[str, ...] = (),
    anemometer_height: float,
    return_height: float,
    forecast_run: np.datetime64 | None = None,
    confidence: float = CONFIDENCE,
) -> FlightBrief:
    """Return the brief of a window.

    Parameters
    ----------
    cube : xarray.Dataset
        The forecast of the site.
    answer, window
        The site's answer and one of its windows.
    sortie : Sortie or None
        None where the aircraft's energy is unknown.
    energy_missing : tuple of str, optional
        The missing figures.
    anemometer_height, return_height : float
        [m]
    forecast_run : numpy.datetime64, optional
        Start of the run, UTC; the forecast error grows with the time since then.
    confidence : float, optional
        Confidence of the anemometer readings up to which the limits are met.
    """
    request = answer.request
    heights = sorted({anemometer_height, LAUNCH_HEIGHT, request.height, return_height})
    levels = {height: _hours(cube, answer, window, height) for height in heights}
    flown = [levels[request.height], levels[return_height]]
    rule = anemometer_rule(
        levels[anemometer_height],
        flown if return_height != request.height else flown[:1],
        request.limits,
        roughness_length=roughness_of(request.site),
        confidence=confidence,
    )
    advice = advise(
        levels[request.height],
        request.aircraft,
        window.start,
        window.end,
        toward=request.toward,
        hill=request.site.hill,
    )
    energy = None
    if sortie is not None:
        flight, at_return = levels[request.height], levels[return_height]
        energy = _energy(sortie, flight, at_return, window, advice.sight_range, forecast_run)
    return FlightBrief(
        answer=answer,
        window=window,
        levels=levels,
        rule=rule,
        energy=energy,
        energy_missing=energy_missing,
        advice=advice,
    )


def roughness_of(site: Site) -> float:
    """Return the roughness length around a site [m]: the largest known, else that of open ground."""
    lengths = site.roughness_by_sector
    return OPEN_GROUND_ROUGHNESS_LENGTH if lengths is None else max(lengths)


def _hours(cube: xr.Dataset, answer: SiteAnswer, window: Window, height: float) -> xr.Dataset:
    if height == answer.request.height:
        return answer.conditions.isel(time=slice(window.first, window.last + 1))
    times = answer.conditions["time"].values
    return derive(
        cube,
        height=height,
        site=answer.request.site,
        daylight_rule=answer.request.limits.daylight_rule,
        start=times[window.first],
        end=times[window.last] + np.timedelta64(1, "h"),
    )


def _energy(
    sortie: Sortie,
    flight: xr.Dataset,
    at_return: xr.Dataset,
    window: Window,
    sight_range: float,
    forecast_run: np.datetime64 | None,
) -> EnergyBrief:
    worst = worst_moment(flight, at_return, sortie, np.datetime64("NaT", "s") if forecast_run is None else forecast_run)
    around = reach(
        sortie.model,
        sortie.plan,
        worst.out_wind,
        worst.home_wind,
        worst.air_density,
        worst.air_temperature,
        gust=worst.gust,
        limits={"sight": sight_range},
    )
    length = float(window.length / np.timedelta64(1, "s"))
    return EnergyBrief(
        sortie,
        worst.budget,
        worst.moment,
        around,
        worst.flight_time,
        flights_in_window(length, worst.flight_time, sortie.batteries),
    )
