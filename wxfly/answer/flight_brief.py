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
from wxfly.flight.budget import Budget
from wxfly.flight.reach import Flights, Reach, flights_in_window, reach, steady
from wxfly.flight.return_leg import Sortie, worst_moment
from wxfly.physics.wind.log_law import OPEN_GROUND_ROUGHNESS_LENGTH
from wxfly.pilot.site import Site

LAUNCH_HEIGHT = 10.0
"""At which the wind of the launch is told [m]: where forecasts and stations have it."""


@dataclass(frozen=True)
class EnergyBrief:
    """The sortie in the worst moment of the window.

    Attributes
    ----------
    sortie : Sortie
        What is to be flown.
    budget : Budget
        Numbers, at the moment and in the direction that need the most.
    moment : numpy.datetime64
        Which that is, UTC.
    reach : Reach
        Then, in every direction.
    flight_time : float
        Of one battery, working at the place as long as it can [s].
    flights : Flights
        What the batteries make of the window.
    """

    sortie: Sortie
    budget: Budget
    moment: np.datetime64
    reach: Reach
    flight_time: float
    flights: Flights


@dataclass(frozen=True)
class FlightBrief:
    """What the page shows.

    Attributes
    ----------
    answer : SiteAnswer
        The answer that the window is from.
    window : Window
        The chosen one.
    levels : mapping
        The window's hours at each height told, by height [m].
    rule : AnemometerRule
        What the anemometer may show.
    energy : EnergyBrief or None
        None where the aircraft's figures do not say.
    energy_missing : tuple of str
        The figures that are missing then.
    advice : Advice
        What to know of the window beside its limits.
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
        """How far the aircraft is seen all through the window [m]; NaN when not known."""
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
    """Gather the brief of a window.

    Parameters
    ----------
    cube : xarray.Dataset
        The forecast of the one site.
    answer, window
        The site's answer, and one of its windows.
    sortie : Sortie or None
        None where the aircraft's energy is not known.
    energy_missing : tuple of str, optional
        The figures that are missing then.
    anemometer_height, return_height : float
        [m]
    forecast_run : numpy.datetime64, optional
        Start of the run, UTC: the forecast's error grows with the time after it.
    confidence : float, optional
        Of the readings up to which the limits hold.
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
    return FlightBrief(answer, window, levels, rule, energy, energy_missing, advice)


def roughness_of(site: Site) -> float:
    """Return the roughness length of the ground around a site [m]: the roughest known, or open ground."""
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
        steady(worst.out_wind, worst.home_wind, sortie.plan),
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
