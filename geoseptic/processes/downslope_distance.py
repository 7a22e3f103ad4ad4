"""Declaration of the process `downslope_distance`."""

from typing import TYPE_CHECKING, Annotated

from geoseptic.process import Choice, LayerOut, RasterOut, process
from geoseptic.processes import inputs
from geoseptic.processes.inputs import ASSUMED_LOCATION_ERROR_M, BUILDING_HEIGHT_M, MIN_SHARE, REACH_M, WELL_RADIUS_M

if TYPE_CHECKING:
    from geoseptic.model.results import Results


@process(
    id="downslope_distance",
    title="Downslope distance to wells",
    outputs=(
        RasterOut("well_path", "Distance along the flow path down to the nearest well"),
        RasterOut("well_path_code", "Reaches a well, does not, leaves the data, or no elevation"),
        RasterOut("well_path_well", "Number of that well; the layer well_discs names it"),
        RasterOut("ponding", "Depth of water that a hollow would hold before it spills"),
        LayerOut("well_discs", "well_discs", "The discs that stand for the wells"),
    ),
    example="--elevation dem.tif --elevation-unit ft --wells wells.shp --reach 1000ft --out out",
)
def downslope_distance(
    elevation: inputs.Elevation,
    wells: inputs.Wells,
    *,
    reach_m: inputs.Reach = REACH_M,
    well_radius_m: inputs.WellRadius = WELL_RADIUS_M,
    min_share: inputs.MinShare = MIN_SHARE,
    buildings: inputs.Buildings = None,
    building_height_m: inputs.BuildingHeight = BUILDING_HEIGHT_M,
    culverts: inputs.Culverts = None,
    assumed_location_error_m: inputs.AssumedLocationError = ASSUMED_LOCATION_ERROR_M,
    length_unit: Annotated[str, Choice("Unit of the distances and depths written", ("ft", "m"))] = "ft",
    workers: inputs.Workers = 1,
) -> "Results":
    """How far down the fall of the ground each place is from a well, with four answers: reaches one, reaches none within the reach,
    leaves the data within the reach, no elevation.
    """
    from geoseptic.model.results import merged
    from geoseptic.processes import land as land_checks
    from geoseptic.processes import paths, plausible_ground

    land = land_checks.check_wells(elevation, wells, buildings, culverts, assumed_location_error_m)
    ground = paths.drain(elevation, land, min_share=min_share, building_height_m=building_height_m, workers=workers)
    hollows = paths.ponding(ground, workers)
    paths.drop_surfaces(ground, elevation)
    found = paths.paths_to_wells(elevation, land, ground, reach_m=reach_m, well_radius_m=well_radius_m, workers=workers)
    for plane in (ground.receivers, ground.d8, ground.edge):
        plane.drop()
    results = paths.path_results(
        elevation, land, hollows, found, length_unit, reach_m=reach_m, well_radius_m=well_radius_m, workers=workers
    )
    return merged(results, plausible_ground.ground_results(elevation))
