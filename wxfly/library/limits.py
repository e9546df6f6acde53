"""Aircraft and limits for a program."""

from __future__ import annotations

from dataclasses import replace

from wxfly.pilot import aircraft as machines
from wxfly.pilot import limits as gathered
from wxfly.pilot.aircraft import Aircraft
from wxfly.pilot.elements import REQUIRED_BY_DEFAULT
from wxfly.pilot.limits import Limits
from wxfly.pilot.rules import DEFAULT as DEFAULT_RULES
from wxfly.pilot.rules import find_rules
from wxfly.pilot.settings import own_aircraft_file, own_rules_file


def find_aircraft(name: str) -> Aircraft:
    """Return an aircraft by its name: one of the pilot's own, or a shipped class.

    Parameters
    ----------
    name : str
        A name from the list of ``wxfly aircraft``.

    Returns
    -------
    Aircraft
        The aircraft, in SI units: winds [m s-1], temperatures [K], masses [kg], energy [J].

    Raises
    ------
    WxflyError
        For a name that is unknown, with the nearest one.

    Examples
    --------
    >>> import wxfly
    >>> wxfly.find_aircraft("camera-quad-250g").maximum_gust
    10.7
    """
    return machines.find_aircraft(name, own_aircraft_file())


def limits_for(
    aircraft: Aircraft | str,
    rules: str = DEFAULT_RULES,
    *,
    reserve: float = 0.2,
    confidence: float = 0.5,
    required: tuple[str, ...] = REQUIRED_BY_DEFAULT,
) -> Limits:
    """Return the limits of an aircraft under a rule set.

    Parameters
    ----------
    aircraft : Aircraft or str
        The aircraft, or its name.
    rules : str, optional
        Name of a rule set from the list of ``wxfly rules``: height limit, visibility, distance from cloud, daylight.
    reserve : float, optional
        Share of every limit to keep in reserve, 0 to below 1; an hour with less left is *narrow*.
    confidence : float, optional
        Probability that wind and gust at flight height are not above the compared value, 0.5 to below 1.
    required : tuple of str, optional
        Elements without which an hour is not known; the others are advised.

    Returns
    -------
    Limits
        In SI units. To set other limits: ``dataclasses.replace(limits, maximum_gust=7.0)``.

    Raises
    ------
    WxflyError
        For a name that is unknown, with the nearest one, or a share out of its range.

    Examples
    --------
    >>> import wxfly
    >>> wxfly.limits_for("camera-quad-250g").height_limit
    120.0
    """
    machine = find_aircraft(aircraft) if isinstance(aircraft, str) else aircraft
    limits = gathered.limits_for(machine, find_rules(rules, own_rules_file()), reserve=reserve, required=required)
    return replace(limits, confidence=confidence)
