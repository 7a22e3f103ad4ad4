"""Declaration of the process `old_systems`."""

from typing import TYPE_CHECKING, Annotated, Any

from geoseptic.process import LayerOut, Number, RulesIn, process
from geoseptic.processes import inputs
from geoseptic.processes.inputs import ASSUMED_LOCATION_ERROR_M

if TYPE_CHECKING:
    from geoseptic.model.results import Results
    from geoseptic.model.rules import RuleSet
else:
    RuleSet = Any

SECOND_BUILDING_M2 = 55.74
"""600 ft2: more than a garage for two, as much as a small dwelling. Common practice, no source."""

Rules = Annotated["RuleSet", RulesIn(setbacks=False)]
SecondBuilding = Annotated[float, Number("Floor from which a second building may have a system of its own", "m2", 5.0, 2000.0)]


@process(
    id="old_systems",
    title="Old systems",
    outputs=(LayerOut("old_systems", "parcels", "What is probably in the ground of each parcel, its standing, and what to ask first"),),
    example="--parcels 'county.gpkg|parcels' --wells 'county.gpkg|wells' --buildings 'county.gpkg|buildings' --rules us-ma --out out",
)
def old_systems(
    parcels: inputs.Parcels,
    wells: inputs.Wells,
    *,
    rules: Rules,
    buildings: inputs.Buildings = None,
    elevation: inputs.OptionalElevation = None,
    second_building_m2: SecondBuilding = SECOND_BUILDING_M2,
    assumed_location_error_m: inputs.AssumedLocationError = ASSUMED_LOCATION_ERROR_M,
) -> "Results":
    """What is probably in the ground of each parcel, by the age of the house and by what the permit says, with the law's standing on it,
    and what to ask first. Nothing here clears a parcel."""
    from geoseptic.model.results import merged
    from geoseptic.processes import land as land_checks
    from geoseptic.processes import old_lots

    land = land_checks.check_land(
        parcels,
        wells,
        {"buildings": buildings},
        frame=elevation.grid.frame if elevation is not None else None,
        assumed_location_error_m=assumed_location_error_m,
    )
    return merged(old_lots.triage_results(land, rules, old_lots.triage_lots(land, rules, second_building_m2)))
