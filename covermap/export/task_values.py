"""What task data can tell a machine to do: quantities of ISO 11783-11, and a person's values.

No action has a value unless a person gave one; only ground that is left alone may have one
of its own, and never one that puts a tool into the soil.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from covermap.errors import Ask, SettingsError
from covermap.plan.face import ACTIONS, RULE_IDS
from covermap.tables import read_table


@dataclass(frozen=True)
class TaskQuantity:
    """One row of ``tables/task_quantities.csv``; its source stands there.

    Attributes
    ----------
    key, words : str
        Name in the table, and in sentences.
    ddi : int
        Number of the entity in the ISO 11783-11 data dictionary.
    standard_name, unit, si_unit, shown_unit : str
        Its name there; its unit there, in SI, and as people read it.
    si_per_bit, shown_per_si : float
        SI value of one step of the integer that is stored; factor from SI to shown.
    leave_value : float or None
        Value for ground that is left alone; None where the person has to give it [SI].
    least, most : float
        What is accepted [SI].
    meaning, zero_means : str
        Sentences for the person.
    """

    key: str
    words: str
    ddi: int
    standard_name: str
    unit: str
    si_unit: str
    shown_unit: str
    si_per_bit: float
    shown_per_si: float
    leave_value: float | None
    least: float
    most: float
    meaning: str
    zero_means: str

    def stored(self, value: float) -> int:
        """Give the integer nearest to a value in SI."""
        return round(value / self.si_per_bit)

    def shown(self, stored: int) -> str:
        """Give a stored integer as people read it, with its unit."""
        return f"{stored * self.si_per_bit * self.shown_per_si:,.10g} {self.shown_unit}"


@cache
def task_quantities() -> dict[str, TaskQuantity]:
    """Give every quantity task data can hold, by its key."""
    return {
        row["quantity"]: TaskQuantity(
            key=row["quantity"],
            words=row["words"],
            ddi=int(row["ddi"]),
            standard_name=row["standard_name"],
            unit=row["unit"],
            si_unit=row["si_unit"],
            shown_unit=row["shown_unit"],
            si_per_bit=float(row["resolution"]) * float(row["si_per_unit"]),
            shown_per_si=float(row["shown_per_si"]),
            leave_value=float(row["leave_value"]) if row["leave_value"] else None,
            least=float(row["least"]),
            most=float(row["most"]),
            meaning=row["meaning"],
            zero_means=row["zero_means"],
        )
        for row in read_table("task_quantities")
    }


def find_task_quantity(key: str) -> TaskQuantity:
    """Look a quantity up by its key.

    Raises
    ------
    SettingsError
        If the table has none; the message names the nearest one.
    """
    known = task_quantities()
    if key not in known:
        near = difflib.get_close_matches(key, known, n=1)
        raise SettingsError(
            f"Task quantity {key!r} is unknown.",
            (f"Did you mean {near[0]!r}? " if near else "") + f"Known: {', '.join(known)}.",
        )
    return known[key]


def task_values(
    quantity: TaskQuantity, present: list[str], values: Mapping[str, float]
) -> dict[str, float]:
    """Give the value for each action of a plan.

    Parameters
    ----------
    quantity : TaskQuantity
    present : list of str
        Rule ids of the plan's actions.
    values : mapping of str to float
        As the person gave them [SI].

    Returns
    -------
    dict of str to float
        A value for each of ``present``, in its order [SI].

    Raises
    ------
    SettingsError
        If a value is missing, out of range or for no known action.
    """
    for rule_id, value in values.items():
        if rule_id not in ACTIONS:
            near = difflib.get_close_matches(rule_id, RULE_IDS, n=1)
            raise SettingsError(
                f"Task value for {rule_id!r}: there is no such action.",
                (f"Did you mean {near[0]!r}? " if near else "")
                + f"The plan has {', '.join(present)}.",
            )
        if not (math.isfinite(value) and quantity.least <= value <= quantity.most):
            raise SettingsError(
                f"Task value for {rule_id}: {value:g} is not a {quantity.words} between "
                f"{quantity.least:g} and {quantity.most:g} {quantity.si_unit}.",
                way_out=f"Give it in {quantity.si_unit}.",
            )
    known = dict(values)
    if quantity.leave_value is not None:
        known.setdefault("plan-leave", quantity.leave_value)
    missing = [rule_id for rule_id in present if rule_id not in known]
    if missing:
        without = ", ".join(f"{rule_id} ({ACTIONS[rule_id]})" for rule_id in missing)
        raise SettingsError(
            f"Task data, {quantity.words}: no value for {without}. covermap recommends none.",
            "",
            f"Give each in {quantity.si_unit}: "
            + " ".join(f"{{{number}}}" for number in range(len(missing)))
            + f". {quantity.zero_means}",
            *(Ask(rule_id, "VALUE", "task_value") for rule_id in missing),
        )
    return {rule_id: float(known[rule_id]) for rule_id in present}
