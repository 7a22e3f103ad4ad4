"""The rows of a county map: the parcels of a screening, and what a ranking says of each."""

from collections.abc import Iterable
from urllib.parse import quote

import numpy as np
import numpy.typing as npt
from geopandas import GeoDataFrame

from geoseptic.errors import InputError, listed
from geoseptic.io.chances import Chances, chances_of
from geoseptic.io.maplibrary import county_map_parts
from geoseptic.io.runfolders import FinishedRun, is_made_of
from geoseptic.io.sites import read_lots, unit_of
from geoseptic.model import layers, legend_table
from geoseptic.model.checking import CheckedLayer, check, source_of
from geoseptic.model.frame import Frame
from geoseptic.model.names import ALIKE, near_matches
from geoseptic.model.results import FileResult, Results
from geoseptic.processes.screening_legends import PARCELS, SURE
from geoseptic.sheets.county_map import NOT_RANKED, Ranking, Sureness, county_map_page
from geoseptic.sheets.county_words import RANK_FIGURES, RANK_TEXTS, SURE_NUMBERS
from geoseptic.sheets.names import file_name
from geoseptic.sheets.packing import BETWEEN_TEXTS
from geoseptic.sheets.sureness import said_of, visits_by_parcel
from geoseptic.stages import stage
from geoseptic.systems.verdict import VERDICTS

PAGE = "county_map.html"
ENDINGS = ("html", "pdf")
"""Of the sheets of a parcel."""


def map_results(
    run: FinishedRun, ranked: GeoDataFrame | None, sites: FinishedRun | None, uncertainty: FinishedRun | None = None
) -> Results:
    """The page, how many parcels of each verdict it shows, and what the inputs do not have in common."""
    parts = county_map_parts()
    with stage("reading parcels"):
        lots = read_lots(run)
        frame = Frame.of(lots.crs, "parcels", run.folder)
        shapes_m = frame.to_metres(np.asarray(lots.geometry.array, object))
    ids = lots["parcel_id"].astype(str).to_numpy(object)
    verdicts = lots["verdict"].astype(str)
    strange = sorted(set(verdicts) - set(VERDICTS))
    if strange:
        raise InputError(f"{run.folder}: {listed(strange)} is no verdict of this version. Run the screening again, with this version.")
    warnings = []
    shapeless = int(sum(shape is None or shape.is_empty for shape in shapes_m))
    if shapeless:
        warnings.append(f"{shapeless} parcels have no outline: they are found by their name, not on the map")
    ranking = None
    if ranked is not None:
        checked = check(ranked, layers.RANKED, frame, source_of(ranked))
        rows, told = _joined(ids, checked)
        warnings += [*checked.notes, *told]
        ranking = _ranking(checked, rows)
    sureness = None
    if uncertainty is not None:
        chances, told = chances_of(run, uncertainty, frame)
        warnings += told
        sureness = _sureness(ids, verdicts, chances)
    links: list[str] = []
    if sites is not None:
        links, told = _links(ids, run, sites)
        warnings += told
    with stage("making the page"):
        page = county_map_page(run, lots, shapes_m, unit_of(lots), PARCELS, parts, ranking, sureness, links)
    counts: dict[str, object] = {"parcels": len(ids)}
    counts |= {f"parcels: {verdict}": int((verdicts == verdict).sum()) for verdict in VERDICTS}
    if sureness is not None:
        counts |= {f"how sure: {swatch.value}": sureness.classes.count(swatch.value) for swatch in SURE.swatches}
    if ranking is not None:
        counts["parcels_ranked"] = int(sum(word != NOT_RANKED for word in ranking.classes))
    if links:
        counts["parcels_with_a_sheet"] = sum(link != "" for link in links)
    return Results(files=(FileResult(PAGE, page),), counts=counts, warnings=tuple(warnings))


def _joined(ids: npt.NDArray[np.object_], ranked: CheckedLayer) -> tuple[npt.NDArray[np.int64], list[str]]:
    """The row of the ranking that each parcel has, -1 where it has none, and warnings."""
    row_of = {str(name): row for row, name in enumerate(ranked.ids)}
    rows = np.array([row_of.get(str(name), -1) for name in ids], np.int64)
    told = []
    if (rows < 0).any():
        told.append(f"{int((rows < 0).sum())} parcels of the screening are not in the ranking: they are shown as not ranked")
    beyond = len(row_of) - int((rows >= 0).sum())
    if beyond:
        told.append(f"{beyond} parcels of the ranking are not in the screening: they are not on the map")
    pairs = [f"{one!a} and {other!a}" for one, other in near_matches(map(str, ids), row_of)]
    if pairs:
        told.append(f"names of the screening and of the ranking that {ALIKE}, taken for different parcels: {listed(pairs)}")
    return rows, told


def _links(ids: npt.NDArray[np.object_], run: FinishedRun, sites: FinishedRun) -> tuple[list[str], list[str]]:
    """The links to the sheets of each parcel, with `BETWEEN_TEXTS` between them, and warnings."""
    if not sites.link:
        return [], [f"{sites.folder} is on another drive than the map: no link leads there"]
    written = sites.record.get("outputs")
    there = set(map(str, written)) if isinstance(written, list) else set()
    names = [[name for ending in ENDINGS if (name := file_name(str(parcel_id), ending)) in there] for parcel_id in ids]
    told = []
    if not any(names):
        told.append(f"{sites.folder} has no sheet of any of these parcels")
    if not is_made_of(sites, run, "screening"):
        told.append(
            f"the sheets in {sites.folder} were made of another screening than this map: the two may say different things of a parcel"
        )
    return [BETWEEN_TEXTS.join(sites.link + quote(name) for name in own) for own in names], told


def _sureness(ids: npt.NDArray[np.object_], verdicts: Iterable[str], chances: Chances) -> Sureness:
    """What is said of each parcel, as on its sheet."""
    lots = [chances.lots.get(str(name)) for name in ids]
    visits = visits_by_parcel(chances)
    said = [said_of(verdict, lot, visits.get(str(name), ())) for name, verdict, lot in zip(ids, verdicts, lots, strict=True)]
    numbers = {name: np.array([np.nan if lot is None else getattr(lot, name) for lot in lots], np.float64) for name in SURE_NUMBERS}
    texts = {
        "why": [BETWEEN_TEXTS.join(text.replace(BETWEEN_TEXTS, ", ") for text in one.why) for one in said],
        "first": [BETWEEN_TEXTS.join(one.first) for one in said],
    }
    return Sureness(SURE, [one.key for one in said], numbers, texts, chances.visits)


def _ranking(ranked: CheckedLayer, rows: npt.NDArray[np.int64]) -> Ranking:

    def texts(name: str, otherwise: str = "") -> list[str]:
        own = ranked.texts(name)
        return [str(own[row] or "") if row >= 0 else otherwise for row in rows]

    numbers = {figure.column: np.where(rows >= 0, ranked.numbers(figure.column)[rows], np.nan) for figure in RANK_FIGURES}
    return Ranking(legend_table.PRIORITY, texts("priority", NOT_RANKED), numbers, {name: texts(name) for name in RANK_TEXTS})
