"""Dirty files: half a shapefile, a layer that is not there, a rule set that is none."""

import sqlite3
from pathlib import Path

from tests.dirty.cases import Options, dirty
from tests.dirty.county import county, write_county


def as_file(folder: Path, layer: str, name: str, driver: str) -> Path:
    path = folder / name
    county().layers[layer].to_file(path, driver=driver)
    return path


@dirty("a layer that is not in the file", "refused", "it has no layer", "did you mean 'wells'")
def file_without_the_layer(folder: Path) -> Options:
    options = write_county(folder)
    return {**options, "wells": str(options["wells"]).replace("|wells", "|well")}


@dirty("a file of several layers, and none named", "refused", "it has 4 layers")
def file_of_several_layers(folder: Path) -> Options:
    options = write_county(folder)
    return {**options, "wells": str(options["wells"]).removesuffix("|wells")}


@dirty("a text that is called a GeoPackage", "refused", "cannot be read")
def file_that_is_a_text(folder: Path) -> Options:
    (folder / "wells.gpkg").write_text("well, place\n", encoding="utf-8")
    return {**write_county(folder), "wells": str(folder / "wells.gpkg")}


@dirty("a GeoPackage that was cut off in the middle", "refused", "county.gpkg")
def file_cut_off(folder: Path) -> Options:
    options = write_county(folder)
    path = folder / "county.gpkg"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    return options


@dirty("an empty file", "refused", "cannot be read")
def file_of_no_bytes(folder: Path) -> Options:
    (folder / "wells.geojson").touch()
    return {**write_county(folder), "wells": str(folder / "wells.geojson")}


@dirty("a table without shapes instead of a layer", "refused", "no shapes")
def file_with_a_mere_table(folder: Path) -> Options:
    options = write_county(folder)
    with sqlite3.connect(folder / "county.gpkg") as database:
        database.execute("CREATE TABLE list (well_id TEXT)")
        database.execute("INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES ('list', 'attributes', 'list')")
    database.close()
    return {**options, "wells": f"{folder / 'county.gpkg'}|list"}


@dirty("a shapefile, with column names cut to ten letters", "same")
def shapefile(folder: Path) -> Options:
    return {**write_county(folder), "parcels": str(as_file(folder, "parcels", "parcels.shp", "ESRI Shapefile"))}


@dirty("a shapefile without its .prj", "refused", "no coordinate reference system")
def shapefile_without_prj(folder: Path) -> Options:
    path = as_file(folder, "parcels", "parcels.shp", "ESRI Shapefile")
    path.with_suffix(".prj").unlink()
    return {**write_county(folder), "parcels": str(path)}


@dirty("a shapefile without its table", "refused", "parcels.dbf is not beside it")
def shapefile_without_dbf(folder: Path) -> Options:
    path = as_file(folder, "parcels", "parcels.shp", "ESRI Shapefile")
    path.with_suffix(".dbf").unlink()
    return {**write_county(folder), "parcels": str(path)}


@dirty("a rule set that is not TOML", "refused", "rule set")
def rules_that_are_none(folder: Path) -> Options:
    (folder / "rules.toml").write_text("distance from well: 100 ft\n", encoding="utf-8")
    return {**write_county(folder), "rules": str(folder / "rules.toml")}


@dirty("a rule set nested a thousand deep", "refused", "rule set")
def rules_that_are_deep(folder: Path) -> Options:
    (folder / "rules.toml").write_text("x = " + "[" * 1000 + "]" * 1000 + "\n", encoding="utf-8")
    return {**write_county(folder), "rules": str(folder / "rules.toml")}


@dirty("a rule set of arbitrary bytes", "refused", "rule set")
def rules_that_are_bytes(folder: Path) -> Options:
    (folder / "rules.toml").write_bytes(bytes(range(256)) * 4)
    return {**write_county(folder), "rules": str(folder / "rules.toml")}
