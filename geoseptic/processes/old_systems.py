"""Declaration of the process `old_systems`."""

from typing import TYPE_CHECKING, Annotated, Any

from geoseptic.model import layers
from geoseptic.process import Choice, Count, DepthIn, LayerIn, LayerOut, Length, Number, PointsOut, RulesIn, process
from geoseptic.processes import inputs
from geoseptic.processes.account_outputs import OUTPUTS
from geoseptic.processes.inputs import ASSUMED_LOCATION_ERROR_M, MOST_CHANGED

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from geoseptic.model.grid import Raster
    from geoseptic.model.results import Results
    from geoseptic.model.rules import RuleSet
else:
    GeoDataFrame = Raster = RuleSet = Any

SECOND_BUILDING_M2 = 55.74
"""600 ft2: more than a garage for two, as much as a small dwelling. Common practice, no source."""

Rules = Annotated["RuleSet", RulesIn(setbacks=False)]
SecondBuilding = Annotated[float, Number("Floor from which a second building may have a system of its own", "m2", 5.0, 2000.0)]


SPACING_M = 1.524
"""5 ft: a tank is longer, and the least pit as wide. Common practice, no source."""

STOPS = 60
"""As many as somebody probes in a day, our own choice."""

Plumbing = Annotated[GeoDataFrame | None, LayerIn(layers.PLUMBING)]
Soils = Annotated[GeoDataFrame | None, LayerIn(layers.SOILS)]
Floodplain = Annotated[GeoDataFrame | None, LayerIn(layers.FLOODPLAIN)]
Groundwater = Annotated[Raster | None, DepthIn("Depth of mapped groundwater below the ground")]
SearchLots = Annotated[str, Choice("Lots to draw search areas for: those without a permit on file, or all", ("without_permit", "all"))]
Spacing = Annotated[float, Length("Distance of the lines of a sweep, and of its stops", 0.3, 5.0)]
Stops = Annotated[int, Count("Stops of a sweep that are written, the likeliest first", 1, 1000)]


@process(
    id="old_systems",
    title="Old systems",
    outputs=(
        LayerOut("old_systems", "parcels", "What is probably in the ground of each parcel, its standing, and what to ask first"),
        LayerOut("old_systems", "search_areas", "Where to look for the buried tank or pit, ranked within each lot"),
        LayerOut("old_systems", "sweep", "Stops for the probe or the camera locator, in their order"),
        LayerOut("old_systems", "wet_season", "Whether what is in the ground round each house may fail in the wet season"),
        PointsOut("sweep", "The sweep for a phone or a GPS receiver"),
        *OUTPUTS,
    ),
    example="--parcels 'county.gpkg|parcels' --wells 'county.gpkg|wells' --buildings 'county.gpkg|buildings' --rules us-ma --out out",
)
def old_systems(
    parcels: inputs.Parcels,
    wells: inputs.Wells,
    *,
    rules: Rules,
    buildings: inputs.Buildings = None,
    driveways: inputs.Driveways = None,
    pools: inputs.Pools = None,
    surface_water: inputs.SurfaceWater = None,
    plumbing: Plumbing = None,
    elevation: inputs.OptionalElevation = None,
    soils: Soils = None,
    floodplain: Floodplain = None,
    groundwater: Groundwater = None,
    culverts: inputs.Culverts = None,
    second_building_m2: SecondBuilding = SECOND_BUILDING_M2,
    search_lots: SearchLots = "without_permit",
    spacing_m: Spacing = SPACING_M,
    sweep_stops: Stops = STOPS,
    assumed_location_error_m: inputs.AssumedLocationError = ASSUMED_LOCATION_ERROR_M,
    most_changed: inputs.MostChanged = MOST_CHANGED,
    workers: inputs.Workers = 1,
) -> "Results":
    """What is probably in the ground of each parcel, by the age of the house and by what the permit says, with the law's standing on it,
    and what to ask first; where to look for it, in which order, and whether it may fail in the wet season. Nothing here clears a parcel."""
    from geoseptic.model.results import merged
    from geoseptic.processes import accounts, notices, old_ground, old_lots, plausible_ground
    from geoseptic.processes import land as land_checks

    land = land_checks.check_land(
        parcels,
        wells,
        {"buildings": buildings, "driveways": driveways, "pools": pools, "surface_water": surface_water},
        frame=elevation.grid.frame if elevation is not None else None,
        assumed_location_error_m=assumed_location_error_m,
        culverts=culverts,
        most_changed=most_changed,
    )
    triaged, untold = old_lots.triage_lots(land, rules, second_building_m2)
    brought = old_ground.Brought(elevation, plumbing, soils, floodplain, groundwater)
    chosen = old_ground.Chosen(search_lots == "all", spacing_m, sweep_stops, workers)
    searched = old_ground.search_lots(land, brought, rules, chosen)
    told = old_lots.triage_results(land, rules, triaged, untold)
    of_the_ground = (
        ()
        if elevation is None
        else (notices.edge_results(land, inputs.REACH_M, notices.STAYS_EMPTY), plausible_ground.ground_results(elevation))
    )
    found = merged(old_ground.with_columns(told, searched.columns(rules.unit)), searched.results(rules.unit), *of_the_ground)
    return accounts.with_accounts(found, land, rules.unit)
