"""The search for old systems and their seasonal risk, as parts of the process `old_systems`."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from geopandas import GeoDataFrame

from geoseptic.io.searchfiles import load_search_rules
from geoseptic.io.soilfiles import load_soil_criteria
from geoseptic.model.frame import Geometries
from geoseptic.model.grid import Raster
from geoseptic.model.results import Results
from geoseptic.model.rules import RuleSet
from geoseptic.model.search_rules import SearchRules
from geoseptic.parcels.onelot import without_culprits
from geoseptic.parcels.searchareas import Yards, ground_round_houses
from geoseptic.processes import paths, slopes, wet_season
from geoseptic.processes.accounts import failure
from geoseptic.processes.depth_checks import check_depths
from geoseptic.processes.inputs import MIN_SHARE, WINDOW_M
from geoseptic.processes.land import Land, check_overlap
from geoseptic.processes.lots import DRAINAGE, without_rows
from geoseptic.processes.old_downslope import wells_downslope
from geoseptic.processes.old_search import DRAWN, Search, search, search_columns, search_layers, told_of, yards_of
from geoseptic.processes.paths import Drained
from geoseptic.processes.soil_ground import check_soils
from geoseptic.processes.wet_season import SeasonalRisk

Columns = tuple[Mapping[str, object], Mapping[str, str]]
"""Columns of the layer of parcels, one row a lot, and what each means."""

WELL_DOWNSLOPE = (
    "First well, presumed ones included, that water from round the house is known to come to within 1,000 ft; empty where none is known, "
    "which is no proof that there is none"
)

NO_TRENCH_M = 0.0
"""The soil is asked for its water and not for a field."""


@dataclass(frozen=True)
class Chosen:
    """What the user chose for the search: lots with a permit on file too, spacing of the sweep, stops to keep, worker processes."""

    all_lots: bool
    spacing_m: float
    stops: int
    workers: int


@dataclass(frozen=True)
class Brought:
    """What was brought besides parcels, wells and what is on the lots; None where it was not."""

    elevation: Raster | None = None
    plumbing: GeoDataFrame | None = None
    soils: GeoDataFrame | None = None
    floodplain: GeoDataFrame | None = None
    groundwater: Raster | None = None


@dataclass(frozen=True)
class Searched:
    """The search of a run with the seasonal risk, and what they were made by."""

    land: Land
    rules: SearchRules
    chosen: Chosen
    found: Search
    risk: SeasonalRisk
    well_downslope: npt.NDArray[np.object_]
    unseen: Mapping[int, str]
    """Lots at which the ground could not be looked at, and why."""

    def columns(self, unit: str) -> Columns:
        """Lengths in `unit`."""
        (searched, its_notes), (wet, wet_notes) = (
            search_columns(self.land, self.found, self.rules),
            wet_season.risk_columns(self.risk, unit),
        )
        return {**searched, **wet, "well_downslope": self.well_downslope}, {**its_notes, **wet_notes, "well_downslope": WELL_DOWNSLOPE}

    def results(self, unit: str) -> Results:
        """Layers, points, counts and warnings; lengths in `unit`."""
        drawn, points = search_layers(self.land, self.found, self.rules, unit, self.chosen.spacing_m)
        beyond = sorted({status for status in self.found.status.tolist() if status != DRAWN})
        counts: dict[str, object] = {f"search {status}": int(np.count_nonzero(self.found.status == status)) for status in (DRAWN, *beyond)}
        counts |= {"search_areas": len(self.found.found), "sweep_stops": len(self.found.stops)}
        for answer in (wet_season.YES, wet_season.UNKNOWN, wet_season.NO_SIGN):
            counts[f"may fail in the wet season: {answer}"] = int(np.count_nonzero(self.risk.answer == answer))
        return Results(
            layers=(*drawn, wet_season.risk_layer(self.land, self.risk)),
            points=(points,),
            counts=counts,
            warnings=(
                *self.found.notes,
                *self.risk.notes,
                "search areas rank the ground of one lot by stated weights that nobody measured: they are no probabilities, and a tank or "
                "pit may lie where none is drawn, under a later addition, or beyond the lot line",
                f"seasonal risk: {wet_season.NO_PROOF}, and no lot is cleared by it",
            ),
            citations=tuple(dict.fromkeys(band.citation for band in self.rules.bands)),
            failures=tuple(
                failure(self.land, lot, name, why)
                for name, lost in (("where to look", self.found.failures), ("wet ground", self.unseen))
                for lot, why in sorted(lost.items())
                if lot not in self.land.fabric.spoilt
            ),
        )


def search_lots(land: Land, brought: Brought, rules: RuleSet, chosen: Chosen) -> Searched:
    """Where to look on the lots that were chosen, and on every lot with a house whether what is there may fail in the wet season."""
    search_rules, _ = load_search_rules()
    on_file = np.array([flag is True for flag in land.parcels.flags("permit_on_file")], bool)
    spoilt = np.zeros(len(on_file), bool)
    spoilt[list(land.fabric.spoilt)] = True

    def looked_at(ignored: npt.NDArray[np.bool_]) -> tuple[Yards, tuple[str, ...], Geometries]:
        yards, notes = yards_of(land, brought.elevation, brought.plumbing, search_rules, ignored | spoilt)
        return yards, notes, ground_round_houses(yards, search_rules.reach_m)

    (yards, notes, around), failed = without_culprits(looked_at, len(spoilt))
    risk, well_downslope, unseen = _on_the_ground(land, around, brought, rules, chosen.workers)
    lost = {**failed, **land.fabric.spoilt}
    found = search(yards, notes, chosen.all_lots | ~on_file, search_rules, chosen.spacing_m, chosen.stops, chosen.workers)
    return Searched(land, search_rules, chosen, told_of(found, lost), wet_season.told_of(risk, {**unseen, **lost}), well_downslope, unseen)


def _on_the_ground(
    land: Land, around: Geometries, brought: Brought, rules: RuleSet, workers: int
) -> tuple[SeasonalRisk, npt.NDArray[np.object_], dict[int, str]]:
    """The seasonal risk of every lot, the well downslope of its house, and the lots at which the ground could not be looked at."""
    _, wet_rules = load_search_rules()
    soil = check_soils(brought.soils, brought.floodplain, brought.groundwater, land.frame, rules, load_soil_criteria(), {}, NO_TRENCH_M)
    notes, elevation = list(soil.notes), brought.elevation
    notes += check_depths(brought.groundwater, elevation, land.fabric.shapes_m)
    ground: tuple[Raster, Drained, wet_season.Wetness] | None = None
    if elevation is not None:
        check_overlap(elevation, land)
        slope = slopes.slope_percent(elevation, WINDOW_M, "plane", workers)
        # Houses are not raised here: behind every one of them water would then seem to stand.
        drained = paths.drain(elevation, land, min_share=MIN_SHARE, workers=workers)
        waters = land.obstacles.shapes_m[np.isin(land.obstacles.feature, list(DRAINAGE))]
        wet = wet_season.wetness(elevation, drained, slope, waters, wet_rules)
        if wet.above_m is None:
            notes.append(
                "the elevation is too large to be looked at whole: neither the height above the nearest drainage nor the wetness index was "
                "found. Run parts of the county by themselves"
            )
        ground = elevation, drained, wet

    def seen(ignored: npt.NDArray[np.bool_]) -> tuple[SeasonalRisk, npt.NDArray[np.object_]]:
        places_m = without_rows(around, ignored)
        if ground is None:
            return wet_season.seasonal_risk(places_m, None, soil, wet_rules, notes), np.full(len(around), "", object)
        heights, drained, wet = ground
        cells = wet_season.wet_ground(places_m, heights, drained, wet, workers)
        downslope = wells_downslope(places_m, heights, land, drained, workers)
        return wet_season.seasonal_risk(places_m, cells, soil, wet_rules, notes), downslope

    (risk, downslope), failed = without_culprits(seen, len(around))
    for lot, why in failed.items():
        downslope[lot] = f"unknown: {why}"
    return risk, downslope, failed


def with_columns(results: Results, columns: Columns, layer: str = "parcels") -> Results:
    """The results with further columns in one of their layers, before its geometry."""
    values, notes = columns

    def wider(frame: GeoDataFrame) -> GeoDataFrame:
        added = frame.assign(**values)
        return added[[name for name in added.columns if name != "geometry"] + ["geometry"]]

    return replace(
        results,
        layers=tuple(
            replace(one, frame=wider(one.frame), notes={**one.notes, **notes}) if one.name == layer else one for one in results.layers
        ),
    )
