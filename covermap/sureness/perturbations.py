"""What a repeat of a field is off by: how much is varied, and the draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from covermap.tables import read_table


@dataclass(frozen=True)
class Perturbations:
    """Standard deviation of what is varied; all but the direction of the natural logarithm.

    Attributes
    ----------
    spread_width, wind_speed : float
        Of one factor a repeat.
    wind_direction_deg : float
        Of one turn of the wind a repeat, clockwise [deg].
    yield_field, yield_pass : float
        Of one factor a repeat, and of one more for each pass.
    """

    spread_width: float
    wind_speed: float
    wind_direction_deg: float
    yield_field: float
    yield_pass: float


@dataclass(frozen=True)
class Draw:
    """What one repeat is off by.

    Attributes
    ----------
    width_factor, wind_speed_factor, yield_factor : float
        Times the stated.
    wind_turn_deg : float
        Added to the direction that the wind blows from [deg].
    pass_factor : numpy.ndarray
        (passes + 1,) times the yield of each pass, 1 at place 0.
    """

    width_factor: float
    wind_speed_factor: float
    wind_turn_deg: float
    yield_factor: float
    pass_factor: np.ndarray


def usual_perturbations() -> Perturbations:
    """Give the standard deviations of ``tables/perturbations.csv``."""
    rows = {
        row["quantity"]: float(row["standard_deviation"]) for row in read_table("perturbations")
    }
    return Perturbations(
        rows["spread_width"],
        rows["wind_speed"],
        rows["wind_direction"],
        rows["yield_field"],
        rows["yield_pass"],
    )


def draws(how: Perturbations, repeats: int, passes: int, seed: int) -> list[Draw]:
    """Draw what each repeat is off by.

    Every repeat has a random stream of its own, so that more repeats leave those before
    them as they were. Factors are lognormal with median 1, the turn is normal about 0.
    """
    found = []
    for stream in np.random.SeedSequence(seed).spawn(repeats):
        z = np.random.default_rng(stream).standard_normal(4 + passes)
        found.append(
            Draw(
                float(np.exp(how.spread_width * z[0])),
                float(np.exp(how.wind_speed * z[1])),
                float(how.wind_direction_deg * z[2]),
                float(np.exp(how.yield_field * z[3])),
                np.append(1.0, np.exp(how.yield_pass * z[4:])),
            )
        )
    return found
