"""The settings of field, crop, combine, spread, wind, limits, advice and grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from covermap.settings.setting import choice, number, shares, text

Profile = Literal["flat", "triangle", "trapezoid", "bell", "table"]
Discharge = Literal["spread", "windrow"]
PROFILES: tuple[Profile, ...] = ("flat", "triangle", "trapezoid", "bell", "table")
DISCHARGES: tuple[Discharge, ...] = ("spread", "windrow")

#: Where a file that a setting names is looked for.
_FROM = "relative to the field file; as an option, to the current folder."


@dataclass(frozen=True, kw_only=True)
class FieldSection:
    """[field]: which field it is, and its files."""

    name: str | None = text("Name of the field, shown on map and report.")
    track: str | None = text("Harvest track, relative to the field file.")
    boundary: str | None = text(f"Polygon file of the field's outline, {_FROM}")
    next_crop: str | None = text("Crop to be sown next; with it, map also makes a plan.")
    crs: str | None = text("CRS of the track's coordinates if they are not degrees.")


@dataclass(frozen=True, kw_only=True)
class CropSection:
    """[crop]: the crop, and what its table would else say."""

    kind: str | None = text("Crop, by its name in the crop table.")
    grain_yield_t_ha: float | None = number(
        "mass per area", "Grain yield where the track has none.", above=0.0, high=30.0
    )
    grain_moisture_pct: float | None = number(
        "percent",
        "Grain moisture where the track has none.",
        why="market moisture of the crop table",
        low=0.0,
        high=60.0,
    )
    cut_height_m: float | None = number(
        "length",
        "Height of the stubble left standing.",
        why="usual height of the crop table",
        low=0.0,
        high=2.0,
    )
    straw_to_grain: float | None = number(
        "number", "Dry straw per dry grain [kg/kg].", above=0.0, high=10.0
    )
    chaff_to_grain: float | None = number(
        "number", "Dry chaff per dry grain [kg/kg].", low=0.0, high=10.0
    )
    harvest_index: float | None = number(
        "number", "Dry grain per dry plant above ground.", above=0.0, high=0.95
    )


@dataclass(frozen=True, kw_only=True)
class CombineSection:
    """[combine]: the machine: header, antenna, delays, rotor."""

    cut_width_m: float | None = number(
        "length", "Width of crop the header takes.", above=0.0, high=30.0
    )
    antenna_ahead_of_discharge_m: float = number(
        "length",
        "How far the positioned point lies ahead of where residue leaves the machine.",
        default=0.0,
        why="the track is taken as the path of the discharge",
        low=-20.0,
        high=20.0,
    )
    antenna_behind_header_m: float = number(
        "length",
        "How far the positioned point lies behind the cutterbar.",
        default=0.0,
        why="logs are usually shifted to the cutterbar already",
        low=-20.0,
        high=20.0,
    )
    grain_delay_s: float = number(
        "time",
        "Seconds from cutting to the grain reading; logs are usually shifted already.",
        default=0.0,
        why="the log is taken as shifted already",
        low=0.0,
        high=60.0,
        whole_field=True,
    )
    residue_delay_s: float = number(
        "time",
        "Seconds from cutting until the residue leaves the machine.",
        default=4.0,
        why="no published figure was found; a stated guess, set your own",
        low=0.0,
        high=60.0,
    )
    discharge_height_m: float = number(
        "length",
        "Height above ground at which the residue leaves the machine.",
        default=1.8,
        why="common practice, no source",
        above=0.0,
        high=5.0,
        whole_field=True,
    )
    throw_elevation_deg: float = number(
        "angle",
        "Angle of the throw above the horizontal.",
        default=0.0,
        why="thrown level",
        low=-60.0,
        high=80.0,
        whole_field=True,
    )
    rotor_diameter_m: float | None = number(
        "length",
        "Diameter of the spreading rotor or disc; with rotor_rpm it gives the launch speed.",
        above=0.0,
        high=3.0,
        whole_field=True,
    )
    rotor_rpm: float | None = number(
        "number",
        "Revolutions per minute of the spreading rotor or disc.",
        above=0.0,
        high=10000.0,
        whole_field=True,
    )


@dataclass(frozen=True, kw_only=True)
class SpreadSection:
    """[spread]: how the residue is laid."""

    discharge: Discharge = choice(
        DISCHARGES,
        "Chopped and thrown (spread) or laid down to be baled (windrow).",
        default="spread",
        why="residue is taken as spread",
    )
    width_m: float | None = number(
        "length", "Edge-to-edge width of the thrown band or windrow.", above=0.0, high=60.0
    )
    reach_left_m: float | None = number(
        "length", "Centre line to the left edge.", low=0.0, high=40.0
    )
    reach_right_m: float | None = number(
        "length", "Centre line to the right edge.", low=0.0, high=40.0
    )
    profile: Profile = choice(
        PROFILES,
        "Shape across the band; table needs shares.",
        default="flat",
        why="an even band, the best case",
    )
    shares: tuple[float, ...] | None = shares(
        "Shares from the left edge to the right, equal steps."
    )
    profile_file: str | None = text(
        f"Profile from covermap trays (shape, reaches), {_FROM}", whole_field=True
    )
    lean_m: float = number(
        "length",
        "Shift of the band's centre, + to the right looking forward.",
        default=0.0,
        why="no lean",
        low=-30.0,
        high=30.0,
    )
    chaff_width_m: float | None = number(
        "length",
        "Width of the chaff where it does not go with the straw.",
        why="with the straw when spread; half the cut width behind a windrow",
        above=0.0,
        high=60.0,
    )
    baled_share: float = number(
        "share",
        "Share of the windrow's straw that is baled and taken off.",
        default=0.0,
        why="nothing is baled",
        low=0.0,
        high=1.0,
    )


@dataclass(frozen=True, kw_only=True)
class WindSection:
    """[wind]: one wind for the whole harvest, or a file of winds."""

    speed_m_s: float | None = number(
        "speed", "Wind speed of the day where there is no wind file.", low=0.0, high=40.0
    )
    from_deg: float | None = number(
        "angle",
        "Direction the wind blows from, clockwise from true north.",
        key="from_deg",
        low=0.0,
        high=360.0,
    )
    height_m: float = number(
        "length",
        "Height above ground at which the wind was measured.",
        default=10.0,
        why="height of weather stations",
        above=0.0,
        high=200.0,
    )
    file: str | None = text(f"CSV of wind over time, {_FROM}")


@dataclass(frozen=True, kw_only=True)
class LimitsSection:
    """[limits]: what counts as a gap, a double, a strip, a layer; what as harvest."""

    gap_below: float = number(
        "number",
        "Spread ratio below which ground is a gap.",
        default=0.5,
        why="less than half of its own residue",
        low=0.0,
        high=1.0,
    )
    double_above: float = number(
        "number",
        "Spread ratio above which ground is double.",
        default=1.5,
        why="no-till wants highest ÷ lowest across the pass under 1.5 (Allmaras et al. 1985)",
        low=1.0,
        high=100.0,
    )
    strip_min_length_m: float = number(
        "length",
        "Shorter areas are not called strips.",
        default=20.0,
        why="too short to act on with an implement",
        low=0.0,
    )
    strip_min_area_m2: float = number(
        "area",
        "Smaller areas are not called strips [m²].",
        default=20.0,
        why="too small to act on",
        low=0.0,
    )
    layer_share: float = number(
        "share",
        "A pass counts as a layer where it lays this share of the field's mean residue.",
        default=0.1,
        why="less is a dusting",
        above=0.0,
        high=1.0,
    )
    most_speed_m_s: float = number(
        "speed",
        "Faster fixes are taken for position errors.",
        default=12.0,
        why="faster than a combine drives on a road",
        above=0.0,
    )
    most_harvest_speed_m_s: float = number(
        "speed",
        "Faster travel is road travel, not harvest.",
        default=4.5,
        why="common practice, no source: harvest is slower than {4.444:speed .2g}",
        above=0.0,
    )


@dataclass(frozen=True, kw_only=True)
class AdviceSection:
    """[advice]: what the machine can be set to."""

    least_reach_m: float = number(
        "length",
        "Shortest reach to one side that the machine can be set to.",
        default=1.0,
        why="a stated guess; give your machine's",
        low=0.0,
        high=40.0,
    )
    most_reach_m: float = number(
        "length",
        "Longest reach to one side that the machine can be set to.",
        default=5.3,
        why="most combines struggle beyond 30 to 35 ft in all (trade press; Erb 1989); "
        "a longer stated reach counts",
        above=0.0,
        high=40.0,
    )
    most_lean_m: float = number(
        "length",
        "Furthest the whole band can be shifted to one side.",
        default=1.5,
        why="a stated guess; give your machine's",
        low=0.0,
        high=30.0,
    )


@dataclass(frozen=True, kw_only=True)
class GridSection:
    """[grid]: the grid of the map."""

    cell_m: float = number(
        "length",
        "Side of a map cell.",
        default=0.5,
        why="the size of a test tray",
        above=0.0,
        high=20.0,
    )
