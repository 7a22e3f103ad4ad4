"""The whole main job over checked layers, for the processes that build on it."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoseptic.model.grid import Raster
from geoseptic.model.results import Results
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.ground import Ground
from geoseptic.processes import notices, steps
from geoseptic.processes.land import Land, check_overlap
from geoseptic.processes.steps import Cut
from geoseptic.terrain.wellpaths import Drainage, WellPaths


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

    slope_percent: npt.NDArray[np.float32]
    ground: Drainage
    paths: WellPaths
    ground_facts: Ground | None
    cuts: Mapping[str, Cut]
    results: Results


def map_suitability(elevation: Raster, land: Land, rules: RuleSet, chosen: Choices) -> Mapped:
    """Slope, drainage, flow paths to wells, envelopes, then the rating. Raises NoOverlapError where no parcel lies on the elevation."""
    check_overlap(elevation, land)
    slope = steps.slope_percent(elevation, chosen.window_m, chosen.method, chosen.workers)
    ground = steps.drain(elevation, land, min_share=chosen.min_share, building_height_m=chosen.building_height_m, workers=chosen.workers)
    paths = steps.paths_to_wells(elevation, land, ground, reach_m=chosen.reach_m, well_radius_m=chosen.well_radius_m)
    facts = steps.ground_facts(elevation, ground, chosen.well_radius_m) if steps.needs_ground(rules, chosen.parts, land) else None
    cuts = steps.cut_envelopes(land, rules, chosen.parts, chosen.facts, chosen.granted, facts, chosen.workers)
    results = steps.merged(
        steps.envelope_results(land, rules, cuts),
        steps.slope_results(slope, elevation, rules, chosen.window_m, chosen.method),
        steps.path_results(elevation, land, ground, paths, rules.unit, reach_m=chosen.reach_m, well_radius_m=chosen.well_radius_m),
        steps.suitability_results(elevation, land, rules, cuts, slope, ground, paths, chosen.weights, reach_m=chosen.reach_m),
        notices.notices(land, rules, cuts, chosen.facts, chosen.granted, elevation),
        notices.soil_survey_citations("slope_percent"),
    )
    return Mapped(slope, ground, paths, facts, {cut.zones.part: cut for cut in cuts}, results)
