"""A finished run of `uncertainty` that never was run, of the parcels of a screening."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas
import shapely

COLUMNS = (
    "answer", "sure", "in_words", "chance_primary", "chance_both", "both_low", "both_high", "chance_if_smallest",
    "never_certain", "decides", "settled_by",
)  # fmt: skip

CERTAIN = ("fits", "certain", "Field and reserve fit wherever things lie.", 100.0, 100.0, 98.1, 100.0, 100.0, None, None, 0.0)
LIKELY = ("fits", "likely", "Field and reserve probably fit.", 95.0, 87.0, 81.5, 91.0, 87.0, "W-1", "well W-1", 0.6)
LIKELY_NOT = ("does not fit", "likely", "Field and reserve probably do not fit.", 30.0, 8.0, 5.0, 12.6, 8.0, None, "lot line", 0.1)
OPEN = ("cannot say", "cannot say", "Nobody can say: it hangs on where things are.", 70.0, 55.0, 48.0, 61.8, 55.0, "W-1", "well W-1", 0.9)
UNKNOWN = ("cannot say", "cannot say", "Nobody can say: 2 dwellings on the lot.", None, None, None, None, None, None, None, None)


def write_chances(
    folder: Path,
    screening: Path,
    rows: Mapping[str, Sequence[Any]],
    *,
    places: Sequence[tuple[str, str, str, int, shapely.Geometry]] = (),
    visits: Sequence[tuple[int, str, str, float, str, str]] = (),
    line_sigma_m: float = 0.5,
    crs: str | None = None,
    **record: Any,
) -> Path:
    """Rows of `COLUMNS` by parcel, places as (what, feature_id, form, rough, shape), visits as (rank, what, id, settles, parcels, words);
    `record` changes what run.json says, which is else as the screening's."""
    folder.mkdir()
    crs = crs or geopandas.read_file(screening / "screening.gpkg", layer="parcels", rows=1).crs
    table = {name: [row[place] for row in rows.values()] for place, name in enumerate(COLUMNS)}
    frame = geopandas.GeoDataFrame({"parcel_id": list(rows), **table}, geometry=[shapely.Point(0, 0)] * len(rows), crs=crs)
    frame.to_file(folder / "chances.gpkg", layer="parcels", driver="GPKG", engine="pyogrio")
    names = ("what", "feature_id", "form", "rough")
    columns = {name: [place[at] for place in places] for at, name in enumerate(names)}
    frame = geopandas.GeoDataFrame(columns, geometry=[place[4] for place in places], crs=crs)
    frame.to_file(folder / "chances.gpkg", layer="places", driver="GPKG", engine="pyogrio")
    if visits:
        names = ("rank", "what", "id", "settles", "parcels", "words")
        columns = {name: [visit[at] for visit in visits] for at, name in enumerate(names)}
        frame = geopandas.GeoDataFrame(columns, geometry=[shapely.Point(0, 0)] * len(visits), crs=crs)
        frame.to_file(folder / "chances.gpkg", layer="survey_first", driver="GPKG", engine="pyogrio")
    of = json.loads((screening / "run.json").read_text(encoding="utf-8"))
    counts = {"parcel_line_sigma_m": line_sigma_m, "building_sigma_m": 1.0, "draws": 200, "seed": 1}
    told = {**of, "process": "uncertainty", "counts": counts, **record}
    (folder / "run.json").write_text(json.dumps(told), encoding="utf-8")
    return folder
