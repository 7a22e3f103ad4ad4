"""A run that may take results of earlier runs gives what a run without them gives, whatever was changed in between: seen from outside."""

import json
import os
import shutil
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
import shapely.affinity

from geoseptic.io import keptpackages, overviews
from geoseptic.run.cli import main
from geoseptic.terrain import windows
from tests.processes.random_county import county

LAW_STEPS = int(os.environ.get("GEOSEPTIC_KEPT_STEPS", "4"))
"""Changes in a row for each process; more in the environment for a long trial, which also tries each kind of change by itself."""

LONG_TRIAL = "GEOSEPTIC_KEPT_STEPS" in os.environ

LAYERS = ("parcels", "wells", "buildings", "driveways", "surface_water")
NOT_ALL_TAKE = {
    "suitability_map": LAYERS,
    "screen_county": LAYERS,
    "setback_envelopes": LAYERS,
    "downslope_distance": ("wells", "buildings"),
}
WITH_RULES = ("suitability_map", "screen_county", "setback_envelopes")
GROUND = ("suitability_map", "screen_county", "downslope_distance")

RULES = """
id = "us-xx-test"
title = "Test county"
jurisdiction = "xx"
edition = "1"
unit = "ft"
summary = "For a test: one distance changed."
extends = ["us-wa"]

[citation.here]
title = "Common practice, no source"
edition = "1"
checked = false

[[setback]]
part = "drain_field"
feature = "private_well"
distance = {distance}
cite = "here"
"""


@dataclass
class World:
    """What a user has: layers by name, heights, options, and an own rule set where `rule_ft` is given."""

    layers: dict[str, gpd.GeoDataFrame]
    height_m: np.ndarray
    grid: Any
    options: dict[str, str] = field(default_factory=lambda: {"rules": "us-wa"})
    rule_ft: int | None = None

    def written(self, folder: Path, process: str) -> list[str]:
        """The command line of a run over files of this world."""
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        with rasterio.open(
            folder / "dem.tif", "w", driver="GTiff", height=self.height_m.shape[0], width=self.height_m.shape[1], count=1, dtype="float32",
            crs=self.grid.crs.to_wkt(), transform=self.grid.transform, nodata=float("nan"),
        ) as file:  # fmt: skip
            file.write(self.height_m, 1)
        words = []
        for name in NOT_ALL_TAKE[process]:
            self.layers[name].to_file(folder / "county.gpkg", layer=name, driver="GPKG")
            words += [f"--{name.replace('_', '-')}", f"{folder / 'county.gpkg'}|{name}"]
        if process in GROUND:
            words += ["--elevation", str(folder / "dem.tif"), "--elevation-unit", "m"]
        options = dict(self.options)
        if self.rule_ft is not None:
            (folder / "own.toml").write_text(RULES.format(distance=f'"{self.rule_ft} ft"'), encoding="utf-8")
            options["rules"] = str(folder / "own.toml")
        takes = {"suitability_map": None, "screen_county": {"weights", "parts"}, "setback_envelopes": TERRAIN, "downslope_distance": LEGAL}
        for name, value in options.items():
            if name not in (takes[process] or ()):
                words += [f"--{name}", value]
        return words


TERRAIN = {"reach", "well-radius", "min-share", "building-height", "window", "method", "weights"}
LEGAL = {"rules", "window", "method", "weights", "unrecorded-wells", "fact", "granted", "parts"}


def world(seed: int, lots: int = 12) -> World:
    made = county(lots, seed)
    layers = {
        "parcels": made.parcels, "wells": made.wells, "buildings": made.buildings, "driveways": made.driveways, "surface_water": made.water,
    }  # fmt: skip
    return World({name: layer.copy() for name, layer in layers.items()}, made.elevation.values.copy(), made.elevation.grid)


# ------------------------------------------------------------------------------------------------------------------ changes


def _one(layer: gpd.GeoDataFrame, rng: np.random.Generator) -> int:
    return int(rng.integers(len(layer)))


def _with_shape(layer: gpd.GeoDataFrame, row: int, shape: Any) -> gpd.GeoDataFrame:
    shapes = layer.geometry.values.copy()
    shapes[row] = shape
    return layer.set_geometry(gpd.GeoSeries(shapes, index=layer.index, crs=layer.crs))


def _moved(name: str, by_m: float) -> Callable[[World, np.random.Generator], None]:
    def change(now: World, rng: np.random.Generator) -> None:
        layer = now.layers[name]
        row, step = _one(layer, rng), rng.normal(0, by_m, 2)
        now.layers[name] = _with_shape(layer, row, shapely.affinity.translate(layer.geometry.iloc[row], *step))

    return change


def _removed(name: str) -> Callable[[World, np.random.Generator], None]:
    def change(now: World, rng: np.random.Generator) -> None:
        layer = now.layers[name]
        if len(layer) > 3:
            now.layers[name] = layer.drop(index=layer.index[_one(layer, rng)]).reset_index(drop=True)

    return change


def _set(name: str, column: str, values: tuple[Any, ...]) -> Callable[[World, np.random.Generator], None]:
    def change(now: World, rng: np.random.Generator) -> None:
        layer = now.layers[name].copy()
        layer.loc[layer.index[_one(layer, rng)], column] = values[int(rng.integers(len(values)))]
        now.layers[name] = layer

    return change


def _option(name: str, values: tuple[str, ...]) -> Callable[[World, np.random.Generator], None]:
    def change(now: World, rng: np.random.Generator) -> None:
        now.options[name] = values[int(rng.integers(len(values)))]
        if name == "rules":
            now.rule_ft = None

    return change


def well_added(now: World, rng: np.random.Generator) -> None:
    layer = now.layers["wells"]
    row = layer.iloc[[_one(layer, rng)]].copy()
    row["well_id"] = f"N{int(rng.integers(1 << 30))}"
    row = row.set_geometry(gpd.GeoSeries(shapely.affinity.translate(row.geometry.iloc[0], *rng.normal(0, 40, 2)), row.index, crs=layer.crs))
    both = [row, layer] if rng.random() < 0.5 else [layer, row]
    now.layers["wells"] = gpd.GeoDataFrame(pd.concat(both, ignore_index=True), crs=layer.crs)


def rows_shuffled(now: World, rng: np.random.Generator) -> None:
    name = ("wells", "parcels", "buildings")[int(rng.integers(3))]
    layer = now.layers[name]
    now.layers[name] = layer.iloc[rng.permutation(len(layer))].reset_index(drop=True)


def parcel_split(now: World, rng: np.random.Generator) -> None:
    layer = now.layers["parcels"]
    row = _one(layer, rng)
    shape = layer.geometry.iloc[row]
    west, south, east, north = shape.bounds
    half = shapely.intersection(shape, shapely.box(west - 1, south - 1, (west + east) / 2, north + 1))
    rest = shapely.difference(shape, half)
    if half.geom_type == rest.geom_type == "Polygon":
        new = layer.iloc[[row]].copy()
        new["parcel_id"] = f"S{int(rng.integers(1 << 30))}"
        new = new.set_geometry(gpd.GeoSeries([rest], index=new.index, crs=layer.crs))
        layer = _with_shape(layer, row, half)
        now.layers["parcels"] = gpd.GeoDataFrame(pd.concat([layer, new], ignore_index=True), crs=layer.crs)


def one_height(now: World, rng: np.random.Generator) -> None:
    row, col = (int(rng.integers(length)) for length in now.height_m.shape)
    now.height_m[row, col] = np.nan if rng.random() < 0.3 else now.height_m[row, col] + np.float32(rng.normal(0, 2))


def own_rules(now: World, rng: np.random.Generator) -> None:
    now.rule_ft = int(rng.integers(100, 160))


CHANGES: dict[str, Callable[[World, np.random.Generator], None]] = {
    "well moved": _moved("wells", 20),
    "well moved a hair": _moved("wells", 1e-9),
    "well added": well_added,
    "well removed": _removed("wells"),
    "well error": _set("wells", "location_error_ft", (0.0, 5.0, 60.0, 400.0, np.nan)),
    "well kind": _set("wells", "kind", ("private", "public", "irrigation", None)),
    "well unused": _set("wells", "kind", ("unused", "decommissioned")),
    "parcel moved": _moved("parcels", 5),
    "parcel removed": _removed("parcels"),
    "parcel split": parcel_split,
    "parcel water": _set("parcels", "public_water", ("yes", "no", None)),
    "parcel soil": _set("parcels", "soil", ("type 1", "type 4", "type 6", None)),
    "parcel bedrooms": _set("parcels", "bedrooms", (1.0, 3.0, 5.0, np.nan)),
    "parcel name": _set("parcels", "parcel_id", ("renamed",)),
    "rows shuffled": rows_shuffled,
    "building moved": _moved("buildings", 10),
    "building removed": _removed("buildings"),
    "building use": _set("buildings", "not_a_dwelling", ("yes", "no")),
    "driveway moved": _moved("driveways", 4),
    "water moved": _moved("surface_water", 15),
    "water kind": _set("surface_water", "kind", ("perennial", "intermittent", "marine", None)),
    "height": one_height,
    "rules": _option("rules", ("us-wa", "us-ny", "us-typical")),
    "own rules": own_rules,
    "reach": _option("reach", ("100 ft", "300 ft", "1000 ft")),
    "radius": _option("well-radius", ("2 m", "5 m", "30 m")),
    "share": _option("min-share", ("0.1", "0.2", "0.4")),
    "house height": _option("building-height", ("0 m", "3 m")),
    "window": _option("window", ("9 m", "15 m")),
    "method": _option("method", ("plane", "horn")),
    "presumed": _option("unrecorded-wells", ("presume", "warn")),
}


# ------------------------------------------------------------------------------------------------------------------ comparing


def values_of(out: Path) -> Iterator[tuple[str, Any]]:
    """Every output by name: pixels of each zoom and header of a raster, rows of a layer, bytes of another file."""
    for path in sorted(out.iterdir()):
        if path.name == "run.json":
            told = json.loads(path.read_text(encoding="utf-8"))
            yield path.name, {key: told[key] for key in ("counts", "tables", "repairs", "failures", "citations", "rules")}
            yield "warnings", [line for line in told["warnings"] if "damaged files" not in line]
        elif path.suffix == ".tif":
            with rasterio.open(path) as file:
                factors = file.overviews(1)
                zooms = [file.read(1).tobytes()]
                header = file.tags(), repr(file.nodata), file.dtypes, file.transform, file.crs.to_wkt(), file.shape, factors, file.units
            for level in range(len(factors)):
                with rasterio.open(path, overview_level=level) as file:
                    zooms.append(file.read(1).tobytes())
            yield path.name, (header, [zlib.crc32(zoom) for zoom in zooms])
        elif path.suffix == ".gpkg":
            for layer, _ in pyogrio.list_layers(path):
                rows = pyogrio.read_dataframe(path, layer=layer)
                shapes = [shapely.to_wkb(shape) for shape in rows.geometry] if "geometry" in rows else []
                text = pd.DataFrame(rows.drop(columns="geometry", errors="ignore")).to_json(double_precision=15, date_format="iso")
                yield f"{path.name}|{layer}", (list(rows.columns), text, shapes)
        else:
            yield path.name, path.read_bytes()


def differing(found: Path, wanted: Path) -> list[str]:
    ours, theirs = dict(values_of(found)), dict(values_of(wanted))
    return sorted({*ours, *theirs} - {name for name in ours if name in theirs and ours[name] == theirs[name]})


def both_ways(process: str, words: list[str], folder: Path) -> tuple[list[str], dict[str, Any] | None]:
    """Which outputs differ with and without the store, and what the run says of reuse; refusals must be alike."""
    codes = []
    for name, more in (("with", ["--keep", str(folder / "store")]), ("without", [])):
        shutil.rmtree(folder / name, ignore_errors=True)
        codes.append(main(process, [*words, "--out", str(folder / name), "-q", *more]))
    assert codes[0] == codes[1]
    if not (folder / "without" / "run.json").exists():
        assert not (folder / "with").exists()
        return [], None
    told = json.loads((folder / "with" / "run.json").read_text(encoding="utf-8"))["kept"]
    return differing(folder / "with", folder / "without"), told


@pytest.fixture(autouse=True)
def small_windows(monkeypatch):
    """Many windows in a small county."""
    monkeypatch.setattr(windows, "SIDE_CELLS", 48)
    # Rows of packages are replaced whatever their share.
    monkeypatch.setattr(keptpackages, "WORTH_PATCHING", 1.0)


@pytest.mark.parametrize("process", ["suitability_map", "setback_envelopes", "downslope_distance", "screen_county"])
def test_changes_one_after_the_other_give_what_a_run_without_the_store_gives(tmp_path, process):
    """One store through a chain of random changes: an answer to an earlier question would differ."""
    seed = zlib.crc32(process.encode()) % 1000 + int(os.environ.get("GEOSEPTIC_KEPT_SEED", "0"))
    rng = np.random.default_rng(seed)
    now, done = world(seed), []
    for _ in range(LAW_STEPS):
        differ, told = both_ways(process, now.written(tmp_path / "in", process), tmp_path)
        assert differ == [], (done, told)
        picked = rng.choice(sorted(CHANGES), 1 if rng.random() < 0.7 else 3, replace=False)
        for name in picked:
            CHANGES[name](now, rng)
        done.append([str(name) for name in picked])
    if process != "setback_envelopes":
        assert told is None or told["steps"]


@pytest.mark.skipif(not LONG_TRIAL, reason="takes minutes: set GEOSEPTIC_KEPT_STEPS")
@pytest.mark.parametrize("change", sorted(CHANGES))
def test_after_one_change_of_each_kind_nothing_of_before_is_left(tmp_path, change):
    """Each kind of change by itself, right after a run without it."""
    before = world(5)
    assert main("suitability_map", [*before.written(tmp_path / "in", "suitability_map"), "--out", str(tmp_path / "first"), "-q",
                                    "--keep", str(tmp_path / "store")]) == 0  # fmt: skip
    after = replace(before, layers=dict(before.layers), height_m=before.height_m.copy(), options=dict(before.options))
    CHANGES[change](after, np.random.default_rng(zlib.crc32(change.encode())))
    assert both_ways("suitability_map", after.written(tmp_path / "in", "suitability_map"), tmp_path)[0] == []


def test_zooms_of_a_changed_raster_are_those_of_a_whole_run(tmp_path, monkeypatch):
    """Coarser copies belong to the pixels: where few windows change, no old zoom may stay above them."""
    monkeypatch.setattr(overviews, "SMALLEST", 512)
    big = world(8)
    rows, cols = 560 // big.height_m.shape[0] + 1, 560 // big.height_m.shape[1] + 1
    tall = np.tile(big.height_m, (rows, cols))[:560, :560]
    big = replace(big, height_m=tall, grid=big.grid.of(tall.shape, big.grid.transform, big.grid.crs, "elevation"))
    monkeypatch.setattr(windows, "SIDE_CELLS", 200)
    assert both_ways("suitability_map", big.written(tmp_path / "in", "suitability_map"), tmp_path)[0] == []
    with rasterio.open(tmp_path / "with" / "reasons.tif") as file:
        assert file.overviews(1)
    for name in ("well moved", "parcel removed"):
        CHANGES[name](big, np.random.default_rng(2))
    assert both_ways("suitability_map", big.written(tmp_path / "in", "suitability_map"), tmp_path)[0] == []
