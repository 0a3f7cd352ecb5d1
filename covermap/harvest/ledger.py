"""What was taken out of a track, fix by fix, and why; and the cleaned track that is left."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from covermap.tables.said import Said

#: Reasons in the order in which the rules are applied, with what each means.
REASONS: dict[str, str] = {
    "unreadable": "the row has no usable position",
    "duplicate": "same instant and position as the fix before",
    "time backwards": "a single fix older than the one before it",
    "position spike": "the position jumps away and back",
    "impossible speed": "faster than [limits] most_speed",
    "standing still": "the machine did not move",
    "road travel": "faster than [limits] most_harvest_speed for a while",
    "header up": "the header was raised",
    "no reading": "no grain reading was logged, and none near enough to fill it from",
    "no flow": "no grain came in",
    "absurd flow": "grain flow far above anything else in the track",
    "turn": "turning back at the end of a pass",
    "not in a pass": "too short a run to be a pass",
}

#: Ordinary driving between passes, and rows whose grain stands elsewhere in the track.
_EXPECTED = ("duplicate", "header up", "road travel", "turn")
#: More than this of the grain, or of the fixes, gone is said as a warning.
_MUCH_GRAIN, _MANY_FIXES = 0.10, 0.25


@dataclass(frozen=True)
class Ledger:
    """What was removed, fix by fix.

    Attributes
    ----------
    removed : pandas.DataFrame
        source_row, time, easting, northing, reason, detail, grain_kg (wet).
    grain_seen_kg : float
        Grain in all rows, as logged and with blanks filled [kg]; rows that repeat the one
        before are counted once; 0 if the track has none.
    notes : tuple of Said
        What was repaired or assumed, in plain sentences.
    """

    removed: pd.DataFrame
    grain_seen_kg: float
    notes: tuple[Said, ...] = ()

    def counts(self) -> dict[str, int]:
        """Give how many fixes each rule removed, zeros included."""
        found = self.removed["reason"].value_counts()
        return {reason: int(found.get(reason, 0)) for reason in REASONS}

    @property
    def grain_dropped_kg(self) -> float:
        """Grain logged on removed fixes [kg], wet; NaN if the track has none."""
        return float(self.removed["grain_kg"].sum()) if self.grain_seen_kg > 0 else float("nan")

    def with_removed(self, fixes: pd.DataFrame, reason: str, detail: str = "") -> Ledger:
        """Give the ledger with more fixes written off."""
        more = _written_off(fixes, reason, detail)
        removed = pd.concat([self.removed, more], ignore_index=True) if len(more) else self.removed
        return replace(self, removed=removed)


@dataclass(frozen=True)
class CleanTrack:
    """The machine's path with the cutting fixes marked.

    Attributes
    ----------
    path : pandas.DataFrame
        One row per credible position, in order of travel, one machine after the other:
        the track's columns and
        ``clock_s`` (seconds, never falling), ``step_m`` (from the row before),
        ``travel_m`` (that the record itself covers), ``record_s`` (time it covers),
        ``gap`` (True where the step is more than the record covers), ``cutting``.
    has_time : bool
        False if ``clock_s`` was made from distance.
    notes : tuple of Said
        What was repaired or assumed, in plain sentences.
    headers : mapping of str to str
        Canonical column to the header in the file, for messages.
    fixes_read : int
        Rows of the track.
    """

    path: pd.DataFrame
    ledger: Ledger
    has_time: bool
    notes: tuple[Said, ...] = field(default_factory=tuple)
    headers: Mapping[str, str] = field(default_factory=dict)
    fixes_read: int = 0


def ledger_of_unreadable(unreadable: pd.DataFrame) -> Ledger:
    """Open the ledger with the rows that reading set aside.

    Parameters
    ----------
    unreadable : pandas.DataFrame
        source_row, reason, detail and, where a row still tells its grain, grain_kg.
    """
    grain = unreadable["grain_kg"].to_numpy(float) if "grain_kg" in unreadable else 0.0
    fixes = unreadable.assign(easting=np.nan, northing=np.nan, grain_kg=grain)
    detail = unreadable["reason"].astype(str) + " " + unreadable["detail"].fillna("").astype(str)
    removed = _written_off(fixes, "unreadable", detail.to_numpy(object))
    return Ledger(removed, float(removed["grain_kg"].sum()))


def one_ledger(ledgers: list[Ledger]) -> Ledger:
    """Put the ledgers of several machines together."""
    if len(ledgers) == 1:
        return ledgers[0]
    filled = [one.removed for one in ledgers if len(one.removed)]
    return Ledger(
        pd.concat(filled, ignore_index=True) if filled else ledgers[0].removed,
        sum(one.grain_seen_kg for one in ledgers),
        tuple(note for one in ledgers for note in one.notes),
    )


def warning_of_loss(ledger: Ledger, fixes_read: int) -> Said | None:
    """Warn where much of the grain or many of the fixes were left out, naming the main reason.

    ``ledger`` is that of all rules, passes included, ``fixes_read`` the rows in the track.
    """
    removed = ledger.removed
    if len(removed) == 0 or fixes_read == 0:
        return None
    if ledger.grain_seen_kg > 0 and ledger.grain_dropped_kg > _MUCH_GRAIN * ledger.grain_seen_kg:
        by_reason = removed.groupby("reason")["grain_kg"].sum()
        rule, share = "passes-grain-lost", ledger.grain_dropped_kg / ledger.grain_seen_kg
    else:
        odd = removed[~removed["reason"].isin(_EXPECTED)]
        if len(odd) <= _MANY_FIXES * fixes_read:
            return None
        by_reason = odd["reason"].value_counts()
        rule, share = "passes-points-lost", len(odd) / fixes_read
    main = str(by_reason.idxmax())
    return Said(rule, {"share": share, "reason": main, "meaning": REASONS[main]})


def _written_off(fixes: pd.DataFrame, reason: str, detail: str | np.ndarray) -> pd.DataFrame:
    time = (
        fixes["time"]
        if "time" in fixes
        else pd.Series(pd.NaT, index=fixes.index, dtype="datetime64[ns, UTC]")
    )
    return pd.DataFrame(
        {
            "source_row": fixes["source_row"].to_numpy(np.int64),
            "time": time.to_numpy() if time.dt.tz is None else time.array,
            "easting": fixes["easting"].to_numpy(),
            "northing": fixes["northing"].to_numpy(),
            "reason": reason,
            "detail": detail,
            "grain_kg": fixes["grain_kg"].to_numpy(),
        }
    )
