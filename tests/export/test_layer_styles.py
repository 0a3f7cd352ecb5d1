"""Styles say what the colour table says, in the order of elements that OGC 02-070 asks for."""

from xml.etree import ElementTree

import numpy as np
import pytest

from covermap.drawing.colours import colourise
from covermap.export.desktop_styles import raster_qml, vector_qml
from covermap.export.layer_styles import layer_looks, raster_sld, vector_sld
from covermap.tables.signs import action_signs, hatch_of

SLD = "{http://www.opengis.net/sld}"
OGC = "{http://www.opengis.net/ogc}"
RAMPS = [("residue_t_ha", 0, 8), ("cover_pct", 0, 100), ("spread_ratio", 0, 2),
         ("spread_ratio", 0, 3.4)]  # fmt: skip
LIMITS = (0.5, 1.5)
LAYERS = ["strips", "passes", "zones", "outline"]

# Content models of StyledLayerDescriptor.xsd 1.0.0 (OGC 02-070, annex A), from memory.
ORDER = {
    "StyledLayerDescriptor": ["Name", "Title", "Abstract", "NamedLayer"],
    "NamedLayer": ["Name", "LayerFeatureConstraints", "NamedStyle", "UserStyle"],
    "UserStyle": ["Name", "Title", "Abstract", "IsDefault", "FeatureTypeStyle"],
    "FeatureTypeStyle": ["Name", "Title", "Abstract", "FeatureTypeName", "Rule"],
    "Rule": ["Name", "Title", "Abstract", "LegendGraphic", "Filter", "MinScaleDenominator",
             "MaxScaleDenominator", "Symbolizer"],
    "PolygonSymbolizer": ["Geometry", "Fill", "Stroke"],
    "LineSymbolizer": ["Geometry", "Stroke"],
    "TextSymbolizer": ["Geometry", "Label", "Font", "LabelPlacement", "Halo", "Fill"],
    "RasterSymbolizer": ["Geometry", "Opacity", "ChannelSelection", "OverlapBehavior",
                         "ColorMap"],
    "Fill": ["GraphicFill", "CssParameter"],
    "Stroke": ["GraphicFill", "GraphicStroke", "CssParameter"],
    "GraphicFill": ["Graphic"],
    "Graphic": ["ExternalGraphic", "Mark", "Opacity", "Size", "Rotation"],
    "Mark": ["WellKnownName", "Fill", "Stroke"],
    "ChannelSelection": ["GrayChannel"],
    "GrayChannel": ["SourceChannelName"],
    "ColorMap": ["ColorMapEntry"],
    "Label": ["Literal"],
    "Font": ["CssParameter"],
    "Filter": ["PropertyIsEqualTo"],
    "PropertyIsEqualTo": ["PropertyName", "Literal"],
}  # fmt: skip


def local(element):
    return element.tag.partition("}")[2]


def check_order(element):
    if len(element) == 0:
        return
    names = [
        "Symbolizer" if local(child).endswith("Symbolizer") else local(child) for child in element
    ]
    places = [ORDER[local(element)].index(name) for name in names]
    assert places == sorted(places), f"{local(element)}: {names}"
    for child in element:
        check_order(child)


def colours_between(values, places, colours):
    rgb = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in colours], float)
    return np.stack([np.interp(values, places, rgb[:, k]) for k in range(3)], axis=-1)


@pytest.mark.parametrize("layer", LAYERS)
def test_descriptors_of_vectors_keep_the_order_of_the_schema(layer):
    root = ElementTree.fromstring(vector_sld(layer, LIMITS))
    assert (root.tag, root.get("version")) == (f"{SLD}StyledLayerDescriptor", "1.0.0")
    check_order(root)
    marks = {mark.text for mark in root.iter(f"{SLD}WellKnownName")}
    # OGC 02-070, section 11.3.2: these six names and no others
    assert marks <= {"square", "circle", "triangle", "star", "cross", "x"}


@pytest.mark.parametrize(("name", "low", "high"), [*RAMPS, ("layers", 0, 4)])
def test_descriptors_of_rasters_keep_the_order_of_the_schema(name, low, high):
    root = ElementTree.fromstring(raster_sld(name, low, high, "1"))
    check_order(root)
    values = [float(e.get("quantity")) for e in root.iter(f"{SLD}ColorMapEntry")]
    assert values == sorted(set(values))


@pytest.mark.parametrize(("name", "low", "high"), RAMPS)
def test_both_styles_of_a_raster_show_the_colours_of_the_picture(name, low, high):
    values = np.random.default_rng(1).uniform(low - 1, high + 1, 4000)
    wanted = colourise(name, values, low, high)[:, :3].astype(float)
    sld = list(ElementTree.fromstring(raster_sld(name, low, high, "")).iter(f"{SLD}ColorMapEntry"))
    qml = list(ElementTree.fromstring(raster_qml(name, low, high, "")).iter("item"))
    for places, colours in (
        ([float(e.get("quantity")) for e in sld], [e.get("color") for e in sld]),
        ([float(e.get("value")) for e in qml], [e.get("color") for e in qml]),
    ):
        # the picture has 255 steps; between two of them a channel moves by 4 at most
        assert np.abs(colours_between(values, places, colours) - wanted).max() <= 4


def test_whole_numbers_of_layers_get_their_own_colour():
    values = np.array([0.0, 1, 2, 3, 4, 7])
    wanted = colourise("layers", values, 0, 4)[:, :3].tolist()
    items = list(ElementTree.fromstring(raster_qml("layers", 0, 4, "1")).iter("item"))
    upper = [float(item.get("value")) for item in items]
    assert upper[-1] == np.inf
    found = [items[int(np.searchsorted(upper, value))].get("color") for value in values]
    assert [[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in found] == wanted
    sld = ElementTree.fromstring(raster_sld("layers", 0, 4, "1")).iter(f"{SLD}ColorMapEntry")
    assert [(float(e.get("quantity")), e.get("color")) for e in sld] == list(
        zip([0, 1, 2, 3, 4], found[:5], strict=True)
    )


def rules_of(layer):
    rules = {}
    for rule in ElementTree.fromstring(vector_sld(layer, LIMITS)).iter(f"{SLD}Rule"):
        literal = rule.find(f"{OGC}Filter/{OGC}PropertyIsEqualTo/{OGC}Literal")
        css = {}
        for fill in rule.findall(f"{SLD}PolygonSymbolizer"):
            for parameter in fill.iter(f"{SLD}CssParameter"):
                css.setdefault(parameter.get("name"), parameter.text)
        mark = rule.find(f".//{SLD}WellKnownName")
        letter = rule.find(f".//{SLD}Label/{OGC}Literal")
        rules[literal.text] = (
            css,
            None if mark is None else mark.text,
            None if letter is None else letter.text,
        )
    return rules


def grey(colour):
    """CIE 1931 luminance of sRGB (IEC 61966-2-1)."""
    parts = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_gap_and_double_differ_by_dash_hatch_and_grey():
    rules = rules_of("strips")
    (gap, gap_mark, _), (double, double_mark, _) = rules["gap"], rules["double"]
    assert "stroke-dasharray" in gap
    assert "stroke-dasharray" not in double
    assert gap_mark != double_mark
    # WCAG 2.2, 1.4.11: 3:1 between graphics that have to be told apart
    light, dark = grey(gap["fill"]), grey(double["fill"])
    assert (light + 0.05) / (dark + 0.05) > 3


def test_gap_and_double_differ_by_brush_and_dash_on_the_desktop():
    root = ElementTree.fromstring(vector_qml("strips", LIMITS))
    seen = {}
    for category in root.iter("category"):
        symbol = next(s for s in root.iter("symbol") if s.get("name") == category.get("symbol"))
        options = [
            {o.get("name"): o.get("value") for o in layer.find("Option")}
            for layer in symbol.iter("layer")
        ]
        seen[category.get("value")] = (options[0]["outline_style"], options[1]["style"])
    assert seen == {"gap": ("dash", "b_diagonal"), "double": ("solid", "diagonal_x")}
    assert all(hatch_of(kind).brushes == (brush,) for kind, (_, brush) in seen.items())


def test_every_action_has_its_colour_and_its_own_letter():
    rules = rules_of("zones")
    assert set(rules) == set(action_signs())
    for rule_id, (css, _, letter) in rules.items():
        assert css["fill"] == action_signs()[rule_id].colour
        assert letter == action_signs()[rule_id].code
    assert len({letter for _, _, letter in rules.values()}) == len(rules)
    brushes = {}
    root = ElementTree.fromstring(vector_qml("zones", LIMITS))
    for number, category in enumerate(root.iter("category")):
        symbol = list(root.iter("symbol"))[number]
        styles = [prop.get("v") for prop in symbol.iter("prop") if prop.get("k") == "style"]
        assert styles[0] == "solid"  # the colour; the hatch lies on it
        brushes[category.get("value")] = tuple(styles[1:])
    assert brushes == {rule_id: sign.hatch.brushes for rule_id, sign in action_signs().items()}


@pytest.mark.parametrize("layer", LAYERS)
def test_old_and_new_readers_of_the_desktop_style_see_the_same(layer):
    for part in ElementTree.fromstring(vector_qml(layer, LIMITS)).iter("layer"):
        new = {o.get("name"): o.get("value") for o in part.find("Option")}
        assert new == {p.get("k"): p.get("v") for p in part.iter("prop")}


@pytest.mark.parametrize("layer", LAYERS)
def test_styles_refer_to_nothing_outside(layer):
    text = vector_sld(layer, LIMITS) + vector_qml(layer, LIMITS)
    assert "ExternalGraphic" not in text
    assert "DOCTYPE" not in text
    addresses = {part.split('"')[0] for part in text.split("http")[1:]}
    assert addresses == {"://www.opengis.net/sld", "://www.opengis.net/ogc"} or (
        addresses == {"://www.opengis.net/sld"}
    )


def test_categories_use_the_column_that_the_looks_name():
    for layer in ("strips", "zones"):
        root = ElementTree.fromstring(vector_qml(layer, LIMITS))
        assert root.find("renderer-v2").get("attr") == layer_looks(LIMITS)[layer].column
