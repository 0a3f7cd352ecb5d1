"""How one piece of straw or chaff flies from the machine to the ground.

The air slows a piece with the square of its speed through the air (quadratic drag); the
terminal velocity of the piece, measured in a wind tunnel, says how strongly.

Limits of this physics, to be kept in mind wherever its numbers are shown:

- the wind is constant in the layer the pieces fly through, without gusts or turbulence;
- each piece flies alone. A dense stream drags air along, so a real cloud flies further
  than a lone piece thrown at the same speed, light pieces above all;
- drag is averaged over the attitudes of a tumbling piece: no lift, no gliding.

Axes everywhere: across (+ to the right looking forward), along (+ forward), up.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from covermap.errors import SettingsError
from covermap.tables import read_table

Floats = NDArray[np.float64]

#: Standard acceleration of gravity [m/s²] (3rd CGPM, 1901; ISO 80000-3).
GRAVITY_M_S2 = 9.80665
#: Step of the integrator, see :func:`fly`: lands within 1 cm for launches up to 60 m/s and
#: terminal velocities of 0.8 to 8 m/s (tests halve the step to prove it).
DEFAULT_STEP = 0.25
#: No spreader throws faster; a reach that needs more is refused.
MOST_LAUNCH_SPEED_M_S = 90.0
#: A fitted launch lands this close to the reach that was asked for [m].
REACH_TOLERANCE_M = 1e-6
#: Root finders here need about ten rounds; many more mean that they cannot converge.
MOST_ROUNDS = 100
#: A flight of more steps has a height or a velocity that makes no sense.
MOST_STEPS = 100_000


@dataclass(frozen=True)
class ParticleClass:
    """One kind of piece in the residue stream, and its share of the material's dry mass."""

    name: str
    terminal_velocity_m_s: float
    mass_share: float


@dataclass(frozen=True)
class Landing:
    """Where and how pieces land, (n,) each.

    ``across_m`` and ``along_m`` are ground-fixed offsets from the point of launch [m],
    ``time_s`` is the time in the air [s], ``speed_m_s`` the speed over ground on landing.
    """

    across_m: Floats
    along_m: Floats
    time_s: Floats
    speed_m_s: Floats


@cache
def particle_classes(material: str, crop_group: str) -> tuple[ParticleClass, ...]:
    """Give the classes of pieces of a material; their mass shares sum to 1.

    ``material`` is ``straw`` or ``chaff``, ``crop_group`` is ``small_grain``, ``corn`` or
    ``broadleaf``. Raises :class:`SettingsError` for any other.
    """
    groups: dict[tuple[str, str], list[ParticleClass]] = {}
    for row in read_table("particle_classes"):
        velocity, share = float(row["terminal_velocity_m_s"]), float(row["mass_share"])
        pieces = groups.setdefault((row["material"], row["crop_group"]), [])
        pieces.append(ParticleClass(row["particle_class"], velocity, share))
    if (material, crop_group) not in groups:
        raise SettingsError(
            f"There are no particle classes for {material!r} of {crop_group!r}.",
            way_out=f"Choose one of: {', '.join(' of '.join(group) for group in groups)}.",
        )
    return tuple(groups[material, crop_group])


def _numbers(values: ArrayLike, what: str, above_zero: bool = False) -> Floats:
    numbers = np.asarray(values, float)
    bad = ~np.isfinite(numbers) | (above_zero & (numbers <= 0))
    if bad.any():
        need = "a number above 0" if above_zero else "a finite number"
        raise SettingsError(f"The {what} is {numbers[bad].flat[0]:g}.", f"Expected {need}.")
    return numbers


def _slopes(state: Floats, updraft: Floats) -> Floats:
    """Give d(sideways, climb, distance, height, time)/dτ, all without dimension."""
    squared = state[0] * state[0] + state[1] * state[1]
    slopes = np.empty_like(state)
    slopes[:2] = -np.sqrt(squared) * state[:2]
    slopes[1] -= 1
    slopes[2], slopes[3], slopes[4] = state[0], state[1] + updraft, 1
    return np.asarray(slopes / np.sqrt(1 + squared))  # dt/dτ


def _step(state: Floats, slopes: Floats, updraft: Floats, step: float | Floats) -> Floats:
    """Take one classical Runge-Kutta step of fourth order."""
    second = _slopes(state + 0.5 * step * slopes, updraft)
    third = _slopes(state + 0.5 * step * second, updraft)
    fourth = _slopes(state + step * third, updraft)
    return state + step / 6 * (slopes + 2 * (second + third) + fourth)


def _touch_down(before: Floats, after: Floats, updraft: Floats, step: float) -> Floats:
    """Give the state at height 0 within the last step from ``before`` to ``after``."""
    slopes = _slopes(before, updraft)
    # Newton on the length of the last step, so that landing is as exact as any other step.
    part, landed = np.full(before.shape[1], step), after
    for _ in range(MOST_ROUNDS):
        sinking = np.minimum(_slopes(landed, updraft)[3], -1e-12)
        better = np.clip(part - landed[3] / sinking, 0, step)
        settled = np.abs(better - part) <= 1e-9 * part
        part = better
        landed = _step(before, slopes, updraft, part)
        if settled.all():
            break
    return landed


def fly(
    velocity_m_s: ArrayLike,
    terminal_velocity_m_s: ArrayLike,
    drop_height_m: ArrayLike,
    wind_m_s: ArrayLike = (0.0, 0.0, 0.0),
    step: float = DEFAULT_STEP,
) -> Landing:
    """Fly pieces from launch to the ground.

    Solves dv/dt = −g |v − w| (v − w) / vt² − g ẑ for all pieces at once with the classical
    fourth-order Runge-Kutta method. Three changes of variable make it short and quick, none
    of them an approximation: velocities are taken relative to the air, where the sideways
    direction never changes, so that each flight lies in a vertical plane; speed, time and
    length are measured in vt, vt/g and vt²/g, so that all pieces obey one equation; and the
    step is even in τ with dτ = √(1 + |v − w|²/vt²) · g/vt · dt, so that a light piece
    thrown fast gets small steps while it is braked and long ones while it sinks.

    Parameters
    ----------
    velocity_m_s, wind_m_s : array_like
        (n, 3) launch velocity over ground and (n, 3) or (3,) velocity of the air (where it
        blows *to*), both across, along, up [m/s].
    terminal_velocity_m_s, drop_height_m : array_like
        (n,) or one; height of launch above the ground [m/s, m].
    step : float
        Step in τ, without dimension; halving it makes errors about 16 times smaller.

    Raises
    ------
    SettingsError
        If a number is not finite, a terminal velocity or height is not positive, or an
        updraft carries a piece away.
    """
    velocity, wind = np.broadcast_arrays(
        np.atleast_2d(_numbers(velocity_m_s, "launch velocity in m/s")),
        _numbers(wind_m_s, "wind in m/s"),
    )
    count = len(velocity)
    vt = np.broadcast_to(_numbers(terminal_velocity_m_s, "terminal velocity in m/s", True), count)
    height = np.broadcast_to(_numbers(drop_height_m, "drop height in m", True), count)
    _numbers(step, "step of the flight model", True)
    if (wind[:, 2] >= vt).any():
        raise SettingsError(
            "The air rises faster than a piece sinks, so that it never lands.",
            way_out="Give a wind whose upward part is below the terminal velocity.",
        )
    relative = (velocity - wind) / vt[:, None]
    sideways = np.hypot(relative[:, 0], relative[:, 1])
    state = np.zeros((5, count))
    state[0], state[1] = sideways, relative[:, 2]
    state[3] = height * (GRAVITY_M_S2 / vt**2)
    updraft = wind[:, 2] / vt
    last, beyond = np.empty_like(state), np.empty_like(state)
    which, air = np.arange(count), updraft
    for _ in range(MOST_STEPS):
        after = _step(state, _slopes(state, air), air, step)
        down = after[3] <= 0
        if down.any():
            last[:, which[down]], beyond[:, which[down]] = state[:, down], after[:, down]
            up = ~down
            which, air, after = which[up], air[up], after[:, up]
        state = after
        if not which.size:
            break
    else:
        raise SettingsError(
            "A piece does not come down.", way_out="Check drop height and terminal velocity."
        )
    landed = _touch_down(last, beyond, updraft, step)
    # Back to metres and seconds, and from the moving air to the ground.
    time = landed[4] * vt / GRAVITY_M_S2
    toward = relative[:, :2] / np.where(sideways > 0, sideways, 1.0)[:, None]
    offset = toward * (landed[2] * vt**2 / GRAVITY_M_S2)[:, None] + wind[:, :2] * time[:, None]
    final = toward * (landed[0] * vt)[:, None] + wind[:, :2]
    speed = np.hypot(np.hypot(final[:, 0], final[:, 1]), (landed[1] + updraft) * vt)
    return Landing(offset[:, 0], offset[:, 1], time, speed)


def tip_speed_m_s(diameter_m: ArrayLike, revolutions_per_min: ArrayLike) -> Floats:
    """Give the speed of a disc's rim: π · diameter · rpm / 60 [m/s]. Slip is left out."""
    return np.asarray(np.pi / 60 * np.multiply(diameter_m, revolutions_per_min))


def launches(speed: ArrayLike, elevation_deg: ArrayLike, forward_speed_m_s: float) -> Floats:
    """Give (n, 3) launch velocities [m/s] to the right (+ speed) or left (− speed).

    Raises
    ------
    SettingsError
        If an elevation is 80 degrees or steeper.
    """
    speed, elevation = np.asarray(speed, float), np.asarray(elevation_deg, float)
    if not (np.abs(elevation) < 80).all():
        raise SettingsError(
            "A launch elevation is out of range.", "Expected between -80 and 80 degrees."
        )
    angle = np.radians(elevation)
    forward = np.full(speed.shape, forward_speed_m_s)
    return np.stack([speed * np.cos(angle), forward, np.abs(speed) * np.sin(angle)], axis=-1)


def still_air_reach(
    launch_speed_m_s: ArrayLike,
    terminal_velocity_m_s: ArrayLike,
    drop_height_m: ArrayLike,
    elevation_deg: ArrayLike,
    forward_speed_m_s: float = 0.0,
) -> Floats:
    """Give how far to the side a piece lands without wind [m].

    Parameters
    ----------
    launch_speed_m_s, terminal_velocity_m_s, drop_height_m, elevation_deg : array_like
        Launch straight to the side, relative to the machine [m/s, m/s, m, deg above the
        horizontal]; the reach has their broadcast shape.
    forward_speed_m_s : float
        Ground speed of the machine, added to the launch [m/s].
    """
    speed, vt, height, elevation = np.broadcast_arrays(
        launch_speed_m_s, terminal_velocity_m_s, drop_height_m, elevation_deg
    )
    thrown = launches(speed.ravel(), elevation.ravel(), forward_speed_m_s)
    return fly(thrown, vt.ravel(), height.ravel()).across_m.reshape(speed.shape)


def _fit_speed(
    reach: Floats, vt: Any, height: Any, elevation: Any, forward: float, most: float
) -> Floats:
    """Find the launch speed for each reach, all (n,); NaN where it lies above ``most``."""

    def miss(log_speed: Floats) -> Floats:
        return still_air_reach(np.expm1(log_speed), vt, height, elevation, forward) - reach

    # Reach grows about with the logarithm of the speed, so that a secant in that variable
    # is nearly right. Illinois rule: halve the value of an end that stays put.
    low, high = np.zeros_like(reach), np.full_like(reach, np.log1p(most))
    low_miss, high_miss = -reach, miss(high)
    beyond = high_miss < -REACH_TOLERANCE_M
    guess, last_side = np.where(reach > 0, high, low), np.zeros(reach.shape, int)
    done = beyond | (reach == 0) | (np.abs(high_miss) <= REACH_TOLERANCE_M)
    for _ in range(MOST_ROUNDS):
        if done.all():
            return np.where(beyond, np.nan, np.expm1(guess))
        width = np.where(done, 1.0, high_miss - low_miss)
        guess = np.where(done, guess, low - low_miss * (high - low) / width)
        value = miss(guess)
        done |= np.abs(value) <= REACH_TOLERANCE_M
        side = np.where(value < 0, -1, 1)
        again = side == last_side
        high_miss = np.where(side > 0, value, np.where(again, high_miss / 2, high_miss))
        low_miss = np.where(side < 0, value, np.where(again, low_miss / 2, low_miss))
        high, low = np.where(side > 0, guess, high), np.where(side < 0, guess, low)
        last_side = side
    raise SettingsError(
        "No launch speed could be fitted to the reach.", way_out="Check height and elevation."
    )


def launch_speed_for_reach(
    reach_m: ArrayLike,
    terminal_velocity_m_s: ArrayLike,
    drop_height_m: ArrayLike,
    elevation_deg: ArrayLike,
    forward_speed_m_s: float = 0.0,
    most_launch_speed_m_s: float = MOST_LAUNCH_SPEED_M_S,
) -> Floats:
    """Give the launch speed with which a lone piece lands at a reach in still air [m/s].

    The inverse of :func:`still_air_reach`; ``reach_m`` [m] broadcasts with its arrays. Raises
    :class:`SettingsError` if a reach is negative or needs more than
    ``most_launch_speed_m_s``.
    """
    reach, vt, height, elevation = np.broadcast_arrays(
        _numbers(reach_m, "reach in m"), terminal_velocity_m_s, drop_height_m, elevation_deg
    )
    if (reach < 0).any():
        raise SettingsError("A reach is negative.", "Expected a distance to the side from 0 m.")
    most = float(_numbers(most_launch_speed_m_s, "largest launch speed in m/s", True))
    flat = (reach.ravel(), vt.ravel(), height.ravel(), elevation.ravel())
    speed = _fit_speed(*flat, forward_speed_m_s, most)
    if np.isnan(speed).any():
        first = int(np.argmax(np.isnan(speed)))
        raise SettingsError(
            f"A lone piece with a terminal velocity of {flat[1][first]:g} m/s cannot be thrown "
            f"{flat[0][first]:g} m to the side from a height of {flat[2][first]:g} m with a "
            f"launch speed of {most:g} m/s or less.",
            way_out="Set a smaller reach or heavier pieces.",
        )
    return speed.reshape(reach.shape)


def drift_table(
    terminal_velocity_m_s: float,
    drop_height_m: float,
    elevation_deg: float,
    still_air_landing_m: ArrayLike,
    wind_across_m_s: ArrayLike,
    wind_along_m_s: float = 0.0,
    forward_speed_m_s: float = 0.0,
    most_launch_speed_m_s: float = MOST_LAUNCH_SPEED_M_S,
) -> tuple[Floats, Floats]:
    """Tabulate where pieces land in a wind, by where they would have landed without it.

    A piece is thrown straight to its side at the speed that takes it, with the machine's own
    motion but without wind, to its still-air landing; then it is flown in each wind. The
    machine's speed is part of the launch velocity over ground (seen from the machine, the
    air gains −``forward_speed_m_s``). A landing near 0 is a launch speed near 0: the piece
    falls straight and drifts with the wind.

    A band is wider than lone light pieces can be thrown, since the stream drags its air
    along. Where a landing needs more than ``most_launch_speed_m_s``, the piece is flown at
    that speed, and what is missing in calm air is added in every wind as the stream's doing.
    So the calm column always equals ``still_air_landing_m``; compare with
    :func:`still_air_reach` to learn where this happens.

    Parameters
    ----------
    terminal_velocity_m_s, drop_height_m, elevation_deg : float
        Of the class of pieces and the spreader [m/s, m, deg].
    still_air_landing_m, wind_across_m_s : array_like
        (k,) landing to the side without wind, left negative [m]; (j,) air moving to the
        right [m/s].
    wind_along_m_s, forward_speed_m_s, most_launch_speed_m_s : float
        Air moving forward, ground speed of the machine, largest launch speed [m/s].

    Returns
    -------
    across_m, along_m : numpy.ndarray
        (k, j) ground-fixed landing relative to the point of discharge at launch [m].
    """
    landing = np.atleast_1d(_numbers(still_air_landing_m, "still-air landing in m"))
    winds = np.atleast_1d(_numbers(wind_across_m_s, "wind across in m/s"))
    most = float(_numbers(most_launch_speed_m_s, "largest launch speed in m/s", True))
    vt, height, elevation = terminal_velocity_m_s, drop_height_m, elevation_deg
    fitted = _fit_speed(np.abs(landing), vt, height, elevation, forward_speed_m_s, most)
    carried = np.isnan(fitted)
    speed = np.sign(landing) * np.where(carried, most, fitted)
    thrown = launches(speed, elevation, forward_speed_m_s)
    calm = fly(thrown, vt, height).across_m
    wind = np.stack([winds, 0 * winds + wind_along_m_s, 0 * winds], axis=-1)
    shape = (len(landing), len(winds))
    thrown, wind = np.repeat(thrown, shape[1], axis=0), np.tile(wind, (shape[0], 1))
    landed = fly(thrown, vt, height, wind)
    across = landed.across_m.reshape(shape) + np.where(carried, landing - calm, 0.0)[:, None]
    return across, landed.along_m.reshape(shape)
