"""The sheets of parcels, made one after the other of a finished screening."""

from collections.abc import Sequence

from geoseptic.errors import listed
from geoseptic.io.chances import Chances, Visit, chances_of
from geoseptic.io.runfolders import FinishedRun
from geoseptic.io.sites import AROUND_M, Heights, Site, elevation_of, known_ids, read_lots, read_site
from geoseptic.model.frame import Frame
from geoseptic.model.results import FileResult, Results
from geoseptic.sheets.contours import Contours, contours_of, no_contours
from geoseptic.sheets.names import file_name
from geoseptic.sheets.page import site_page
from geoseptic.sheets.pdf import plot_plan
from geoseptic.sheets.plan import SURROUND_M, plan_of
from geoseptic.sheets.sureness import Doubts, doubts_of, visits_by_parcel
from geoseptic.stages import stage

CONTOURED_M = 60.0
"""How far round a lot contours are drawn: further than a plan shows."""


def sheets(
    run: FinishedRun, wanted: Sequence[str], paper: str, *, bearings: bool = False, uncertainty: FinishedRun | None = None
) -> Results:
    """Every parcel's sheet, with how sure it is where a run of `uncertainty` is given. One without a shape has none, and is told."""
    with stage("reading the screening"):
        ids = known_ids(run, wanted)
        lots = read_lots(run, ids)
        heights = elevation_of(run)
        chances: Chances | None = None
        told: list[str] = []
        visits: dict[str, tuple[Visit, ...]] = {}
        if uncertainty is not None:
            chances, told = chances_of(run, uncertainty, Frame.of(lots.crs, "parcels", run.folder))
            visits = visits_by_parcel(chances)
    files, shapeless = [], []
    with stage("drawing sheets"):
        for parcel_id in ids:
            site = read_site(run, lots, parcel_id)
            if site.lot_m.is_empty:
                shapeless.append(parcel_id)
                continue
            doubts = None if chances is None else _doubts(site, chances, visits.get(parcel_id, ()))
            plan = plan_of(site, _contours(site, run, heights), bearings=bearings, doubts=doubts)
            sheet = file_name(parcel_id, "pdf")
            files.append(FileResult(sheet, plot_plan(plan, run, paper)))
            files.append(FileResult(file_name(parcel_id, "html"), site_page(plan, run, sheet)))
    warnings = [*told, f"no contours are drawn: {heights}"] if isinstance(heights, str) else list(told)
    if shapeless:
        warnings.append(f"{len(shapeless)} parcels have no shape, and no sheet ({listed(shapeless)})")
    return Results(
        files=tuple(files),
        counts={"parcels": len(ids), "sheets": len(ids) - len(shapeless)},
        warnings=tuple(warnings),
        failures=tuple({"layer": "parcels", "feature": name, "stage": "sheet", "why": "the parcel has no shape"} for name in shapeless),
    )


def _doubts(site: Site, chances: Chances, visits: Sequence[Visit]) -> Doubts:
    left, bottom, right, top = site.lot_m.bounds
    places = chances.places_near((left - AROUND_M, bottom - AROUND_M, right + AROUND_M, top + AROUND_M))
    return doubts_of(chances, site.parcel_id, str(site.row["verdict"]), places, visits)


def _contours(site: Site, run: FinishedRun, heights: Heights | str) -> Contours:
    if isinstance(heights, str):
        return no_contours(heights)
    left, bottom, right, top = site.lot_m.bounds
    reach = CONTOURED_M + SURROUND_M
    found = heights((left - reach, bottom - reach, right + reach, top + reach))
    if found is None:
        return no_contours("the elevation ends before this lot")
    return contours_of(found, float(run.parameters["window_m"]), site.unit)
