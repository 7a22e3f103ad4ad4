"""Legends as the style files that desktop GIS and map servers read: QML (QGIS) and SLD (OGC 02-070 and 05-077r4).

Text in, text out: nothing here opens a file.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final
from xml.etree import ElementTree as ET
from xml.sax.saxutils import escape

import numpy as np
import numpy.typing as npt

from geoseptic.io.xmlwords import for_xml
from geoseptic.model.legends import BitLegend, ClassLegend, NumberLegend, RampLegend, RasterLegend, Swatch, VectorLegend

OUTLINE_SHADE: Final = 0.6
"""An outline is its fill, darkened to this share."""

OUTLINE_MM: Final = 0.35
LINE_MM: Final = 0.7
POINT_MM: Final = 2.6
HATCH_SPACING_MM: Final = 2.6
LABEL_POINTS: Final = "7"
LABELS_UP_TO: Final = "1500"
"""Labels are drawn on maps of 1:1500 and larger scales: stops of a sweep lie a millimetre apart there."""
HATCH_MM: Final = 0.18
"""Thin and wide apart: where many hatched areas lie over each other, the ground must still be seen."""

FAR_ABOVE: Final = "1e+30"

SMALL_PALETTE: Final = 255
"""Longer value maps must ask GeoServer for 16 bits (its SLD reference, RasterSymbolizer, attribute "extended" of ColorMap)."""

PIXELS_PER_MM: Final = 1 / 0.28
"""SLD's standardised rendering pixel is 0.28 mm wide (OGC 05-077r4, section 10.2)."""

QML_DOCTYPE: Final = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
QML_VERSION: Final = "3.22.0"
"""The oldest QGIS that the styles are drawn with in tests/gis."""

SLD: Final = "http://www.opengis.net/sld"
SE: Final = "http://www.opengis.net/se"
OGC: Final = "http://www.opengis.net/ogc"

for _prefix, _address in (("sld", SLD), ("se", SE), ("ogc", OGC)):
    ET.register_namespace(_prefix, _address)


# ---------------------------------------------------------------------------------------------------------------- rasters


def raster_entries(legend: ClassLegend | BitLegend | NumberLegend, counts: Mapping[int, int]) -> tuple[Swatch, ...]:
    """What the legend of one raster lists, values ascending.

    Of a ClassLegend every class, whether it occurs or not; of a NumberLegend the numbers that occur; of a BitLegend one entry for each
    highest bit that occurs, whose value is the upper bound of all the combinations that it leads: half way between two whole numbers,
    because hosts differ in whether a bound belongs to its interval.

    Parameters
    ----------
    counts : value -> number of cells that hold it, unknown cells left out.
    """
    if isinstance(legend, ClassLegend):
        return tuple(sorted(legend.swatches, key=lambda swatch: float(swatch.value)))
    if isinstance(legend, NumberLegend):
        found = (legend.swatches[value] for value in sorted(counts))
        return tuple(swatch if (name := for_xml(swatch.name)) == swatch.name else replace(swatch, name=name) for swatch in found)
    leading = {value.bit_length() for value in counts}
    names = {int(swatch.value) + 1: swatch for swatch in legend.swatches}
    clear = [Swatch(0.5, legend.clear, "#ffffff", opacity=0.0)] if 0 in leading else []
    return (*clear, *(Swatch(2**length - 0.5, names[length].name, names[length].colour) for length in sorted(leading - {0})))


def combination(legend: BitLegend, value: int) -> Swatch:
    """The swatch of one combination of reasons: all names, the weightiest first, in the colour of the highest bit."""
    if value == 0:
        return Swatch(0, legend.clear, "#ffffff", opacity=0.0)
    applying = [swatch for swatch in legend.swatches if value >> int(swatch.value) & 1]
    applying.sort(key=lambda swatch: int(swatch.value), reverse=True)
    return Swatch(value, " + ".join(swatch.name for swatch in applying), applying[0].colour)


def colour_table(legend: RasterLegend) -> dict[int, tuple[int, int, int, int]]:
    """Red, green, blue and opacity of each of the 256 values that a byte can hold."""
    unknown = None if isinstance(legend, NumberLegend) else legend.unknown
    table = dict.fromkeys(range(256), (0, 0, 0, 0) if unknown is None else _rgba(unknown))
    if isinstance(legend, RampLegend):
        values = [float(stop.value) for stop in legend.stops]
        channels = np.array([_rgba(stop) for stop in legend.stops], dtype=np.float64)
        reached = range(max(0, int(np.ceil(values[0]))), min(255, int(values[-1])) + 1)
        own = np.rint([np.interp(reached, values, channel) for channel in channels.T]).astype(int).T.tolist()
        return table | {value: (red, green, blue, alpha) for value, (red, green, blue, alpha) in zip(reached, own, strict=True)}
    if isinstance(legend, NumberLegend):
        return table | {number: _rgba(swatch) for number, swatch in legend.swatches.items() if number < 256}
    if isinstance(legend, BitLegend):
        bits = sum(1 << int(swatch.value) for swatch in legend.swatches)
        return table | {value: _rgba(combination(legend, value)) for value in range(256) if not value & ~bits}
    return table | {int(swatch.value): _rgba(swatch) for swatch in legend.swatches}


def undeclared(legend: RasterLegend, values: npt.NDArray[np.integer]) -> list[int]:
    """Those of `values` that the legend does not name."""
    if isinstance(legend, BitLegend):
        bits = sum(1 << int(swatch.value) for swatch in legend.swatches)
        strange = (values & ~bits) != 0
    elif isinstance(legend, ClassLegend | NumberLegend):
        named = legend.numbers if isinstance(legend, NumberLegend) else [int(swatch.value) for swatch in legend.swatches]
        strange = ~np.isin(values, named)
    else:
        return []
    strangers: list[int] = values[strange].tolist()
    return strangers


def raster_qml(legend: RasterLegend, entries: Sequence[Swatch] = ()) -> str:
    """A QGIS style for band 1 of a raster; `entries` are those of `raster_entries`, unused for a RampLegend."""
    root = ET.Element("qgis", version=QML_VERSION, styleCategories="AllStyleCategories")
    pipe, rows = ET.SubElement(root, "pipe"), list[str]()
    if isinstance(legend, RampLegend):
        _pseudocolour(pipe, legend.stops, legend.unknown, "INTERPOLATED")
    elif isinstance(legend, BitLegend):
        _pseudocolour(pipe, entries, legend.unknown, "DISCRETE")
    else:
        unknown = legend.unknown if isinstance(legend, ClassLegend) else None
        swatches = (*entries, *([] if unknown is None else [unknown]))
        rows = _rows(ET.SubElement(_renderer(pipe, "paletted", unknown), "colorPalette"), PALETTE_ENTRY, swatches)
    ET.SubElement(pipe, "brightnesscontrast", brightness="0", contrast="0", gamma="1")
    ET.SubElement(pipe, "huesaturation", saturation="0", grayscaleMode="0", colorizeOn="0")
    ET.SubElement(pipe, "rasterresampler", maxOversampling="2")
    ET.SubElement(root, "blendMode").text = "0"
    return _document(root, QML_DOCTYPE, rows)


def _renderer(pipe: ET.Element, kind: str, unknown: Swatch | None) -> ET.Element:
    renderer = ET.SubElement(
        pipe,
        "rasterrenderer",
        type=kind,
        band="1",
        opacity="1",
        alphaBand="-1",
        nodataColor="" if unknown is None else _comma_rgba(unknown.colour, unknown.opacity),
    )
    ET.SubElement(renderer, "rasterTransparency")
    return renderer


def _pseudocolour(pipe: ET.Element, stops: Sequence[Swatch], unknown: Swatch | None, kind: str) -> None:
    """INTERPOLATED (`kind`) mixes the colours of two stops; DISCRETE gives a stop's colour to all between it and the stop before."""
    low, high = (str(stops[0].value), str(stops[-1].value)) if stops else ("0", "0")
    renderer = _renderer(pipe, "singlebandpseudocolor", unknown)
    renderer.attrib |= {"classificationMin": low, "classificationMax": high}
    shader = ET.SubElement(
        ET.SubElement(renderer, "rastershader"),
        "colorrampshader",
        colorRampType=kind,
        classificationMode="1",
        clip="0",
        minimumValue=low,
        maximumValue=high,
    )
    for stop in stops:
        ET.SubElement(shader, "item", value=str(stop.value), label=stop.name, color=stop.colour, alpha=str(_byte(stop.opacity)))
    if unknown is not None:
        # Only to be listed in the legend: no cell is that high, and so far off it does not tint the values beyond the last stop.
        ET.SubElement(shader, "item", value=FAR_ABOVE, label=unknown.name, color=unknown.colour, alpha=str(_byte(unknown.opacity)))
    # A continuous bar would print the two ends only and drop the names of the stops.
    ET.SubElement(shader, "rampLegendSettings", useContinuousLegend="0")


def raster_sld(legend: RasterLegend, layer: str, entries: Sequence[Swatch] = ()) -> str:
    """A Styled Layer Descriptor 1.0 for a single-band raster; `entries` as in `raster_qml`."""
    root = ET.Element(f"{{{SLD}}}StyledLayerDescriptor", version="1.0.0")
    named_layer = ET.SubElement(root, f"{{{SLD}}}NamedLayer")
    ET.SubElement(named_layer, f"{{{SLD}}}Name").text = layer
    style = ET.SubElement(named_layer, f"{{{SLD}}}UserStyle")
    ET.SubElement(style, f"{{{SLD}}}Title").text = legend.title
    rule = ET.SubElement(ET.SubElement(style, f"{{{SLD}}}FeatureTypeStyle"), f"{{{SLD}}}Rule")
    kind = {RampLegend: "ramp", BitLegend: "intervals"}.get(type(legend), "values")
    colours = ET.SubElement(ET.SubElement(rule, f"{{{SLD}}}RasterSymbolizer"), f"{{{SLD}}}ColorMap", type=kind)
    if len(entries) > SMALL_PALETTE:
        colours.set("extended", "true")
    rows = _rows(colours, COLOUR_MAP_ENTRY, legend.stops if isinstance(legend, RampLegend) else entries)
    return _document(root, rows=rows)


# ---------------------------------------------------------------------------------------------------------------- vectors

Present = tuple[object, bool, object]
"""Value of a legend's column, whether hatched, and the group (None where the legend has no groups)."""


@dataclass(frozen=True)
class Category:
    """One symbol of a vector layer; `group` is the group's value and name, where the legend has groups."""

    swatch: Swatch
    hatched: bool = False
    group: tuple[str, str] | None = None


def vector_categories(legend: VectorLegend, present: Collection[Present] | None = None) -> tuple[Category, ...]:
    """The symbols of a vector layer in the legend's order: group by group, plain before hatched.

    Parameters
    ----------
    present : what the layer holds: only that is listed. None lists everything.
    """
    kinds = (False, True) if legend.hatched else (False,)
    groups: tuple[tuple[str, str] | None, ...] = legend.groups[1] if legend.groups else (None,)
    every = tuple(Category(swatch, hatched, group) for group in groups for swatch in legend.swatches for hatched in kinds)
    if present is None or legend.column is None:
        return every
    return tuple(each for each in every if (each.swatch.value, each.hatched, each.group and each.group[0]) in present)


def category_name(legend: VectorLegend, category: Category) -> str:
    name = category.swatch.name
    return f"{name} ({legend.hatched[1]})" if category.hatched and legend.hatched else name


def vector_qml(legend: VectorLegend, categories: Sequence[Category], titles: Mapping[str, str] = MappingProxyType({})) -> str:
    """A QGIS style: a single symbol where the legend has no column and no hatching, else one category or rule each.

    titles : column -> what forms and tables call it. GDAL hands on those of a GeoPackage from 3.7 on only.
    """
    parts = ["Symbology", *(["Labeling"] if legend.label else []), *(["Fields"] if titles else [])]
    root = ET.Element("qgis", version=QML_VERSION, styleCategories="|".join(parts))
    if legend.label:
        root.set("labelsEnabled", "1")
    single = legend.column is None and legend.hatched is None
    kind = "RuleRenderer" if legend.groups else "singleSymbol" if single else "categorizedSymbol"
    renderer = ET.SubElement(root, "renderer-v2", type=kind, symbollevels="0", enableorderby="0", forceraster="0")
    if legend.groups:
        _rules(renderer, legend, categories)
    elif not single:
        renderer.set("attr", _category_expression(legend))
        listed = ET.SubElement(renderer, "categories")
        for number, category in enumerate(categories):
            ET.SubElement(
                listed,
                "category",
                value=_category_value(legend, category),
                label=category_name(legend, category),
                symbol=str(number),
                render="true",
                type="string",
            )
    symbols = ET.SubElement(renderer, "symbols")
    for number, category in enumerate(categories):
        _symbol(symbols, str(number), legend, category)
    ET.SubElement(renderer, "rotation")
    ET.SubElement(renderer, "sizescale")
    if legend.label:
        _labels(root, legend.label)
    if titles:
        aliases = ET.SubElement(root, "aliases")
        for column, title in titles.items():
            ET.SubElement(aliases, "alias", field=column, name=title)
    ET.SubElement(root, "blendMode").text = "0"
    ET.SubElement(root, "layerOpacity").text = "1"
    ET.SubElement(root, "layerGeometryType").text = {"point": "0", "line": "1", "polygon": "2"}[legend.geometry]
    return _document(root, QML_DOCTYPE)


def _labels(root: ET.Element, column: str) -> None:
    """A column's values beside the features, at scales from which they can be told apart; in white haloes, over any map."""
    labels = ET.SubElement(root, "labeling", type="simple")
    settings = ET.SubElement(labels, "settings", calloutType="simple")
    style = ET.SubElement(
        settings, "text-style", fieldName=column, isExpression="0", fontSize=LABEL_POINTS, fontSizeUnit="Point", textColor="0,0,0,255"
    )
    ET.SubElement(style, "text-buffer", bufferDraw="1", bufferSize="0.6", bufferSizeUnits="MM", bufferColor="255,255,255,230")
    ET.SubElement(settings, "placement", placement="0", dist="0.3", distUnits="MM")
    ET.SubElement(settings, "rendering", scaleVisibility="1", scaleMin="0", scaleMax=LABELS_UP_TO, obstacle="0")


def _rules(renderer: ET.Element, legend: VectorLegend, categories: Sequence[Category]) -> None:
    """A rule a group, ticked for the first one alone, with a rule a category below."""
    assert legend.groups is not None
    rules = ET.SubElement(renderer, "rules", key="all")
    parents: dict[str, ET.Element] = {}
    for number, category in enumerate(categories):
        assert category.group is not None
        value, name = category.group
        if value not in parents:
            shown = {} if not parents else {"checkstate": "0"}
            test = f"{_identifier(legend.groups[0])} = {_literal(value)}"
            parents[value] = ET.SubElement(rules, "rule", {"key": value, "label": name, "filter": test, **shown})
        ET.SubElement(
            parents[value],
            "rule",
            key=f"{value}/{_category_value(legend, category)}",
            label=category_name(legend, category),
            filter=f"{_category_expression(legend)} = {_literal(_category_value(legend, category))}",
            symbol=str(number),
        )


def _category_expression(legend: VectorLegend) -> str:
    value = f"to_string({_identifier(legend.column)})" if legend.column else "''"
    if legend.hatched is None:
        return value
    column, marked = legend.hatched
    return f"{value} || CASE WHEN {_identifier(column)} = {_literal(marked)} THEN {_literal(f' ({marked})')} ELSE '' END"


def _category_value(legend: VectorLegend, category: Category) -> str:
    value = str(category.swatch.value) if legend.column else ""
    return f"{value} ({legend.hatched[1]})" if category.hatched and legend.hatched else value


def _symbol(parent: ET.Element, name: str, legend: VectorLegend, category: Category) -> None:
    geometry, swatch, hatched = legend.geometry, category.swatch, category.hatched or category.swatch.hatch
    symbol = ET.SubElement(
        parent,
        "symbol",
        type={"polygon": "fill", "line": "line", "point": "marker"}[geometry],
        name=name,
        alpha="1",
        clip_to_extent="1",
        force_rhr="0",
    )
    outline = _comma_rgba(_darker(swatch.colour), swatch.opacity)
    whole = _comma_rgba(swatch.colour, swatch.opacity)
    if geometry == "polygon":
        fill = _comma_rgba(swatch.colour, swatch.opacity * legend.fill_opacity / (3 if hatched else 1))
        style = {"outline_style": "dash" if hatched else "solid", "outline_width": str(OUTLINE_MM), "outline_width_unit": "MM"}
        _layer(symbol, "SimpleFill", {"color": fill, "style": "solid", "outline_color": outline, "joinstyle": "miter", **style})
        if hatched:
            pattern = _layer(
                symbol,
                "LinePatternFill",
                {"angle": "45", "distance": str(HATCH_SPACING_MM), "distance_unit": "MM", "color": whole, "line_width": str(HATCH_MM)},
            )
            lines = ET.SubElement(pattern, "symbol", type="line", name=f"@{name}@1", alpha="1", clip_to_extent="1", force_rhr="0")
            _layer(lines, "SimpleLine", {"line_color": whole, "line_width": str(HATCH_MM), "line_width_unit": "MM", "line_style": "solid"})
    elif geometry == "line":
        _layer(
            symbol,
            "SimpleLine",
            {"line_color": whole, "line_width": str(LINE_MM), "line_width_unit": "MM", "line_style": "dash" if hatched else "solid"},
        )
    else:
        _layer(
            symbol,
            "SimpleMarker",
            {
                "name": "circle",
                "color": _comma_rgba(swatch.colour, 0.0) if hatched else whole,
                "outline_color": outline,
                "outline_width": str(OUTLINE_MM),
                "outline_width_unit": "MM",
                "size": str(POINT_MM),
                "size_unit": "MM",
            },
        )


def _layer(symbol: ET.Element, kind: str, options: Mapping[str, str]) -> ET.Element:
    layer = ET.SubElement(symbol, "layer", {"class": kind, "enabled": "1", "locked": "0", "pass": "0"})
    option_map = ET.SubElement(layer, "Option", type="Map")
    for name, value in options.items():
        ET.SubElement(option_map, "Option", type="QString", name=name, value=value)
    return layer


def vector_sld(legend: VectorLegend, layer: str, categories: Sequence[Category]) -> str:
    """A Styled Layer Descriptor 1.1 (Symbology Encoding 1.1), one rule for each category; of a legend with groups the first one alone,
    since a map server has no box to tick.
    """
    root = ET.Element(f"{{{SLD}}}StyledLayerDescriptor", version="1.1.0")
    named_layer = ET.SubElement(root, f"{{{SLD}}}NamedLayer")
    ET.SubElement(named_layer, f"{{{SE}}}Name").text = layer
    style = ET.SubElement(named_layer, f"{{{SLD}}}UserStyle")
    ET.SubElement(style, f"{{{SE}}}Name").text = layer
    features = ET.SubElement(style, f"{{{SE}}}FeatureTypeStyle")
    for category in categories:
        if category.group != categories[0].group:
            continue
        name = category_name(legend, category) if category.group is None else f"{category.group[1]}: {category_name(legend, category)}"
        rule = ET.SubElement(features, f"{{{SE}}}Rule")
        ET.SubElement(rule, f"{{{SE}}}Name").text = name
        ET.SubElement(ET.SubElement(rule, f"{{{SE}}}Description"), f"{{{SE}}}Title").text = name
        _filter(rule, legend, category)
        _symbolizer(rule, legend, category)
        if legend.label:
            _label_symbolizer(rule, legend.label)
    return _document(root)


def _filter(rule: ET.Element, legend: VectorLegend, category: Category) -> None:
    tests = []
    if legend.groups and category.group:
        tests.append((legend.groups[0], category.group[0], True))
    if legend.column:
        tests.append((legend.column, str(category.swatch.value), True))
    if legend.hatched:
        tests.append((*legend.hatched, category.hatched))
    if not tests:
        return
    parent = ET.SubElement(rule, f"{{{OGC}}}Filter")
    if len(tests) > 1:
        parent = ET.SubElement(parent, f"{{{OGC}}}And")
    for column, value, wanted in tests:
        _equal(parent if wanted else ET.SubElement(parent, f"{{{OGC}}}Not"), column, value)


def _equal(parent: ET.Element, column: str, value: str) -> None:
    test = ET.SubElement(parent, f"{{{OGC}}}PropertyIsEqualTo")
    ET.SubElement(test, f"{{{OGC}}}PropertyName").text = column
    ET.SubElement(test, f"{{{OGC}}}Literal").text = value


def _symbolizer(rule: ET.Element, legend: VectorLegend, category: Category) -> None:
    geometry, swatch, hatched = legend.geometry, category.swatch, category.hatched or category.swatch.hatch
    dark, opacity = _darker(swatch.colour), f"{swatch.opacity:g}"
    if geometry == "polygon":
        symbolizer = ET.SubElement(rule, f"{{{SE}}}PolygonSymbolizer")
        fill = ET.SubElement(symbolizer, f"{{{SE}}}Fill")
        if hatched:
            graphic = ET.SubElement(ET.SubElement(fill, f"{{{SE}}}GraphicFill"), f"{{{SE}}}Graphic")
            mark = ET.SubElement(graphic, f"{{{SE}}}Mark")
            ET.SubElement(mark, f"{{{SE}}}WellKnownName").text = "shape://slash"
            _stroke(mark, swatch.colour, opacity, HATCH_MM)
            ET.SubElement(graphic, f"{{{SE}}}Size").text = f"{HATCH_SPACING_MM * PIXELS_PER_MM:.2f}"
        else:
            _parameter(fill, "fill", swatch.colour)
            _parameter(fill, "fill-opacity", f"{swatch.opacity * legend.fill_opacity:g}")
        _stroke(symbolizer, dark, opacity, OUTLINE_MM, dashed=hatched)
    elif geometry == "line":
        _stroke(ET.SubElement(rule, f"{{{SE}}}LineSymbolizer"), swatch.colour, opacity, LINE_MM, dashed=hatched)
    else:
        graphic = ET.SubElement(ET.SubElement(rule, f"{{{SE}}}PointSymbolizer"), f"{{{SE}}}Graphic")
        mark = ET.SubElement(graphic, f"{{{SE}}}Mark")
        ET.SubElement(mark, f"{{{SE}}}WellKnownName").text = "circle"
        if not hatched:
            fill = ET.SubElement(mark, f"{{{SE}}}Fill")
            _parameter(fill, "fill", swatch.colour)
            _parameter(fill, "fill-opacity", opacity)
        _stroke(mark, dark, opacity, OUTLINE_MM)
        ET.SubElement(graphic, f"{{{SE}}}Size").text = f"{POINT_MM * PIXELS_PER_MM:.2f}"


def _label_symbolizer(rule: ET.Element, column: str) -> None:
    text = ET.SubElement(rule, f"{{{SE}}}TextSymbolizer")
    ET.SubElement(ET.SubElement(text, f"{{{SE}}}Label"), f"{{{OGC}}}PropertyName").text = column
    _parameter(ET.SubElement(text, f"{{{SE}}}Font"), "font-size", LABEL_POINTS)


def _stroke(parent: ET.Element, colour: str, opacity: str, width_mm: float, *, dashed: bool = False) -> None:
    stroke = ET.SubElement(parent, f"{{{SE}}}Stroke")
    _parameter(stroke, "stroke", colour)
    _parameter(stroke, "stroke-opacity", opacity)
    _parameter(stroke, "stroke-width", f"{width_mm * PIXELS_PER_MM:.2f}")
    if dashed:
        _parameter(stroke, "stroke-dasharray", "6 4")


def _parameter(parent: ET.Element, name: str, value: str) -> None:
    ET.SubElement(parent, f"{{{SE}}}SvgParameter", name=name).text = value


# ----------------------------------------------------------------------------------------------------------------- shared


PALETTE_ENTRY: Final = '<paletteEntry value="{value}" label="{name}" color="{colour}" alpha="{alpha}" />'
COLOUR_MAP_ENTRY: Final = '<sld:ColorMapEntry color="{colour}" quantity="{value}" label="{name}" opacity="{opacity:g}" />'
ROWS: Final = "rows"

QUOTED: Final = {'"': "&quot;", "\t": "&#09;", "\n": "&#10;", "\r": "&#13;"}
"""In the value of an attribute, beside what is escaped anyway."""


def _rows(parent: ET.Element, row: str, swatches: Iterable[Swatch]) -> list[str]:
    """The rows that `_document` puts into `parent`, one a swatch: as texts, since there may be tens of thousands, and elements take four
    times as long."""
    rows = [
        row.format(
            value=swatch.value,
            name=escape(swatch.name, QUOTED),
            colour=swatch.colour,
            alpha=_byte(swatch.opacity),
            opacity=swatch.opacity,
        )
        for swatch in swatches
    ]
    if rows:
        ET.SubElement(parent, ROWS)
    return rows


def _document(root: ET.Element, doctype: str = "", rows: Sequence[str] = ()) -> str:
    ET.indent(root, " ")
    text = ET.tostring(root, encoding="unicode")
    if rows:
        before, after = text.split(f"<{ROWS} />")
        text = before + before[before.rindex("\n") :].join(rows) + after
    return doctype + text + "\n"


def rgb(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def _rgba(swatch: Swatch) -> tuple[int, int, int, int]:
    return (*rgb(swatch.colour), _byte(swatch.opacity))


def _comma_rgba(colour: str, opacity: float) -> str:
    return ",".join(str(channel) for channel in (*rgb(colour), _byte(opacity)))


def _darker(colour: str) -> str:
    return "#" + "".join(f"{round(channel * OUTLINE_SHADE):02x}" for channel in rgb(colour))


def _byte(share: float) -> int:
    return round(share * 255)


def _identifier(column: str) -> str:
    return '"' + column.replace('"', '""') + '"'


def _literal(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
