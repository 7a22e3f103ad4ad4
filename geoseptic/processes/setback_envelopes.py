"""Declaration of the process `setback_envelopes`."""

from typing import TYPE_CHECKING

from geoseptic.process import LayerOut, process
from geoseptic.processes import inputs
from geoseptic.processes.account_outputs import OUTPUTS
from geoseptic.processes.inputs import ASSUMED_LOCATION_ERROR_M, BUILDING_HEIGHT_M, MIN_SHARE, MOST_CHANGED, WELL_RADIUS_M

if TYPE_CHECKING:
    from geoseptic.model.results import Results


@process(
    id="setback_envelopes",
    title="Setback envelopes",
    outputs=(
        LayerOut("envelopes", "field_envelope", "What is left of each parcel for a drain field"),
        LayerOut("envelopes", "tank_envelope", "What is left of each parcel for a septic tank"),
        LayerOut("envelopes", "setback_zones", "Ground that each feature keeps from each part, with the citation"),
        *OUTPUTS,
    ),
    example="--parcels 'county.gpkg|parcels' --wells 'county.gpkg|wells' --rules us-wa --out out",
)
def setback_envelopes(
    parcels: inputs.Parcels,
    wells: inputs.Wells,
    *,
    rules: inputs.Rules,
    buildings: inputs.Buildings = None,
    driveways: inputs.Driveways = None,
    pools: inputs.Pools = None,
    surface_water: inputs.SurfaceWater = None,
    springs: inputs.Springs = None,
    cut_banks: inputs.CutBanks = None,
    water_lines: inputs.WaterLines = None,
    drains: inputs.Drains = None,
    other_features: inputs.OtherFeatures = None,
    elevation: inputs.OptionalElevation = None,
    culverts: inputs.Culverts = None,
    parts: inputs.Parts = ("drain_field", "septic_tank"),
    facts: inputs.StatedFacts = None,
    granted: inputs.Granted = (),
    unrecorded_wells: inputs.UnrecordedWells = "presume",
    assumed_location_error_m: inputs.AssumedLocationError = ASSUMED_LOCATION_ERROR_M,
    well_radius_m: inputs.WellRadius = WELL_RADIUS_M,
    min_share: inputs.MinShare = MIN_SHARE,
    building_height_m: inputs.BuildingHeight = BUILDING_HEIGHT_M,
    most_changed: inputs.MostChanged = MOST_CHANGED,
    workers: inputs.Workers = 1,
) -> "Results":
    """What the law leaves of each parcel for each part of a system: the parcel less every setback, from the neighbours' wells too.

    With an elevation raster, distances that depend on drainage or slope direction are settled from the ground; without it they stay open,
    and open never reads as clear.
    """
    from geoseptic.model.results import merged
    from geoseptic.processes import accounts, notices, paths, plausibility, steps
    from geoseptic.processes import land as land_checks

    land = land_checks.check_land(
        parcels,
        wells,
        {
            "buildings": buildings,
            "driveways": driveways,
            "pools": pools,
            "surface_water": surface_water,
            "springs": springs,
            "cut_banks": cut_banks,
            "water_lines": water_lines,
            "drains": drains,
            "other_features": other_features,
        },
        frame=elevation.grid.frame if elevation is not None else None,
        assumed_location_error_m=assumed_location_error_m,
        culverts=culverts,
        presume_wells=unrecorded_wells == "presume",
        most_changed=most_changed,
    )
    ground = None
    if elevation is not None and steps.needs_ground(rules, parts, land):
        drainage = paths.drain(elevation, land, min_share=min_share, building_height_m=building_height_m, workers=workers)
        ground = steps.ground_facts(elevation, drainage, well_radius_m)
    cut = steps.cut_envelopes(land, rules, parts, facts or {}, frozenset(granted), ground, workers)
    told = notices.notices(land, rules, cut, facts or {}, granted, elevation)
    plausible = plausibility.plausibility_results(land, elevation)
    return accounts.with_accounts(merged(steps.envelope_results(land, rules, cut), told, plausible), land, rules.unit)
