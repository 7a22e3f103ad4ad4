"""Style texts are well formed and say what the legend says; GeoPackages carry them where GIS looks for them."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from xml.etree import ElementTree as ET

import geopandas
import numpy as np
import pyogrio
import pytest
import shapely

from geoseptic.errors import MissingCrsError, OutputExistsError
from geoseptic.io import styles, vectors
from geoseptic.io.vectors import CACHE, DATE, PRAGMAS, WAITS, WRITTEN_AT, LayerToWrite, write_layers
from geoseptic.model import legend_table
from geoseptic.model.legends import ClassLegend, Swatch, VectorLegend
from geoseptic.model.reasons import REASONS

AWKWARD = "Fill & \"made\" <ground>, O'Hara's"
NAMESPACES = {"sld": styles.SLD, "se": styles.SE, "ogc": styles.OGC}


def parsed(text):
    """The tree of a style, its document type included; a faulty text fails here."""
    return ET.fromstring(text)


# --------------------------------------------------------------------------------------------------------------- rasters


def test_ramp_has_one_item_a_stop_and_lists_unknown():
    renderer = parsed(styles.raster_qml(legend_table.SLOPE)).find("pipe/rasterrenderer")
    assert renderer.get("type") == "singlebandpseudocolor"
    shader = renderer.find("rastershader/colorrampshader")
    assert shader.get("colorRampType") == "INTERPOLATED"
    items = shader.findall("item")
    assert [float(item.get("value")) for item in items] == [0, 8, 15, 30, 50, float(styles.FAR_ABOVE)]
    assert [item.get("label") for item in items][-2:] == ["50 percent and over", "Unknown"]
    assert renderer.get("nodataColor") == "173,173,173,255"
    assert shader.find("rampLegendSettings").get("useContinuousLegend") == "0"


def test_ramp_without_a_drawn_unknown_leaves_it_transparent():
    renderer = parsed(styles.raster_qml(legend_table.well_path("ft", 1000))).find("pipe/rasterrenderer")
    assert renderer.get("nodataColor") == ""
    assert len(renderer.findall(".//item")) == 5


def test_class_palette_names_every_class_and_escapes_what_xml_needs_escaped():
    legend = ClassLegend("Awkward", (Swatch(1, AWKWARD, "#102030"), Swatch(2, "Clear", "#ffffff", opacity=0.0)))
    entries = styles.raster_entries(legend, {1: 5})
    palette = parsed(styles.raster_qml(legend, entries)).findall(".//paletteEntry")
    assert [(each.get("value"), each.get("label"), each.get("alpha")) for each in palette] == [("1", AWKWARD, "255"), ("2", "Clear", "0")]
    colours = parsed(styles.raster_sld(legend, "layer", entries)).findall(".//sld:ColorMapEntry", NAMESPACES)
    assert [(each.get("quantity"), each.get("label"), each.get("opacity")) for each in colours] == [
        ("1", AWKWARD, "1"),
        ("2", "Clear", "0"),
    ]


def test_reasons_are_joined_and_take_the_colour_of_the_highest_bit():
    legend = legend_table.reasons([("slope", "Too steep"), ("lot_line", "Lot line"), ("private_well", "Private well")])
    swatch = styles.combination(legend, 0b101)
    assert swatch.name == "Private well + Too steep"
    assert swatch.colour == legend_table.FEATURE_COLOURS["private_well"]
    nothing = styles.combination(legend, 0)
    assert (nothing.name, nothing.opacity) == ("Nothing found against it", 0.0)


def drawn(stops, value):
    """The colour that a host gives `value` by intervals: that of the first stop that is not below it."""
    return next(colour for bound, colour in stops if value <= bound)


@pytest.mark.parametrize("count", [4, 31])
def test_every_combination_of_reasons_is_drawn_in_the_colour_of_its_highest_bit(count):
    legend = legend_table.reasons(list(REASONS.items())[:count])
    values = range(16) if count == 4 else [0, 1, 2**30, 2**30 + 7, 2**31 - 1, 2**12 + 2**5, 2**12 - 1, 2**17]
    entries = styles.raster_entries(legend, dict.fromkeys(values, 1))
    items = parsed(styles.raster_qml(legend, entries)).findall(".//colorrampshader/item")
    qml = [(float(item.get("value")), item.get("color")) for item in items]
    colour_map = parsed(styles.raster_sld(legend, "reasons", entries)).find(".//sld:ColorMap", NAMESPACES)
    assert colour_map.get("type") == "intervals"
    sld = [(float(entry.get("quantity")), entry.get("color")) for entry in colour_map]
    for value in values:
        assert drawn(qml, value) == drawn(sld, value) == styles.combination(legend, value).colour
    # No bound is a whole number: it would belong to the interval below in one host and to the one above in another.
    assert not any(bound.is_integer() for bound, _ in qml)


def test_legend_of_reasons_has_one_line_for_each_first_reason_however_many_combinations_there_are():
    legend = legend_table.reasons([(f"r{number}", f"Reason {number}") for number in range(12)])
    entries = styles.raster_entries(legend, dict.fromkeys(range(2**10), 1))
    root = parsed(styles.raster_qml(legend, entries))
    assert root.find(".//colorrampshader").get("colorRampType") == "DISCRETE"
    labels = [item.get("label") for item in root.findall(".//colorrampshader/item")]
    assert labels == ["Nothing found against it", *(f"Reason {number}" for number in range(10))]
    assert root.find(".//colorrampshader/item").get("alpha") == "0"


def test_numbers_that_occur_are_listed_with_their_own_colours():
    names = [f"well {number}" for number in range(400)]
    legend = legend_table.well_number(range(400), names, [number % 5 for number in range(400)])
    entries = styles.raster_entries(legend, dict.fromkeys(range(0, 400, 2), 9))
    palette = parsed(styles.raster_qml(legend, entries)).findall(".//paletteEntry")
    assert [each.get("value") for each in palette] == [str(number) for number in range(0, 400, 2)]
    assert palette[3].get("label") == "well 6"
    assert palette[3].get("color") == legend_table.NUMBER_COLOURS[1]
    few, many = (parsed(styles.raster_sld(legend, "wells", entries * times)).find(".//sld:ColorMap", NAMESPACES) for times in (1, 2))
    assert (few.get("extended"), many.get("extended")) == (None, "true")
    assert styles.undeclared(legend, np.array([0, 399, 400, -1])) == [400, -1]


def test_names_of_wells_that_xml_cannot_hold_leave_a_style_that_can_be_read():
    legend = legend_table.well_number([4, 9], ["W\x01-<1>\ud800", 'é & "2"'], [0, 1])
    entries = styles.raster_entries(legend, {4: 1, 9: 1})
    for text in (styles.raster_qml(legend, entries), styles.raster_sld(legend, "wells", entries)):
        found = [each.get("label") for each in parsed(text).iter() if each.get("label")]
        assert found == ["W-<1>", 'é & "2"']


def test_sld_ramp_ascends_and_values_are_exact():
    ramp = parsed(styles.raster_sld(legend_table.SLOPE, "slope")).find(".//sld:ColorMap", NAMESPACES)
    assert ramp.get("type") == "ramp"
    assert [float(entry.get("quantity")) for entry in ramp] == [0, 8, 15, 30, 50]
    values = parsed(styles.raster_sld(legend_table.SLOPE_CLASS, "c", legend_table.SLOPE_CLASS.swatches)).find(".//sld:ColorMap", NAMESPACES)
    assert values.get("type") == "values"


def test_colour_table_of_reasons_covers_every_combination():
    legend = legend_table.reasons([("slope", "Too steep"), ("private_well", "Private well")])
    table = styles.colour_table(legend)
    assert len(table) == 256
    assert table[2] == (0x72, 0x24, 0x73, 255)
    assert table[3] == table[2]
    assert table[0][3] == 0
    assert table[4] == (0, 0, 0, 0)


# --------------------------------------------------------------------------------------------------------------- vectors


def test_single_symbol_is_half_transparent_with_a_darker_outline():
    qml = parsed(styles.vector_qml(legend_table.FIELD_ENVELOPE, styles.vector_categories(legend_table.FIELD_ENVELOPE)))
    assert qml.find("renderer-v2").get("type") == "singleSymbol"
    options = {each.get("name"): each.get("value") for each in qml.findall(".//symbol/layer/Option/Option")}
    fill = [int(channel) for channel in options["color"].split(",")]
    outline = [int(channel) for channel in options["outline_color"].split(",")]
    assert 0 < fill[3] < 255
    assert outline[3] == 255
    assert all(dark < light for dark, light in zip(outline[:3], fill[:3], strict=True))


def test_categories_are_one_a_value_and_hatched_where_they_may_be_required():
    legend = replace(legend_table.SETBACK_ZONES, groups=None)
    present = {("lot_line", False, None), ("private_well", False, None), ("private_well", True, None)}
    qml = parsed(styles.vector_qml(legend, styles.vector_categories(legend, present)))
    renderer = qml.find("renderer-v2")
    assert renderer.get("type") == "categorizedSymbol"
    assert renderer.get("attr") == (
        "to_string(\"feature\") || CASE WHEN \"status\" = 'may be required' THEN ' (may be required)' ELSE '' END"
    )
    listed = [(each.get("value"), each.get("label"), each.get("symbol")) for each in renderer.findall("categories/category")]
    assert listed == [
        ("private_well", "Private well", "0"),
        ("private_well (may be required)", "Private well (may be required)", "1"),
        ("lot_line", "Lot line", "2"),
    ]
    kinds = [[layer.get("class") for layer in symbol.findall("layer")] for symbol in renderer.findall("symbols/symbol")]
    assert kinds == [["SimpleFill"], ["SimpleFill", "LinePatternFill"], ["SimpleFill"]]


TWO_PARTS = {("lot_line", False, "septic_tank"), ("private_well", True, "drain_field"), ("pool", False, "drain_field")}


def test_zones_are_grouped_by_part_and_only_those_of_the_drain_field_are_ticked():
    legend = legend_table.SETBACK_ZONES
    renderer = parsed(styles.vector_qml(legend, styles.vector_categories(legend, TWO_PARTS))).find("renderer-v2")
    assert renderer.get("type") == "RuleRenderer"
    field, tank = renderer.findall("rules/rule")
    assert (field.get("label"), field.get("filter"), field.get("checkstate")) == ("Drain field", "\"part\" = 'drain_field'", None)
    assert (tank.get("label"), tank.get("filter"), tank.get("checkstate")) == ("Septic tank", "\"part\" = 'septic_tank'", "0")
    well, pool = field.findall("rule")
    assert (well.get("label"), well.get("symbol")) == ("Private well (may be required)", "0")
    assert well.get("filter").endswith("END = 'private_well (may be required)'")
    assert (pool.get("label"), pool.get("symbol")) == ("Swimming pool", "1")
    assert [rule.get("symbol") for rule in tank] == ["2"]
    keys = [rule.get("key") for rule in renderer.iter("rule")]
    assert len(set(keys)) == len(keys) == 5


def test_zones_of_a_tank_alone_are_ticked():
    legend = legend_table.SETBACK_ZONES
    rules = parsed(styles.vector_qml(legend, styles.vector_categories(legend, {("pool", False, "septic_tank")}))).findall(".//rules/rule")
    assert [(rule.get("label"), rule.get("checkstate")) for rule in rules] == [("Septic tank", None)]


def test_sld_rules_ask_for_part_feature_and_status_and_are_those_of_the_drain_field():
    legend = legend_table.SETBACK_ZONES
    sld = parsed(styles.vector_sld(legend, "zones", styles.vector_categories(legend, TWO_PARTS)))
    rules = sld.findall(".//se:Rule", NAMESPACES)
    assert [rule.findtext("se:Name", namespaces=NAMESPACES) for rule in rules] == [
        "Drain field: Private well (may be required)",
        "Drain field: Swimming pool",
    ]
    assert rules[1].find("ogc:Filter/ogc:And/ogc:Not/ogc:PropertyIsEqualTo", NAMESPACES) is not None
    literals = [each.text for each in rules[0].findall(".//ogc:Literal", NAMESPACES)]
    assert literals == ["drain_field", "private_well", "may be required"]
    assert rules[0].find(".//se:WellKnownName", NAMESPACES).text == "shape://slash"


def test_a_column_of_labels_is_written_beside_the_features_from_nearby_alone():
    categories = styles.vector_categories(legend_table.SWEEP)
    root = parsed(styles.vector_qml(legend_table.SWEEP, categories))
    assert root.get("labelsEnabled") == "1"
    settings = root.find("labeling/settings")
    assert settings.find("text-style").get("fieldName") == "stop"
    # QGIS keeps the smaller of two scales, 1:1500, in scaleMax.
    assert (settings.find("rendering").get("scaleVisibility"), settings.find("rendering").get("scaleMax")) == ("1", "1500")
    sld = parsed(styles.vector_sld(legend_table.SWEEP, "sweep", categories))
    assert [name.text for name in sld.iterfind(".//se:TextSymbolizer/se:Label/ogc:PropertyName", NAMESPACES)] == ["stop", "stop"]
    assert parsed(styles.vector_qml(legend_table.SEARCH_AREAS, ())).find("labeling") is None


@pytest.mark.parametrize(("geometry", "symbolizer"), [("line", "LineSymbolizer"), ("point", "PointSymbolizer")])
def test_lines_and_points_have_symbols_too(geometry, symbolizer):
    legend = VectorLegend("Kinds", geometry, "it's", (Swatch("a", AWKWARD, "#204060"), Swatch("b", "B", "#c0a020", hatch=True)))
    categories = styles.vector_categories(legend)
    assert len(parsed(styles.vector_qml(legend, categories)).findall(".//symbols/symbol")) == 2
    sld = parsed(styles.vector_sld(legend, "kinds", categories))
    assert len(sld.findall(f".//se:{symbolizer}", NAMESPACES)) == 2
    assert sld.find(".//se:Rule/se:Name", NAMESPACES).text == AWKWARD


# ------------------------------------------------------------------------------------------------------------ GeoPackages


def envelope(rows=2):
    shapes = [shapely.box(0, 0, 100, 80), shapely.MultiPolygon([shapely.box(120, 0, 180, 80), shapely.box(190, 0, 200, 80)])]
    frame = geopandas.GeoDataFrame({"parcel_id": ["7-1", "7-2"], "area_ft2": [1.0, 2.0]}, geometry=shapes, crs="EPSG:26915")
    return frame.iloc[:rows]


def zones():
    frame = {"feature": ["private_well", "pool", "pool"], "status": ["binding", "may be required", None], "part": ["drain_field"] * 3}
    return geopandas.GeoDataFrame(frame, geometry=shapely.buffer(shapely.points([[0, 0], [50, 0], [90, 9]]), 10), crs="EPSG:26915")


def layers():
    return [
        LayerToWrite(
            "field_envelope",
            envelope(),
            legend_table.FIELD_ENVELOPE,
            "Room for a field",
            "Clear of setbacks",
            {"area_ft2": "Area, square feet"},
        ),
        LayerToWrite("tank_envelope", envelope(0), legend_table.TANK_ENVELOPE, "Room for a tank"),
        LayerToWrite("setback_zones", zones(), legend_table.SETBACK_ZONES, "Setbacks"),
    ]


@pytest.fixture
def package(tmp_path):
    path = tmp_path / "envelopes.gpkg"
    write_layers(path, layers())
    return path


def rows_of(path, query):
    with closing(sqlite3.connect(path)) as database:
        return database.execute(query).fetchall()


def test_layers_come_back_as_they_were(package):
    back = pyogrio.read_dataframe(package, layer="field_envelope")
    assert list(back["parcel_id"]) == ["7-1", "7-2"]
    assert back.geometry.area.tolist() == [8000.0, 5600.0]
    assert back.crs.to_epsg() == 26915
    assert len(pyogrio.read_dataframe(package, layer="setback_zones")) == 3


def test_an_empty_layer_keeps_its_columns_and_kind_of_geometry(package):
    info = pyogrio.read_info(package, layer="tank_envelope")
    assert info["features"] == 0
    assert info["geometry_type"] == "MultiPolygon"
    assert list(info["fields"]) == ["parcel_id", "area_ft2"]
    assert list(info["dtypes"]) == ["object", "float64"]


def test_the_file_is_a_geopackage_1_2_with_spatial_indexes(package):
    assert rows_of(package, "PRAGMA user_version") == [(10200,)]
    assert rows_of(package, "PRAGMA application_id") == [(0x47504B47,)]
    indexed = rows_of(package, "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index' ORDER BY 1")
    assert indexed == [("field_envelope",), ("setback_zones",), ("tank_envelope",)]
    assert rows_of(package, "PRAGMA integrity_check") == [("ok",)]
    assert rows_of(package, "PRAGMA foreign_key_check") == []


def test_every_layer_has_a_default_style_in_the_registered_style_table(package):
    found = rows_of(package, "SELECT f_table_catalog, f_table_schema, f_table_name, f_geometry_column, useAsDefault FROM layer_styles")
    assert found == [("", "", name, "geom", 1) for name in ("field_envelope", "tank_envelope", "setback_zones")]
    for qml, sld in rows_of(package, "SELECT styleQML, styleSLD FROM layer_styles"):
        assert parsed(qml).find("renderer-v2") is not None
        assert parsed(sld).find(".//se:Rule", NAMESPACES) is not None
    assert rows_of(package, "SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'") == [("attributes",)]


def test_the_style_lists_only_what_occurs(package):
    ((qml,),) = rows_of(package, "SELECT styleQML FROM layer_styles WHERE f_table_name = 'setback_zones'")
    labels = ["Drain field", "Private well", "Swimming pool", "Swimming pool (may be required)"]
    assert [each.get("label") for each in parsed(qml).iter("rule")] == labels


def test_titles_and_column_notes_are_in_the_file(package):
    assert rows_of(package, "SELECT identifier, description FROM gpkg_contents WHERE table_name = 'field_envelope'") == [
        ("Room for a field", "Clear of setbacks")
    ]
    assert rows_of(package, "SELECT table_name, column_name, description FROM gpkg_data_columns") == [
        ("field_envelope", "area_ft2", "Area, square feet")
    ]
    assert rows_of(package, "SELECT count(*) FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'") == [(2,)]


def test_the_same_layers_give_the_same_bytes(package, tmp_path):
    (tmp_path / "again").mkdir()
    write_layers(tmp_path / "again" / package.name, layers())
    assert (tmp_path / "again" / package.name).read_bytes() == package.read_bytes()


def test_no_clock_has_a_say_in_the_bytes(tmp_path):
    """GDAL tells the time of each of its changes. SQLite counts, in the head of the file, those that change a byte: of two within a
    millisecond the second one would not."""
    path = tmp_path / "envelopes.gpkg"
    vectors._write_rows(path, layers(), index=True)
    assert rows_of(path, "SELECT DISTINCT last_change FROM gpkg_contents") == [(WRITTEN_AT,)]


OWN_DATE = "2026-02-03T04:05:06.000Z"


@pytest.mark.parametrize(
    ("name", "own"), [(WAITS, None), (WAITS, True), (CACHE, None), (CACHE, 16), (DATE, None), (DATE, OWN_DATE), (PRAGMAS, None)]
)
def test_settings_of_gdal_are_as_they_were_when_a_package_is_written(tmp_path, name, own):
    """Also after one that failed."""
    pyogrio.set_gdal_config_options({name: own})
    try:
        write_layers(tmp_path / "envelopes.gpkg", layers())
        assert repr(pyogrio.get_gdal_config_option(name)) == repr(own)
        with pytest.raises(pyogrio.errors.DataSourceError):
            write_layers(tmp_path / "nowhere" / "envelopes.gpkg", layers())
        assert repr(pyogrio.get_gdal_config_option(name)) == repr(own)
    finally:
        pyogrio.set_gdal_config_options({name: None})


def test_an_older_file_is_not_mixed_with_new_layers(package):
    with pytest.raises(OutputExistsError, match=r"envelopes\.gpkg"):
        write_layers(package, layers())


@pytest.mark.parametrize(
    ("change", "error", "said"),
    [
        (lambda frame: frame.set_crs(None, allow_override=True), MissingCrsError, "setback_zones"),
        (lambda frame: frame.assign(feature="moat"), ValueError, r"does not name \['moat'\]"),
        (lambda frame: frame.assign(part="moat"), ValueError, r"does not name \['moat'\]"),
        (lambda frame: frame.drop(columns="status"), ValueError, r"lacks the columns \['status'\]"),
    ],
)
def test_a_layer_that_would_not_be_drawn_is_refused(tmp_path, change, error, said):
    path = tmp_path / "zones.gpkg"
    with pytest.raises(error, match=said):
        write_layers(path, [LayerToWrite("setback_zones", change(zones()), legend_table.SETBACK_ZONES, "Setbacks")])
    assert not path.exists()
