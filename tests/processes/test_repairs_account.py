"""Count in equals count out: every parcel of a dirty layer is in the outputs, and what is wrong with it is told."""

import json
import sqlite3
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely

from geoseptic.io.rulefiles import load_rules
from geoseptic.processes.setback_envelopes import setback_envelopes
from geoseptic.run.cli import main
from tests.processes.lots_in_a_row import BOTTOM, CRS, LEFT, lots, wells

RULES = load_rules("us-wa")
LOTS = 16
KINDS = (
    "sound", "sound", "sound", "bow-tie", "spike", "collection", "twice", "overlap", "sliver", "hole", "null", "empty", "heights",
    "measures", "short", "repeated", "no number", "infinite", "huge", "line", "nested", "flat",
)  # fmt: skip


def dirty(kind: str, x: float, y: float, rng: np.random.Generator) -> shapely.Geometry | None:
    """A lot of about 80 x 80 m with that fault, its lower left corner at x, y."""
    box, (w, h) = shapely.box(x, y, x + 80, y + 80), rng.uniform(10, 70, 2)
    corners = [(x, y), (x + 80, y), (x + 80, y + 80), (x, y + 80)]
    found: dict[str, shapely.Geometry | None] = {
        "sound": box,
        "bow-tie": shapely.Polygon([corners[0], corners[2], corners[1], corners[3]]),
        "spike": shapely.Polygon([*corners[:3], (x + w, y + 80), (x + w, y + 120), (x + w, y + 80), corners[3]]),
        "collection": shapely.GeometryCollection([box, shapely.LineString([(x, y), (x + w, y + h)]), shapely.Point(x, y)]),
        "twice": shapely.MultiPolygon([box, shapely.Polygon(corners[::-1])]),
        "overlap": shapely.box(x, y, x + 85, y + 80),
        "sliver": shapely.box(x, y, x + 80, y + 0.4),
        "hole": shapely.Polygon(corners, [shapely.box(x + 70, y + 40, x + 80 + 0.1 * w, y + 50).exterior.coords]),
        "null": None,
        "empty": shapely.Polygon(),
        "heights": shapely.force_3d(shapely.Polygon([corners[0], corners[2], corners[1], corners[3]]), 9.0),
        "measures": shapely.from_wkt(f"POLYGON ZM (({x} {y} 1 2, {x + 80} {y} 1 2, {x + 80} {y + 80} 1 2, {x} {y} 1 2))"),
        "short": shapely.Polygon([(x, y), (x + w, y), (x, y)]),
        "repeated": shapely.Polygon([point for point in corners for _ in range(3)]),
        "no number": shapely.Polygon([*corners[:3], (x, np.nan)]),
        "infinite": shapely.Polygon([*corners[:3], (x, -np.inf)]),
        "huge": shapely.Polygon([*corners[:3], (x, 1e30)]),
        "line": shapely.LineString(corners),
        "nested": shapely.MultiPolygon([box, shapely.box(x + 5, y + 5, x + 5 + w, y + 5 + h)]),
        "flat": shapely.Polygon([(x, y), (x + w, y), (x + 2 * w, y)]),
    }
    return found[kind]


def fabric(seed: int) -> tuple[geopandas.GeoDataFrame, dict[str, str]]:
    """Lots in rows, half of them or less beyond use; and the fault of each."""
    rng = np.random.default_rng(seed)
    kinds = [*rng.choice(KINDS, LOTS // 2), *rng.choice(KINDS[:10], LOTS - LOTS // 2)]
    shapes = [dirty(kind, LEFT + 80.0 * (n % 4), BOTTOM + 90.0 * (n // 4), rng) for n, kind in enumerate(kinds)]
    names = [f"lot {n}" for n in range(LOTS)]
    frame = geopandas.GeoDataFrame({"parcel_id": names, "public_water": [True] * LOTS}, geometry=shapes, crs=CRS)
    return frame, dict(zip(names, kinds, strict=True))


SPOILT = {"null", "empty", "short", "no number", "infinite", "huge", "line", "flat", "nested"}
TOLD = {
    "bow-tie": "mended outline",
    "heights": "mended outline",
    "spike": "mended outline",
    "twice": "mended outline",
    "collection": "mended outline",
    "hole": "mended outline",
    "sliver": "sliver",
}


@pytest.mark.parametrize("seed", range(25))
def test_every_parcel_of_a_dirty_fabric_comes_out_and_what_is_wrong_with_it_is_told(seed):
    frame, kinds = fabric(seed)
    found = setback_envelopes(frame, wells([(-500.0, 50.0)], [0.0]), rules=RULES)
    envelopes = found["field_envelope"].frame
    assert envelopes["parcel_id"].tolist() == list(kinds)
    failures = {str(record["feature"]): record for record in found.failures}
    repairs = found["repairs"].frame
    told = {(one.feature, one.fault) for one in repairs.itertuples()}
    beyond_use = {name for name, kind in kinds.items() if kind in SPOILT and not (kind == "nested" and name not in failures)}
    assert set(failures) == beyond_use == set(found["failures"].frame["feature"])
    assert {record["stage"] for record in failures.values()} <= {"checking"}
    assert {(name, TOLD[kind]) for name, kind in kinds.items() if kind in TOLD} <= told
    for name, kind in kinds.items():
        own = envelopes[envelopes.parcel_id == name].iloc[0]
        if name in beyond_use:
            assert own["area_ft2"] == 0 and own["open_questions"].startswith("nothing is known of its ground")
        if kind == "nested":
            changed = repairs[(repairs.feature == name) & (repairs.fault == "mended outline")].iloc[0].changed_percent
            assert (changed > 5) == (name in failures)
    assert len(repairs) == len(found.repairs)
    assert not repairs.geometry.is_empty.any()


def test_run_on_dirty_layers_ends_with_1_and_its_account_opens_styled(tmp_path: Path):
    parcels = lots(4)
    x, y = LEFT + 300, BOTTOM
    tie = shapely.Polygon([(x, y), (x + 100, y + 100), (x + 100, y), (x, y + 100)])
    shapes = [*parcels.geometry[:2], None, tie]
    parcels.set_geometry(geopandas.GeoSeries(shapes, crs=CRS)).to_file(tmp_path / "county.gpkg", layer="parcels")
    wells([(-500.0, 50.0)], [0.0]).to_file(tmp_path / "county.gpkg", layer="wells")
    pond = geopandas.GeoDataFrame({"kind": ["pond"]}, geometry=[shapely.affinity.translate(tie, -300, 0)], crs=CRS)
    pond.to_file(tmp_path / "county.gpkg", layer="water")
    out = tmp_path / "out"
    layers = [word for name in ("parcels", "wells") for word in (f"--{name}", f"{tmp_path / 'county.gpkg'}|{name}")]
    layers += ["--surface-water", f"{tmp_path / 'county.gpkg'}|water", "--values", "surface_water.kind.pond="]
    assert main("setback_envelopes", [*layers, "--rules", "us-wa", "--out", str(out), "--quiet"]) == 1
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    assert [(one["feature"], one["stage"], one["why"]) for one in record["failures"]] == [("L2", "checking", "no geometry")]
    repairs = geopandas.read_file(out / "repairs.gpkg", layer="repairs")
    assert set(zip(repairs.layer, repairs.fault, strict=True)) == {
        ("parcels", "mended outline"), ("parcels", "several pieces"), ("surface_water", "mended outline"),
    }  # fmt: skip
    square_feet = 5000 / 0.3048**2
    # Four corners in a wrong order may be those of the square, and water keeps that clear; a parcel keeps what is certain.
    assert repairs["after_ft2"].tolist() == pytest.approx([square_feet, square_feet, 2 * square_feet], abs=0.06)
    assert [(one["layer"], one["fault"]) for one in record["repairs"]] == list(zip(repairs.layer, repairs.fault, strict=True))
    with sqlite3.connect(out / "repairs.gpkg") as database:
        styled = dict(database.execute("SELECT f_table_name, styleQML FROM layer_styles WHERE useAsDefault = 1"))
    assert set(styled) == {"repairs", "failures"} and "Outline mended" in styled["repairs"]
    failures = geopandas.read_file(out / "repairs.gpkg", layer="failures")
    assert failures[["feature", "stage", "why"]].to_numpy().tolist() == [["L2", "checking", "no geometry"]]


def test_columns_of_the_account_are_of_the_same_kinds_with_and_without_rows(tmp_path: Path):
    """Else rows of one county could not be put behind those of another."""
    kinds = []
    for name, shapes in (("clean", lots(2).geometry[:2]), ("dirty", [lots(2).geometry[0], None])):
        source, out = tmp_path / f"{name}.gpkg", tmp_path / name
        lots(2).set_geometry(geopandas.GeoSeries(list(shapes), crs=CRS)).to_file(source, layer="parcels")
        wells([(-500.0, 50.0)], [0.0]).to_file(source, layer="wells")
        main(
            "setback_envelopes",
            ["--parcels", f"{source}|parcels", "--wells", f"{source}|wells", "--rules", "us-wa", "--out", str(out), "--quiet"],
        )
        with sqlite3.connect(out / "repairs.gpkg") as database:
            kinds.append([row[1:3] for layer in ("repairs", "failures") for row in database.execute(f"PRAGMA table_info({layer})")])
            assert database.execute("SELECT count(*) FROM failures").fetchone() == (int(name == "dirty"),)
    assert kinds[0] == kinds[1] and ("why", "TEXT") in kinds[0] and ("before_ft2", "REAL") in kinds[0]
