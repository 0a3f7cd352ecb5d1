"""The settings that the passes of a field were made with, for every table of them."""

from __future__ import annotations

from dataclasses import dataclass

from covermap.drawing.labels import CROSSWIND, blown_from, limit_keys
from covermap.field.field_passes import wind_from_deg
from covermap.field.mapped_field import MappedField
from covermap.units import shown

#: Ends of a span that are nearer than this are told as one [m].
_ONE_LENGTH_M = 0.05


@dataclass(frozen=True)
class SettingUsed:
    """One setting: its label, and its numbers or, where it has none, its words.

    Attributes
    ----------
    label : str
    kind : str
        A kind of :func:`covermap.units.shown`; of words, empty.
    numbers : tuple of float
        In SI: one, or the ends of a span over the passes. Of words, empty.
    words : str
        Filled with the numbers, each in ``{}``; may be all there is.
    """

    label: str
    kind: str = ""
    numbers: tuple[float | None, ...] = ()
    words: str = "{}"

    def text(self, us_units: bool) -> str:
        """Give the value in words, with units."""
        if not self.kind:
            return self.words
        unit = shown(us_units)[self.kind]
        return self.words.format(*(unit.text(number) for number in self.numbers))


def settings_used(found: MappedField) -> list[SettingUsed]:
    """Gather crop, settings, wind, limits and cell of a field."""
    return [
        SettingUsed("Crop", words=str(found.summary["crop"])),
        *machine_settings(found),
        *(
            SettingUsed(label.capitalize(), words=beyond)
            for label, beyond in (key.split(": ") for key in limit_keys(found.limits).values())
        ),
        SettingUsed("Cell", "length", (found.grid.cell_m,)),
    ]


def machine_settings(found: MappedField) -> list[SettingUsed]:
    """Gather how the passes were made, and in what wind."""
    passes, told = found.passes, found.summary

    def spans(label: str, *columns: str) -> SettingUsed:
        ends = [(float(passes[c].min()), float(passes[c].max())) for c in columns]
        one = [high - low < _ONE_LENGTH_M for low, high in ends]
        numbers = [n for pair, same in zip(ends, one, strict=True) for n in pair[: 2 - same]]
        words = ", ".join("{}" if same else "{} to {}" for same in one)
        return SettingUsed(label, "length", tuple(numbers), words)

    combine, wind = told["settings"].get("combine", {}), told["wind"]
    cut, delay = combine.get("cut_width"), combine.get("residue_delay_s")
    kinds = passes["discharge"].value_counts().items()
    blown = blown_from(wind_from_deg(passes), "about ")
    return [
        SettingUsed("Cut width", words="from the track")
        if cut is None
        else SettingUsed("Cut width", "length", (cut,)),
        SettingUsed("Discharge", words=", ".join(f"{kind} on {n} passes" for kind, n in kinds)),
        spans("Reach left, right", "reach_left_m", "reach_right_m"),
        spans("Lean, right +", "lean_m"),
        SettingUsed("Profile", words=", ".join(str(one) for one in passes["profile"].unique())),
        SettingUsed("Wind", words="none known: still air")
        if wind["speed_mean_m_s"] is None
        else SettingUsed(
            "Wind",
            "wind",
            (wind["speed_mean_m_s"], wind["crosswind_max_m_s"]),
            f"{{}}{blown}, {CROSSWIND} up to {{}}",
        ),
        SettingUsed("Pass spacing, middle", "length", (told["passes"]["spacing_median_m"],)),
        SettingUsed("Residue in the machine", words="–" if delay is None else f"{delay:g} s"),
    ]
