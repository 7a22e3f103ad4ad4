"""The whole main job over checked layers, for the processes that build on it."""

from collections.abc import Mapping
from dataclasses import dataclass

from geoseptic.model.grid import Raster
from geoseptic.model.planes import Plane
from geoseptic.model.results import Results, merged
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.ground import Ground
from geoseptic.processes import notices, slopes, steps, suitability
from geoseptic.processes import paths as flow_paths
from geoseptic.processes.land import Land, check_overlap
from geoseptic.processes.paths import Paths
from geoseptic.processes.plausibility import plausibility_results
from geoseptic.processes.steps import Cut


@dataclass(frozen=True)
class Choices:
    """What the user chose for the main job; names as in processes/inputs.py."""

    parts: tuple[str, ...]
    facts: Mapping[str, bool]
    granted: frozenset[str]
    well_radius_m: float
    reach_m: float
    min_share: float
    building_height_m: float
    window_m: float
    method: str
    weights: Mapping[str, float] | None
    workers: int


@dataclass(frozen=True)
class Mapped:
    """The main job's intermediate values by name, and its results. `ground_facts` is None where no setback hangs on the ground."""

    slope_percent: Plane
    ponding_m: Plane
    receivers: Plane
    paths: Paths
    ground_facts: Ground | None
    cuts: Mapping[str, Cut]
    results: Results


def map_suitability(elevation: Raster, land: Land, rules: RuleSet, chosen: Choices) -> Mapped:
    """Slope, drainage, flow paths to wells, envelopes, then the rating. Raises NoOverlapError where no parcel lies on the elevation."""
    check_overlap(elevation, land)
    slope = slopes.slope_percent(elevation, chosen.window_m, chosen.method, chosen.workers)
    ground = flow_paths.drain(
        elevation, land, min_share=chosen.min_share, building_height_m=chosen.building_height_m, workers=chosen.workers
    )
    ponding = flow_paths.ponding(ground, chosen.workers)
    flow_paths.drop_surfaces(ground, elevation)
    paths = flow_paths.paths_to_wells(
        elevation, land, ground, reach_m=chosen.reach_m, well_radius_m=chosen.well_radius_m, workers=chosen.workers
    )
    ground.d8.drop()
    facts = steps.ground_facts(elevation, ground, chosen.well_radius_m) if steps.needs_ground(rules, chosen.parts, land) else None
    cuts = steps.cut_envelopes(land, rules, chosen.parts, chosen.facts, chosen.granted, facts, chosen.workers)
    if facts is None:
        ground.edge.drop()
    by_part = {cut.zones.part: cut for cut in cuts}
    results = merged(
        steps.envelope_results(land, rules, cuts),
        slopes.slope_results(slope, elevation, rules, chosen.window_m, chosen.method, chosen.workers),
        flow_paths.path_results(
            elevation,
            land,
            ponding,
            paths,
            rules.unit,
            reach_m=chosen.reach_m,
            well_radius_m=chosen.well_radius_m,
            workers=chosen.workers,
        ),
        suitability.suitability_results(
            elevation,
            land,
            rules,
            by_part["drain_field"],
            slope,
            ponding.depth_m,
            paths,
            chosen.weights,
            reach_m=chosen.reach_m,
            workers=chosen.workers,
        ),
        notices.notices(land, rules, cuts, chosen.facts, chosen.granted, elevation),
        plausibility_results(land, elevation),
        slopes.soil_survey_citations("slope_percent"),
    )
    return Mapped(slope, ponding.depth_m, ground.receivers, paths, facts, by_part, results)
