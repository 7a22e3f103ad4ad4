"""Declaration of the process `rank_parcels`."""

from typing import TYPE_CHECKING, Annotated, Any

from geoseptic.model import layers
from geoseptic.process import Count, LayerIn, LayerOut, Length, TableOut, Weights, process
from geoseptic.processes import inputs
from geoseptic.processes.inputs import ASSUMED_LOCATION_ERROR_M

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from geoseptic.model.results import Results
else:
    GeoDataFrame = Any

PLACE_REACH_M = 15.24
"""50 ft: tank and first pit of an old house are mostly nearer to it. Common practice, no source."""

OldSystems = Annotated[GeoDataFrame, LayerIn(layers.OLD_SYSTEMS)]
Screening = Annotated[GeoDataFrame | None, LayerIn(layers.SCREENING)]
SearchAreas = Annotated[GeoDataFrame | None, LayerIn(layers.SEARCH_AREAS)]
Neighbourhoods = Annotated[GeoDataFrame | None, LayerIn(layers.NEIGHBOURHOODS)]
PlaceReach = Annotated[float, Length("How far from the house the old system is presumed to be", 1.0, 100.0)]
FactorWeights = Annotated[
    dict[str, float] | None,
    Weights("Weight of each factor, as an exponent; default 1 of all", ("cesspool", "wells", "season", "replacement")),
]
Top = Annotated[int, Count("How many parcels the sensitivity is told for", 1, 100_000)]


@process(
    id="rank_parcels",
    title="Which parcels come first",
    outputs=(
        LayerOut("priority", "parcels", "Every parcel with its rank, its factors from 0 to 1 and the words that each came from"),
        TableOut("priority", "The same as a table, the first parcel first"),
        TableOut("sensitivity", "How the first parcels change when each weight moves by a fifth", markdown=True),
        TableOut("neighbourhoods", "Counts for each neighbourhood, where a layer of them is given"),
    ),
    example="--old-systems 'old/old_systems.gpkg|parcels' --screening 'out/screening.gpkg|parcels' --wells 'county.gpkg|wells' "
    "--rules us-wa --out ranked",
)
def rank_parcels(
    old_systems: OldSystems,
    wells: inputs.Wells,
    *,
    rules: inputs.Rules,
    screening: Screening = None,
    buildings: inputs.Buildings = None,
    search_areas: SearchAreas = None,
    neighbourhoods: Neighbourhoods = None,
    weights: FactorWeights = None,
    place_reach_m: PlaceReach = PLACE_REACH_M,
    top: Top = 100,
    assumed_location_error_m: inputs.AssumedLocationError = ASSUMED_LOCATION_ERROR_M,
) -> "Results":
    """The order in which a county visits its old parcels: likely cesspool x wells exposed x seasonal risk x no place for another system.
    Each factor is a column with the words that it came from; what is not known never makes a parcel come late."""
    from geoseptic.processes import priority, priority_tables

    ground = priority.check_ranked(old_systems, screening, wells, buildings, search_areas, neighbourhoods, assumed_location_error_m)
    exposed = priority.exposed_wells(ground, rules, place_reach_m)
    ranked = priority.rank(ground, exposed, weights or dict.fromkeys(priority.FACTORS, 1.0), top)
    return priority_tables.ranking_results(ground, exposed, ranked, rules)
