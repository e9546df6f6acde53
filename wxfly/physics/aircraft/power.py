"""The power of flight: of multirotors in hover, climb and forward flight, and of fixed wings from their glide.

Both are calibrated from figures that a pilot has. Momentum theory yields the air flow through the rotor discs and the
ideal power for it. In hover the rotors push air down at the induced velocity. In forward flight they meet more air, so
the induced velocity and its power fall; then drag takes over. The power has a minimum at a moderate speed, so hovering
costs more than flying slowly.

References
----------
[Anderson-1999] Anderson, J. D. (1999): Aircraft Performance and Design, chapter 5: parabolic drag polar, best glide
    at equal shares of parasitic and induced drag.
[Bauersfeld-2021] Bauersfeld, L. and Scaramuzza, D. (2021): Range, endurance, and optimal speed estimates for
    multicopters. IEEE Robotics and Automation Letters (arXiv:2109.04741): within about 10 % from data-sheet figures.
[Leishman-2006] Leishman, J. G. (2006): Principles of Helicopter Aerodynamics, 2nd ed., chapters 2 and 5: momentum
    theory in hover, climb and forward flight (Glauert), profile power, figure of merit.
[Zeng-2019] Zeng, Y., Xu, J. and Zhang, R. (2019): Energy minimization for wireless communication with rotary-wing
    UAV. IEEE Trans. Wireless Commun. 18, 2329-2345 (arXiv:1804.02238).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from wxfly.physics.air.atmosphere import STANDARD_DENSITY

Array = npt.NDArray[np.float64]

FIGURE_OF_MERIT = 0.6
"""Ratio of ideal to real rotor power in hover, small rotors [1]; 0.5 to 0.7, value from memory."""


def disc_area(rotor_diameter: npt.ArrayLike, rotor_count: npt.ArrayLike) -> Array:
    """Return the area that all rotors sweep [m2], from the diameter of one [m] and their number."""
    return np.asarray(np.asarray(rotor_count, float) * np.pi * np.asarray(rotor_diameter, float) ** 2 / 4)


def hover_induced_velocity(thrust: npt.ArrayLike, area: npt.ArrayLike, air_density: npt.ArrayLike) -> Array:
    """Return the velocity at which rotors in hover push air through their discs.

    Parameters
    ----------
    thrust : array_like
        [N]; in hover the weight.
    area : array_like
        All discs together [m2].
    air_density : array_like
        [kg m-3]; all broadcast.

    Returns
    -------
    ndarray
        [m s-1]: ``sqrt(T / (2 rho A))`` [Leishman-2006].
    """
    t, a, rho = (np.asarray(x, dtype=float) for x in (thrust, area, air_density))
    return np.asarray(np.sqrt(t / (2.0 * rho * a)))


def hover_ideal_power(thrust: npt.ArrayLike, area: npt.ArrayLike, air_density: npt.ArrayLike) -> Array:
    """Return the least possible power in hover [W]: thrust times `hover_induced_velocity`."""
    return np.asarray(np.asarray(thrust, dtype=float) * hover_induced_velocity(thrust, area, air_density))


def induced_velocity(
    hover_velocity: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    disc_tilt: npt.ArrayLike = 0.0,
    climb_speed: npt.ArrayLike = 0.0,
) -> Array:
    """Return the induced velocity in forward flight with tilted discs, and in climb (Glauert).

    Parameters
    ----------
    hover_velocity : array_like
        `hover_induced_velocity` at the same thrust [m s-1], above 0.
    airspeed : array_like
        Horizontal [m s-1], not negative.
    disc_tilt : array_like, optional
        Tilt with the forward side down [degree], 0 to 90.
    climb_speed : array_like, optional
        [m s-1]. A descent counts as level flight, because momentum theory is not valid in it. All broadcast.

    Returns
    -------
    ndarray
        [m s-1], the root of ``vi = vh^2 / sqrt((V cos a)^2 + (V sin a + Vc cos a + vi)^2)`` [Leishman-2006].
    """
    vh, v = np.asarray(hover_velocity, dtype=float), np.asarray(airspeed, dtype=float)
    angle = np.deg2rad(np.asarray(disc_tilt, dtype=float))
    climb = np.maximum(np.asarray(climb_speed, dtype=float), 0.0)
    in_plane = v * np.cos(angle) - climb * np.sin(angle)
    through = v * np.sin(angle) + climb * np.cos(angle)
    # In units of vh. The left side minus the right side increases with vi, and its root lies between 0 and 1.
    x, y = in_plane / vh, through / vh
    ratio = 1.0 / np.sqrt(1.0 + x**2 + y**2)
    for _ in range(40):
        flow = np.sqrt(x**2 + (y + ratio) ** 2)
        value = ratio * flow - 1.0
        slope = flow + ratio * (y + ratio) / flow
        step = value / slope
        ratio = ratio - step
        if np.all((np.abs(step) < 1e-13) | np.isnan(step)):
            break
    return np.asarray(vh * ratio)


def thrust_to_weight(
    at_reference: npt.ArrayLike,
    air_density: npt.ArrayLike,
    reference_density: npt.ArrayLike = STANDARD_DENSITY,
) -> Array:
    """Return the largest ratio of thrust to weight in air of another density, at the same highest rpm.

    Thrust is proportional to density.

    Parameters
    ----------
    at_reference : array_like
        Ratio of thrust to weight at `reference_density` [1].
    air_density, reference_density : array_like
        [kg m-3]; all broadcast.
    """
    rho, reference = np.asarray(air_density, dtype=float), np.asarray(reference_density, dtype=float)
    return np.asarray(np.asarray(at_reference, dtype=float) * rho / reference)


INDUCED_FACTOR = 1.15
"""Ratio of real to ideal induced power [1], [Leishman-2006]."""
PROFILE_FACTOR = 4.65
"""Growth of profile power with the square of the advance ratio [1], [Leishman-2006]; [Zeng-2019] has 3."""
THRUST_COEFFICIENT = 0.013
"""Thrust over density, disc area and square of the tip speed [1], small fixed-pitch propellers; common practice,
no source."""
MODEL_DEVIATION = 0.10
"""Standard deviation of the power of the calibrated model [1], [Bauersfeld-2021]."""


def level_flight_thrust(
    weight: npt.ArrayLike, drag_area: npt.ArrayLike, airspeed: npt.ArrayLike, air_density: npt.ArrayLike
) -> tuple[Array, Array, Array]:
    """Return thrust [N], drag [N] and disc tilt [degree] in level flight.

    Parameters
    ----------
    weight : array_like
        [N]
    drag_area : array_like
        Drag coefficient times area [m2].
    airspeed : array_like
        [m s-1]
    air_density : array_like
        [kg m-3]; all broadcast.
    """
    w, v = np.asarray(weight, dtype=float), np.asarray(airspeed, dtype=float)
    drag = 0.5 * np.asarray(air_density, float) * np.asarray(drag_area, float) * v**2
    return np.asarray(np.hypot(w, drag)), np.asarray(drag), np.asarray(np.rad2deg(np.arctan2(drag, w)))


def flight_power(
    weight: npt.ArrayLike,
    area: npt.ArrayLike,
    drag_area: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    air_density: npt.ArrayLike,
    *,
    drive_efficiency: npt.ArrayLike,
    climb_speed: npt.ArrayLike = 0.0,
) -> Array:
    """Return the electric power of a multirotor's drives in forward flight and climb.

    Parameters
    ----------
    weight : array_like
        [N]
    area : array_like
        All discs together [m2].
    drag_area : array_like
        [m2], see `drag_area_from_top_speed`.
    airspeed : array_like
        Horizontal [m s-1]; 0 is hover.
    air_density : array_like
        [kg m-3]
    drive_efficiency : array_like
        Motors and controllers together [1], see `drive_efficiency_from_hover`.
    climb_speed : array_like, optional
        [m s-1]; a descent counts as level flight. All broadcast.

    Returns
    -------
    ndarray
        [W]: the sum of induced, profile, drag and climb power, divided by the efficiency [Leishman-2006]. Tip speed
        and profile power follow from the thrust at a constant thrust coefficient and figure of merit, so that hover
        takes ``T vh / (FM eta)``.
    """
    rho = np.asarray(air_density, dtype=float)
    thrust, drag, tilt = level_flight_thrust(weight, drag_area, airspeed, rho)
    hover_velocity = hover_induced_velocity(thrust, area, rho)
    climb = np.maximum(np.asarray(climb_speed, dtype=float), 0.0)
    induced = INDUCED_FACTOR * thrust * induced_velocity(hover_velocity, airspeed, tilt, climb)
    tip_speed = np.sqrt(thrust / (rho * np.asarray(area, float) * THRUST_COEFFICIENT))
    advance = np.asarray(airspeed, dtype=float) / tip_speed
    profile = (1.0 / FIGURE_OF_MERIT - INDUCED_FACTOR) * thrust * hover_velocity
    profile = profile * (1.0 + PROFILE_FACTOR * advance**2)
    work = drag * np.asarray(airspeed, float) + np.asarray(weight, float) * climb
    return np.asarray((induced + profile + work) / np.asarray(drive_efficiency, dtype=float))


def drive_efficiency_from_hover(
    hover_power: npt.ArrayLike,
    weight: npt.ArrayLike,
    area: npt.ArrayLike,
    air_density: npt.ArrayLike = STANDARD_DENSITY,
) -> Array:
    """Return the drive efficiency [1] at which `flight_power` equals a known power in hover; the first calibration.

    Parameters
    ----------
    hover_power : array_like
        Electric power of the drives: battery energy over hover endurance, less the electronics [W].
    weight, area, air_density : array_like
        As in `flight_power`, for the flight in which the endurance was measured.
    """
    ideal = hover_ideal_power(weight, area, air_density)
    return np.asarray(ideal / (FIGURE_OF_MERIT * np.asarray(hover_power, dtype=float)))


def drag_area_from_top_speed(
    top_speed: npt.ArrayLike,
    weight: npt.ArrayLike,
    largest_tilt: npt.ArrayLike,
    air_density: npt.ArrayLike = STANDARD_DENSITY,
) -> Array:
    """Return the drag area at which the largest tilt just sustains the top speed; the second calibration.

    Parameters
    ----------
    top_speed : array_like
        In level flight without wind [m s-1].
    weight : array_like
        [N]
    largest_tilt : array_like
        Largest tilt of the discs [degree].
    air_density : array_like, optional
        [kg m-3]; all broadcast.

    Returns
    -------
    ndarray
        [m2]: ``2 W tan(a) / (rho V^2)``, from the balance of drag and tilted thrust.
    """
    slope = np.tan(np.deg2rad(np.asarray(largest_tilt, dtype=float)))
    pressure = np.asarray(air_density, dtype=float) * np.asarray(top_speed, dtype=float) ** 2
    return np.asarray(2.0 * np.asarray(weight, dtype=float) * slope / pressure)


def top_speed(
    weight: npt.ArrayLike,
    drag_area: npt.ArrayLike,
    largest_tilt: npt.ArrayLike,
    air_density: npt.ArrayLike,
    *,
    largest_thrust_to_weight: npt.ArrayLike = np.inf,
) -> Array:
    """Return the top speed in level flight at the largest tilt, or at the tilt that the largest thrust allows.

    Parameters
    ----------
    weight, drag_area, largest_tilt, air_density : array_like
        As in `drag_area_from_top_speed`.
    largest_thrust_to_weight : array_like, optional
        At this density [1], see `thrust_to_weight`; all broadcast.

    Returns
    -------
    ndarray
        [m s-1]; 0 where the thrust cannot support the weight.
    """
    slope = np.tan(np.deg2rad(np.asarray(largest_tilt, dtype=float)))
    thrust = np.asarray(largest_thrust_to_weight, dtype=float)
    held = np.sqrt(np.maximum(thrust**2 - 1.0, 0.0))
    force = 2.0 * np.asarray(weight, dtype=float) * np.minimum(slope, held)
    return np.asarray(np.sqrt(force / (np.asarray(air_density, float) * np.asarray(drag_area, float))))


def glide_drag(
    weight: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    air_density: npt.ArrayLike,
    *,
    glide_ratio: npt.ArrayLike,
    best_glide_speed: npt.ArrayLike,
) -> Array:
    """Return the drag in level flight.

    Parameters
    ----------
    weight : array_like
        [N]
    airspeed : array_like
        True airspeed [m s-1], above the stall.
    air_density : array_like
        [kg m-3]
    glide_ratio : array_like
        Best ratio of lift to drag [1].
    best_glide_speed : array_like
        At this weight, in standard air at sea level [m s-1]; all broadcast.

    Returns
    -------
    ndarray
        [N]: ``W / (2 E) (q + 1/q)``, where q is the square of equivalent airspeed over best glide speed
        [Anderson-1999].
    """
    v, best = np.asarray(airspeed, dtype=float), np.asarray(best_glide_speed, dtype=float)
    q = np.asarray(air_density, dtype=float) / STANDARD_DENSITY * (v / best) ** 2
    return np.asarray(np.asarray(weight, float) / (2.0 * np.asarray(glide_ratio, float)) * (q + 1.0 / q))


def cruise_power(
    weight: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    air_density: npt.ArrayLike,
    *,
    glide_ratio: npt.ArrayLike,
    best_glide_speed: npt.ArrayLike,
    drive_efficiency: npt.ArrayLike,
    climb_speed: npt.ArrayLike = 0.0,
) -> Array:
    """Return the electric power of a fixed wing's drive in level flight or climb.

    Parameters
    ----------
    weight, airspeed, air_density, glide_ratio, best_glide_speed
        As in `glide_drag`.
    drive_efficiency : array_like
        Propeller, motor and controller together [1], see `drive_efficiency_from_cruise`.
    climb_speed : array_like, optional
        [m s-1]; a descent counts as level flight. All broadcast.

    Returns
    -------
    ndarray
        [W]
    """
    drag = glide_drag(weight, airspeed, air_density, glide_ratio=glide_ratio, best_glide_speed=best_glide_speed)
    climb = np.maximum(np.asarray(climb_speed, dtype=float), 0.0)
    work = drag * np.asarray(airspeed, dtype=float) + np.asarray(weight, dtype=float) * climb
    return np.asarray(work / np.asarray(drive_efficiency, dtype=float))


def drive_efficiency_from_cruise(
    power: npt.ArrayLike,
    weight: npt.ArrayLike,
    airspeed: npt.ArrayLike,
    *,
    glide_ratio: npt.ArrayLike,
    best_glide_speed: npt.ArrayLike,
    air_density: npt.ArrayLike = STANDARD_DENSITY,
) -> Array:
    """Return the efficiency [1] at which `cruise_power` equals a known power [W] at a known airspeed."""
    drag = glide_drag(weight, airspeed, air_density, glide_ratio=glide_ratio, best_glide_speed=best_glide_speed)
    return np.asarray(drag * np.asarray(airspeed, dtype=float) / np.asarray(power, dtype=float))
