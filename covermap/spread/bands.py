"""The bands of residue behind the machine: where, how wide, how much, in which shape."""

from __future__ import annotations

import numpy as np
import pandas as pd

from covermap.ground.sweeps import sweep_corners
from covermap.ground.travel import record_starts, travel_along
from covermap.spread.deposit import Bands
from covermap.spread.profile import profile_shares


def residue_bands(
    path: pd.DataFrame,
    rows: np.ndarray,
    pass_no: np.ndarray,
    machine: pd.DataFrame,
    straw_kg: np.ndarray,
    chaff_kg: np.ndarray,
) -> tuple[Bands, float]:
    """Give the bands that the harvested fixes leave on the ground.

    What is cut during a record leaves the machine ``residue_delay_s`` later, at the place
    where the discharge is by then, be that on the headland.

    Parameters
    ----------
    path : pandas.DataFrame
        Cleaned path.
    rows : numpy.ndarray
        (n,) harvested rows of it.
    pass_no : numpy.ndarray
        (n,) pass number of each.
    machine : pandas.DataFrame
        Settings per row of the path, from
        :func:`covermap.spread.machine_settings.settings_per_fix`.
    straw_kg, chaff_kg : numpy.ndarray
        (n,) residue through the machine [kg].

    Returns
    -------
    Bands
        Straw and chaff, a pass standing together; straw that is baled is left out.
    float
        Straw baled and taken off [kg].
    """
    held = machine.iloc[rows]
    travel = travel_along(path)
    delay = held["residue_delay_s"].to_numpy(float)
    behind = -held["antenna_ahead_of_discharge_m"].to_numpy(float)
    start = travel.positions(record_starts(path)[rows] + delay, behind)
    end = travel.positions(path["clock_s"].to_numpy(float)[rows] + delay, behind)
    xy = path[["easting", "northing"]].to_numpy(float)
    before, after = xy[np.maximum(rows - 1, 0)], xy[np.minimum(rows + 1, len(xy) - 1)]
    heading = np.arctan2(*(after - before).T)
    touching = np.append(False, np.hypot(*(start[1:] - end[:-1]).T) < 1e-6)
    follows = touching & np.append(False, pass_no[1:] == pass_no[:-1])

    left = held["lean_m"].to_numpy(float) - held["reach_left_m"].to_numpy(float)
    right = held["lean_m"].to_numpy(float) + held["reach_right_m"].to_numpy(float)
    baled = held["baled_share"].to_numpy(float)
    chaff_width = held["chaff_width_m"].to_numpy(float)
    apart = np.isfinite(chaff_width)

    book: dict[tuple[object, ...], int] = {}
    shares: list[np.ndarray] = []
    profile = np.empty(len(rows), np.int64)
    keys = pd.DataFrame(
        {
            "profile": held["profile"].to_numpy(),
            "left": np.round(held["reach_left_m"].to_numpy(float), 3),
            "right": np.round(held["reach_right_m"].to_numpy(float), 3),
            "shares": held["shares"].to_numpy(),
        }
    )
    codes, unique = pd.factorize(pd.MultiIndex.from_frame(keys))
    for code, (shape, reach_left, reach_right, table) in enumerate(unique):
        flat_key = (shape,) if shape == "flat" else (shape, reach_left, reach_right, table)
        if flat_key not in book:
            book[flat_key] = len(shares)
            own = machine.attrs["shares"][int(table)] if shape == "table" else None
            shares.append(profile_shares(str(shape), reach_left, reach_right, own))
        profile[codes == code] = book[flat_key]
    if ("flat",) not in book:
        book[("flat",)] = len(shares)
        shares.append(np.ones(1))

    corners = [sweep_corners(start, end, follows, left, right, heading)]
    mass = [straw_kg * (1 - baled) + np.where(apart, 0.0, chaff_kg)]
    profiles, order = [profile], [np.arange(len(rows)) * 2]
    if apart.any():
        half = np.where(apart, chaff_width, 1.0) / 2
        lean = held["lean_m"].to_numpy(float)
        chaff = sweep_corners(start, end, follows, lean - half, lean + half, heading)
        corners.append(chaff[apart])
        mass.append(chaff_kg[apart])
        profiles.append(np.full(int(apart.sum()), book[("flat",)]))
        order.append(np.flatnonzero(apart) * 2 + 1)
    # straw and chaff of one fix stand together, so that passes do too
    sequence = np.argsort(np.concatenate(order), kind="stable")
    most = max(len(s) for s in shares)
    bands = Bands(
        corners=np.concatenate(corners)[sequence],
        mass_kg=np.concatenate(mass)[sequence],
        profile=np.concatenate(profiles)[sequence],
        pass_index=pass_no[np.concatenate(order)[sequence] // 2].astype(np.int32),
        shares=np.array([np.pad(s, (0, most - len(s))) for s in shares]),
        bins=np.array([len(s) for s in shares]),
    )
    return bands, float((straw_kg * baled).sum())
