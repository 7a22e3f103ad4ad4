"""Style texts are well formed and say what the legend says; GeoPackages carry them where GIS looks for them."""

import sqlite3
from contextlib import closing
from xml.etree import ElementTree as ET

import geopandas
import pyogrio
import pytest
import shapely

from geoseptic.errors import MissingCrsError, OutputExistsError
from geoseptic.io import styles
from geoseptic.io.vectors import LayerToWrite, write_layers
from geoseptic.model import legend_table
from geoseptic.model.legends import ClassLegend, Swatch, VectorLegend

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


def test_reasons_are_joined_and_take_the_colour_of_the_lowest_bit():
    legend = legend_table.reasons([("slope", "Too steep"), ("private_well", "Private well"), ("lot_line", "Lot line")])
    swatch = styles.combination(legend, 0b110)
    assert swatch.name == "Private well + Lot line"
    assert swatch.colour == legend_table.FEATURE_COLOURS["private_well"]
    nothing = styles.combination(legend, 0)
    assert (nothing.name, nothing.opacity) == ("Nothing found against it", 0.0)


def test_legend_lists_the_commonest_combinations_and_one_colour_for_the_rest():
    legend = legend_table.reasons([(f"r{number}", f"Reason {number}") for number in range(8)])
    counts = {value: 1000 - value for value in range(100)} | {200: 5000}
    entries = styles.raster_entries(legend, counts)
    assert [entry.value for entry in entries] == [200, *range(styles.LISTED_COMBINATIONS - 1)]
    root = parsed(styles.raster_qml(legend, entries))
    palette = root.findall(".//paletteEntry")
    assert len(palette) == styles.LISTED_COMBINATIONS + 1
    assert palette[-1].get("label") == "Another combination of reasons, or unknown"
    # What the palette does not list is drawn in the nodata colour, which is that of the last entry.
    assert root.find(".//rasterrenderer").get("nodataColor") == "173,173,173,255"
    assert palette[-1].get("color") == "#adadad"
    rare = styles.rare_entries(legend, counts)
    assert {entry.value for entry in entries + rare} == set(counts)
    assert {entry.colour for entry in rare} == {"#adadad"}


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
    assert table[3] == table[1]
    assert table[0][3] == 0
    assert table[4] == (0xAD, 0xAD, 0xAD, 255)


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


def test_zones_are_one_category_a_feature_and_hatched_where_they_may_be_required():
    legend = legend_table.SETBACK_ZONES
    present = {("lot_line", False), ("private_well", False), ("private_well", True)}
    categories = styles.vector_categories(legend, present)
    qml = parsed(styles.vector_qml(legend, categories))
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


def test_sld_rules_ask_for_the_feature_and_the_status():
    legend = legend_table.SETBACK_ZONES
    sld = parsed(styles.vector_sld(legend, "zones", styles.vector_categories(legend, {("pool", False), ("pool", True)})))
    rules = sld.findall(".//se:Rule", NAMESPACES)
    assert [rule.findtext("se:Name", namespaces=NAMESPACES) for rule in rules] == ["Swimming pool", "Swimming pool (may be required)"]
    assert rules[0].find("ogc:Filter/ogc:And/ogc:Not/ogc:PropertyIsEqualTo", NAMESPACES) is not None
    literals = [each.text for each in rules[1].findall(".//ogc:Literal", NAMESPACES)]
    assert literals == ["pool", "may be required"]
    assert rules[1].find(".//se:WellKnownName", NAMESPACES).text == "shape://slash"


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
    frame = {"feature": ["private_well", "pool", "pool"], "status": ["binding", "may be required", None]}
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
    assert [each.get("value") for each in parsed(qml).iter("category")] == ["private_well", "pool", "pool (may be required)"]


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


def test_an_older_file_is_not_mixed_with_new_layers(package):
    with pytest.raises(OutputExistsError, match=r"envelopes\.gpkg"):
        write_layers(package, layers())


@pytest.mark.parametrize(
    ("change", "error", "said"),
    [
        (lambda frame: frame.set_crs(None, allow_override=True), MissingCrsError, "setback_zones"),
        (lambda frame: frame.assign(feature="moat"), ValueError, r"does not name \['moat'\]"),
        (lambda frame: frame.drop(columns="status"), ValueError, r"lacks the columns \['status'\]"),
    ],
)
def test_a_layer_that_would_not_be_drawn_is_refused(tmp_path, change, error, said):
    path = tmp_path / "zones.gpkg"
    with pytest.raises(error, match=said):
        write_layers(path, [LayerToWrite("setback_zones", change(zones()), legend_table.SETBACK_ZONES, "Setbacks")])
    assert not path.exists()
