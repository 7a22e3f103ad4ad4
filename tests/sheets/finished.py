"""A small finished screening that never was run."""

import json
from pathlib import Path
from typing import Any

import geopandas
from shapely import MultiPolygon, box

HOSTILE_ID = "<img src=x onerror=\"document.title='broken'\">"
HOSTILE_REASON = "</script><script>document.title='broken'</script>\u2028<b>no room</b>"


def write_screening(folder: Path) -> None:
    """Nine lots of 100 x 100 m in three rows, the last without a shape, one with a hostile name, two on the same ground."""
    folder.mkdir()
    ids = ["A-1", "A-2", "A-3", HOSTILE_ID, "B-2", "B-3", "C-1", "C-1 UPPER", "C-3"]
    places = [(0, 200), (100, 200), (200, 200), (0, 100), (100, 100), (200, 100), (0, 0), (0, 0), (200, 0)]
    shapes: list[Any] = [box(600_000 + x, 5_000_000 + y, 600_098 + x, 5_000_098 + y) for x, y in places]
    shapes[1] = shapes[1].difference(box(600_130, 5_000_230, 600_160, 5_000_260))
    shapes[5] = MultiPolygon([box(600_200, 5_000_100, 600_240, 5_000_198), box(600_250, 5_000_100, 600_298, 5_000_198)])
    shapes[7] = box(600_020, 5_000_020, 600_060, 5_000_060)
    shapes[8] = None
    verdicts = ["fits by gravity", "fits with pump", "fits only without full reserve", "does not fit", "cannot say"]
    columns = {
        "parcel_id": ids,
        "verdict": [*verdicts, "cannot say", "does not fit", "does not fit", "cannot say"],
        "reasons": ["", "", "", HOSTILE_REASON, "an open question: a well; elevation", "elevation", "slope", "slope", "elevation"],
        "assumptions": ["soil not known: loam assumed"] * 9,
        "lot_ft2": [103_000.0, 103_000.0, 300_000_000.0, *[103_000.0] * 5, None],
        "trench_ft": [300.0] * 9,
        "field_ft2": [4_000.0, 4_100.0, 3_000.0, *[None] * 6],
        "well_ft": [120.5, 300.0, 101.0, *[None] * 6],
    }
    frame = geopandas.GeoDataFrame(columns, geometry=shapes, crs="EPSG:26910")
    frame.to_file(folder / "screening.gpkg", layer="parcels", driver="GPKG", engine="pyogrio")
    record = {
        "process": "screen_county",
        "geoseptic": "0.1.0",
        "started": "2026-03-04T05:06:07Z",
        "inputs": {},
        "parameters": {},
        "rules": {"id": "invented", "title": "Rules <of nowhere>", "edition": "first", "summary": "Invented."},
        "warnings": ["3 wells state <no> location error"],
        "failures": [],
    }
    (folder / "run.json").write_text(json.dumps(record), encoding="utf-8")
