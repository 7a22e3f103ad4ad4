"""Declaration of the process `check_inputs`."""

from typing import TYPE_CHECKING, Annotated, Any

from geoseptic.model import layers
from geoseptic.process import ElevationIn, LayerIn, LayerOut, PageOut, RulesIn, TableOut, process
from geoseptic.processes import inputs
from geoseptic.processes.inputs import ASSUMED_LOCATION_ERROR_M, MOST_CHANGED
from geoseptic.processes.screen_county import Floodplain, Groundwater, Soils

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from geoseptic.model.grid import Raster
    from geoseptic.model.results import Results
    from geoseptic.model.rules import RuleSet
else:
    GeoDataFrame = Raster = RuleSet = Any

Parcels = Annotated[GeoDataFrame | None, LayerIn(layers.PARCELS)]
Wells = Annotated[GeoDataFrame | None, LayerIn(layers.WELLS)]
Elevation = Annotated[Raster | None, ElevationIn()]
Rules = Annotated["RuleSet | None", RulesIn("Rule set, to look for distances and soils that it does not have")]


@process(
    id="check_inputs",
    title="Check of the inputs",
    outputs=(
        PageOut("inputs", "What is wrong with each file, where, and how to mend it: for the data's owner", html=True),
        TableOut("problems", "One row a problem and feature"),
        LayerOut("problems", "problems", "The features that have a problem, as points"),
    ),
    example="--parcels 'county.gpkg|parcels' --wells wells.csv --elevation dem.tif --out checked",
    takes_refused=True,
)
def check_inputs(
    *,
    parcels: Parcels = None,
    wells: Wells = None,
    elevation: Elevation = None,
    rules: Rules = None,
    buildings: inputs.Buildings = None,
    driveways: inputs.Driveways = None,
    pools: inputs.Pools = None,
    surface_water: inputs.SurfaceWater = None,
    springs: inputs.Springs = None,
    cut_banks: inputs.CutBanks = None,
    water_lines: inputs.WaterLines = None,
    drains: inputs.Drains = None,
    other_features: inputs.OtherFeatures = None,
    culverts: inputs.Culverts = None,
    soils: Soils = None,
    floodplain: Floodplain = None,
    groundwater: Groundwater = None,
    assumed_location_error_m: inputs.AssumedLocationError = ASSUMED_LOCATION_ERROR_M,
    most_changed: inputs.MostChanged = MOST_CHANGED,
) -> "Results":
    """Everything that a run would refuse, mend, assume or doubt in the input files, with the features, their places and how to mend it,
    as a page for the owner of the data. Nothing of the inputs is changed, and a file that cannot be read hinders no look at the others."""
    from geoseptic.processes import input_checks, problem_tables

    given = {
        "parcels": parcels,
        "wells": wells,
        "buildings": buildings,
        "driveways": driveways,
        "pools": pools,
        "surface_water": surface_water,
        "springs": springs,
        "cut_banks": cut_banks,
        "water_lines": water_lines,
        "drains": drains,
        "other_features": other_features,
        "culverts": culverts,
        "soils": soils,
        "floodplain": floodplain,
    }
    looked_at = input_checks.Inputs(
        {name: layer for name, layer in given.items() if layer is not None},
        elevation,
        groundwater,
        rules,
        assumed_location_error_m,
        most_changed,
    )
    return problem_tables.results(looked_at, input_checks.problems(looked_at))
