"""More than one machine in a file: told apart by a column, or refused."""

from __future__ import annotations

import numpy as np
import pandas as pd

from covermap.errors import TrackError, column_ask
from covermap.tables.said import Said

#: Between the log of one machine and that of the next, so that nothing flows across [s].
BETWEEN_MACHINES_S = 600.0
#: This share of fixes that cannot belong to the machine of the others is another machine.
_SHARE_OF_OTHER = 0.20
#: So much of the other fixes must follow one another to be a track and not stray errors.
_SHARE_SMOOTH = 0.8
#: One receiver's error may last for a while; two machines change over again and again.
_LEAST_CHANGES = 10
#: Machines nearer than this cannot be told from rough positions [m].
_LEAST_APART_M = 5.0


def fixes_by_machine(
    fixes: pd.DataFrame, notes: list[Said]
) -> list[tuple[str | None, pd.DataFrame]]:
    """Split the fixes, in file order, by machine, the one that started first in front.

    Gives name and fixes of each, one without a name if the track tells none apart; ``notes``
    grows by what was split and assumed.
    """
    if "machine_id" not in fixes:
        return [(None, fixes)]
    name = fixes["machine_id"]
    if name.nunique() < 2:
        return [(None, fixes)]
    if name.isna().any():
        notes.append(Said("track-machine-unnamed", {"fixes": int(name.isna().sum())}))
        fixes = fixes.assign(machine_id=name.ffill().bfill())
    parts: list[tuple[str | None, pd.DataFrame]] = [
        (str(key), part.reset_index(drop=True))
        for key, part in fixes.groupby("machine_id", sort=False)
    ]
    if "time" in fixes and fixes["time"].notna().any():
        parts.sort(key=lambda one: _start(one[1]))
    names = ", ".join(str(key) for key, _ in parts)
    notes.append(Said("track-machines", {"machines": len(parts), "names": names}))
    return parts


def _start(part: pd.DataFrame) -> pd.Timestamp:
    start = part["time"].min()
    return pd.Timestamp.max.tz_localize("UTC") if pd.isna(start) else start


def refuse_two_machines(
    fixes: pd.DataFrame, spike: np.ndarray, most_speed: float, has_time: bool, source: str
) -> None:
    """Raise if the fixes look like two machines whose rows were mixed.

    Either many fixes cannot be reached from the others and yet follow one another, or the
    track jumps to and fro between two lines.

    Parameters
    ----------
    fixes : pandas.DataFrame
        In order of time, with ``clock_s``.
    spike : numpy.ndarray
        (n,) fixes that would be dropped as position spikes.
    most_speed : float
        Faster is a position error [m/s].

    Raises
    ------
    TrackError
        If so.
    """
    xy = fixes[["easting", "northing"]].to_numpy(float)
    if len(xy) < 20:
        return
    clock = fixes["clock_s"].to_numpy(float) if has_time else np.arange(len(xy), dtype=float)
    many = spike.mean() > _SHARE_OF_OTHER and (spike[1:] != spike[:-1]).sum() >= _LEAST_CHANGES
    other = many and _follows(xy[spike], clock[spike], most_speed)
    if other or _to_and_fro(xy):
        raise TrackError(
            f"{source} looks like two machines in one file: the track jumps to and fro between "
            "two lines.",
            "",
            "Separate them, or name the column that tells them apart with {0}.",
            column_ask("machine_id"),
        )


def _follows(xy: np.ndarray, clock: np.ndarray, most_speed: float) -> bool:
    step = np.hypot(*np.diff(xy, axis=0).T)
    usual = float(np.median(step))
    smooth = step <= np.minimum(most_speed * np.maximum(np.diff(clock), 0) + 3, 3 * usual + 3)
    return bool(smooth.mean() > _SHARE_SMOOTH)


def _to_and_fro(xy: np.ndarray) -> bool:
    """Tell whether every second fix lies near, and the one between far off."""
    step = np.hypot(*np.diff(xy, axis=0).T)
    over_two = np.hypot(*(xy[2:] - xy[:-2]).T)
    nearest = np.minimum(step[1:], step[:-1])
    back = (over_two < 0.7 * nearest) & (nearest > _LEAST_APART_M)
    return bool(back.mean() > 2 * _SHARE_OF_OTHER)
