"""Every setting covermap takes: name, unit, bounds, default and the reason for it.

The field file, the command line and the docs all read this one list.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from covermap.errors import SettingsError
from covermap.units import KINDS, read_quantity

PROFILES = ("flat", "triangle", "trapezoid", "bell", "table")
DISCHARGES = ("spread", "windrow")


@dataclass(frozen=True)
class Setting:
    """One key of the field file.

    Attributes
    ----------
    section, key : str
        Where it stands in the field file.
    kind : str
        A key of :data:`covermap.units.KINDS`, or ``text``, ``choice`` or ``list``.
    meaning : str
        One sentence for docs and help.
    default : object
        Value if nothing is given; None if it is optional or found otherwise.
    why : str
        Reason for the default.
    low, high : float
        Bounds, both allowed unless ``above_low``.
    above_low : bool
        The value must be larger than ``low``.
    choices : tuple of str
        For kind ``choice``.
    whole_field : bool
        Cannot be set for single passes, though its section may.
    """

    section: str
    key: str
    kind: str
    meaning: str
    default: Any = None
    why: str = ""
    low: float = float("-inf")
    high: float = float("inf")
    above_low: bool = False
    choices: tuple[str, ...] = ()
    whole_field: bool = False

    @property
    def name(self) -> str:
        """How a person sees it."""
        return f"[{self.section}] {self.key}"

    @property
    def unit(self) -> str:
        """SI unit, or an empty text."""
        return KINDS[self.kind].si_unit if self.kind in KINDS else ""

    def read(self, value: object, where: str, kg_per_bushel: float | None) -> Any:
        """Check ``value`` and turn it into SI.

        Raises
        ------
        SettingsError
            If it is of the wrong kind or out of bounds.
        """
        name = f"{where}{self.name}"
        if self.kind == "text":
            if not isinstance(value, str) or not value.strip():
                raise SettingsError(f"{name}: expected a text, not {value!r}.")
            return value.strip()
        if self.kind == "choice":
            text = str(value).strip().lower()
            if text not in self.choices:
                raise SettingsError(
                    f"{name}: {value!r} is none of {', '.join(self.choices)}. Choose one of them."
                )
            return text
        if self.kind == "list":
            if isinstance(value, str):
                value = [part for part in value.replace(";", ",").split(",") if part.strip()]
            if not isinstance(value, list | tuple) or len(value) < 1:
                raise SettingsError(f"{name}: expected a list of numbers, not {value!r}.")
            numbers = tuple(read_quantity(v, "number", name) for v in value)
            if min(numbers) < 0 or sum(numbers) <= 0:
                raise SettingsError(f"{name}: shares must not be negative and not all zero.")
            return numbers
        number = read_quantity(value, self.kind, name, kg_per_bushel)
        too_low = number <= self.low if self.above_low else number < self.low
        if too_low or number > self.high:
            low = f"{'more than' if self.above_low else 'at least'} {self.low:g}"
            high = f" and at most {self.high:g}" if self.high < float("inf") else ""
            raise SettingsError(
                f"{name}: {value!r} is out of range; expected {low}{high} {self.unit}".rstrip()
                + ". Correct the number or its unit."
            )
        return number


def _positive(section: str, key: str, kind: str, meaning: str, **more: Any) -> Setting:
    return Setting(section, key, kind, meaning, low=0.0, above_low=True, **more)


SETTINGS: tuple[Setting, ...] = (
    Setting("field", "name", "text", "Name of the field, shown on map and report."),
    Setting("field", "track", "text", "Harvest track, relative to the field file."),
    Setting("field", "boundary", "text", "Polygon file of the field's outline."),
    Setting("field", "crs", "text", "CRS of the track's coordinates if they are not degrees."),
    Setting("crop", "kind", "text", "Crop, by its name in the crop table."),
    _positive(
        "crop", "grain_yield", "mass per area", "Grain yield where the track has none.", high=30.0
    ),
    Setting(
        "crop",
        "grain_moisture_pct",
        "percent",
        "Grain moisture where the track has none.",
        why="market moisture of the crop table",
        low=0.0,
        high=60.0,
    ),
    Setting(
        "crop",
        "cut_height",
        "length",
        "Height of the stubble left standing.",
        why="usual height of the crop table",
        low=0.0,
        high=2.0,
    ),
    _positive("crop", "straw_to_grain", "number", "Dry straw per dry grain [kg/kg].", high=10.0),
    Setting(
        "crop",
        "chaff_to_grain",
        "number",
        "Dry chaff per dry grain [kg/kg].",
        low=0.0,
        high=10.0,
    ),
    _positive(
        "crop", "harvest_index", "number", "Dry grain per dry plant above ground.", high=0.95
    ),
    _positive("combine", "cut_width", "length", "Width of crop the header takes.", high=30.0),
    Setting(
        "combine",
        "antenna_ahead_of_discharge",
        "length",
        "How far the positioned point lies ahead of where residue leaves the machine.",
        default=0.0,
        why="the track is taken as the path of the discharge",
        low=-20.0,
        high=20.0,
    ),
    Setting(
        "combine",
        "antenna_behind_header",
        "length",
        "How far the positioned point lies behind the cutterbar.",
        default=0.0,
        why="logs are usually shifted to the cutterbar already",
        low=-20.0,
        high=20.0,
    ),
    Setting(
        "combine",
        "grain_delay_s",
        "time",
        "Seconds from cutting to the grain reading; logs are usually shifted already.",
        default=0.0,
        why="the log is taken as shifted already",
        whole_field=True,
        low=0.0,
        high=60.0,
    ),
    Setting(
        "combine",
        "residue_delay_s",
        "time",
        "Seconds from cutting until the residue leaves the machine.",
        default=4.0,
        why="no published figure was found; a stated guess, set your own",
        low=0.0,
        high=60.0,
    ),
    _positive(
        "combine",
        "discharge_height",
        "length",
        "Height above ground at which the residue leaves the machine.",
        default=1.8,
        why="common practice, no source",
        high=5.0,
        whole_field=True,
    ),
    Setting(
        "combine",
        "throw_elevation",
        "angle",
        "Angle of the throw above the horizontal.",
        default=0.0,
        why="thrown level",
        low=-60.0,
        high=80.0,
        whole_field=True,
    ),
    _positive(
        "combine",
        "rotor_diameter",
        "length",
        "Diameter of the spreading rotor or disc; with rotor_rpm it gives the launch speed.",
        high=3.0,
        whole_field=True,
    ),
    _positive(
        "combine",
        "rotor_rpm",
        "number",
        "Revolutions per minute of the spreading rotor or disc.",
        high=10000.0,
        whole_field=True,
    ),
    Setting(
        "spread",
        "discharge",
        "choice",
        "Chopped and thrown (spread) or laid in a row (windrow).",
        default="spread",
        why="residue is taken as spread",
        choices=DISCHARGES,
    ),
    _positive(
        "spread", "width", "length", "Edge-to-edge width of the thrown band or windrow.", high=60.0
    ),
    Setting("spread", "reach_left", "length", "Centre line to the left edge.", low=0.0, high=40.0),
    Setting(
        "spread", "reach_right", "length", "Centre line to the right edge.", low=0.0, high=40.0
    ),
    Setting(
        "spread",
        "profile",
        "choice",
        "Shape across the band; table needs shares.",
        default="flat",
        why="an even band, the best case",
        choices=PROFILES,
    ),
    Setting("spread", "shares", "list", "Shares from the left edge to the right, equal steps."),
    Setting(
        "spread",
        "profile_file",
        "text",
        "Measured profile from covermap trays: shape and reaches.",
        whole_field=True,
    ),
    Setting(
        "spread",
        "lean",
        "length",
        "Shift of the band's centre, + to the right looking forward.",
        default=0.0,
        why="no lean",
        low=-30.0,
        high=30.0,
    ),
    _positive(
        "spread",
        "chaff_width",
        "length",
        "Width of the chaff where it does not go with the straw.",
        why="with the straw when spread; half the cut width behind a windrow",
        high=60.0,
    ),
    Setting(
        "spread",
        "baled_share",
        "share",
        "Share of the windrow's straw that is baled and taken off.",
        default=0.0,
        why="nothing is baled",
        low=0.0,
        high=1.0,
    ),
    Setting(
        "wind",
        "speed",
        "speed",
        "Wind speed of the day where there is no wind file.",
        low=0.0,
        high=40.0,
    ),
    Setting(
        "wind",
        "from_deg",
        "angle",
        "Direction the wind blows from, clockwise from true north.",
        low=0.0,
        high=360.0,
    ),
    _positive(
        "wind",
        "height",
        "length",
        "Height above ground at which the wind was measured.",
        default=10.0,
        why="height of weather stations",
        high=200.0,
    ),
    Setting("wind", "file", "text", "CSV of wind over time, relative to the field file."),
    Setting(
        "limits",
        "gap_below",
        "number",
        "Spread ratio below which ground is a gap.",
        default=0.5,
        why="less than half of its own residue",
        low=0.0,
        high=1.0,
    ),
    Setting(
        "limits",
        "double_above",
        "number",
        "Spread ratio above which ground is double.",
        default=1.5,
        why="no-till wants max ÷ min across the pass under 1.5 (Allmaras et al. 1985)",
        low=1.0,
        high=100.0,
    ),
    Setting(
        "limits",
        "strip_min_length",
        "length",
        "Shorter areas are not called strips.",
        default=20.0,
        why="too short to act on with an implement",
        low=0.0,
    ),
    Setting(
        "limits",
        "strip_min_area",
        "area",
        "Smaller areas are not called strips [m²].",
        default=20.0,
        why="too small to act on",
        low=0.0,
    ),
    Setting(
        "limits",
        "layer_share",
        "share",
        "A pass counts as a layer where it lays this share of the field's mean residue.",
        default=0.1,
        why="less is a dusting",
        low=0.0,
        high=1.0,
        above_low=True,
    ),
    _positive(
        "limits",
        "most_speed",
        "speed",
        "Faster fixes are taken for position errors.",
        default=12.0,
        why="faster than a combine drives on a road",
    ),
    _positive(
        "limits",
        "most_harvest_speed",
        "speed",
        "Faster travel is road travel, not harvest.",
        default=4.5,
        why="common practice, no source: harvest is slower than 16 km/h",
    ),
    Setting(
        "advice",
        "least_reach",
        "length",
        "Shortest reach to one side that the machine can be set to.",
        default=1.0,
        why="a stated guess; give your machine's",
        low=0.0,
        high=40.0,
    ),
    _positive(
        "advice",
        "most_reach",
        "length",
        "Longest reach to one side that the machine can be set to.",
        default=5.3,
        why="most combines struggle beyond 30 to 35 ft in all (farm-equipment.com; Erb 1989); "
        "a longer stated reach counts",
        high=40.0,
    ),
    Setting(
        "advice",
        "most_lean",
        "length",
        "Furthest the whole band can be shifted to one side.",
        default=1.5,
        why="a stated guess; give your machine's",
        low=0.0,
        high=30.0,
    ),
    _positive(
        "grid",
        "cell",
        "length",
        "Side of a map cell.",
        default=0.5,
        why="the size of a test tray",
        high=20.0,
    ),
)

BY_NAME = {(s.section, s.key): s for s in SETTINGS}

#: Keys that a pass, a time window or a fix may set for itself.
PER_PASS_SECTIONS = ("spread", "combine")

#: Settings that a pass, a time window or a fix may set for itself, by key.
PER_PASS = {s.key: s for s in SETTINGS if s.section in PER_PASS_SECTIONS and not s.whole_field}


@dataclass(frozen=True)
class PassRule:
    """Settings that hold for some passes or for a time window only.

    Attributes
    ----------
    passes : str
        Pass numbers such as ``"3-7,12"``; empty if a time window is meant.
    start, end : str
        ISO times of the window; empty if passes are meant.
    values : mapping of str to object
        Keys of [spread] or [combine] in SI.
    where : str
        For messages.
    """

    passes: str
    start: str
    end: str
    values: Mapping[str, Any]
    where: str


@dataclass(frozen=True)
class FieldSettings:
    """All settings of one run, checked, in SI units, defaults filled in.

    ``values`` maps (section, key) to the value; ``given`` holds the names the person set.
    """

    values: Mapping[tuple[str, str], Any]
    given: frozenset[tuple[str, str]]
    pass_rules: tuple[PassRule, ...] = ()
    columns: Mapping[str, str] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)

    def get(self, section: str, key: str) -> Any:
        """Give the value of a setting, its default, or None."""
        return self.values[(section, key)]

    def number(self, section: str, key: str) -> float:
        """Give the value of a setting that always has a number."""
        return float(self.values[(section, key)])

    def with_values(self, changes: Mapping[tuple[str, str], Any]) -> FieldSettings:
        """Give the same settings with some values (in SI) replaced: a what-if."""
        for section, key in changes:
            if (section, key) not in BY_NAME:
                raise SettingsError(f"[{section}] {key} is no setting of covermap.")
        return replace(
            self,
            values={**self.values, **changes},
            given=self.given | frozenset(changes),
        )
