"""Parameters that several processes share, each declared once."""

from typing import TYPE_CHECKING, Annotated, Any

from geoseptic.model import layers
from geoseptic.model.rules import CONDITIONS, GROUND_CONDITIONS, PARTS
from geoseptic.process import Choice, Count, ElevationIn, Facts, LayerIn, Length, Names, Number, RulesIn

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from geoseptic.model.grid import Raster
    from geoseptic.model.rules import RuleSet
else:
    GeoDataFrame = Raster = RuleSet = Any

STATED_CONDITIONS = tuple(name for name in CONDITIONS if name not in GROUND_CONDITIONS)

Elevation = Annotated[Raster, ElevationIn()]
OptionalElevation = Annotated[Raster | None, ElevationIn("Ground elevation, to settle distances that depend on drainage or slope")]
Parcels = Annotated[GeoDataFrame, LayerIn(layers.PARCELS)]
Wells = Annotated[GeoDataFrame, LayerIn(layers.WELLS)]
Buildings = Annotated[GeoDataFrame | None, LayerIn(layers.BUILDINGS)]
Driveways = Annotated[GeoDataFrame | None, LayerIn(layers.DRIVEWAYS)]
Pools = Annotated[GeoDataFrame | None, LayerIn(layers.POOLS)]
SurfaceWater = Annotated[GeoDataFrame | None, LayerIn(layers.SURFACE_WATER)]
Springs = Annotated[GeoDataFrame | None, LayerIn(layers.SPRINGS)]
CutBanks = Annotated[GeoDataFrame | None, LayerIn(layers.CUT_BANKS)]
WaterLines = Annotated[GeoDataFrame | None, LayerIn(layers.WATER_LINES)]
Drains = Annotated[GeoDataFrame | None, LayerIn(layers.DRAINS)]
OtherFeatures = Annotated[GeoDataFrame | None, LayerIn(layers.OTHER_FEATURES)]
Culverts = Annotated[GeoDataFrame | None, LayerIn(layers.CULVERTS)]
Rules = Annotated["RuleSet", RulesIn()]

StatedFacts = Annotated[
    dict[str, bool] | None,
    Facts("Condition of every site, stated by you, such as coarse_gravel=no; unstated ones stay open", STATED_CONDITIONS),
]
Granted = Annotated[tuple[str, ...], Names("Condition whose relief the authority has granted", STATED_CONDITIONS)]
Parts = Annotated[tuple[str, ...], Names("Part of the system to make an envelope for", tuple(PARTS))]
AssumedLocationError = Annotated[float, Length("Location error of wells that state none", 0.0, 2000.0)]
WellRadius = Annotated[float, Length("Radius of a well's disc, at least its location error", 1.0, 200.0)]
Reach = Annotated[float, Length("Farthest flow path of interest", 1.0, 2000.0)]
MinShare = Annotated[float, Number("Least share of water for a neighbour to be on the path", "of 1", 0.01, 0.5)]
BuildingHeight = Annotated[float, Length("How far buildings are raised above the ground, so that water goes round them", 0.0, 50.0)]
Window = Annotated[float, Length("Side of the window that a plane is fitted to", 1.0, 100.0)]
UnrecordedWells = Annotated[
    str,
    Choice(
        "A building not known to be on public water, without a well of its own on record: presume one anywhere on its parcel, or only warn",
        ("presume", "warn"),
    ),
]
SlopeMethod = Annotated[str, Choice("Plane over the window, or the 3 x 3 finite difference", ("plane", "horn"))]
MostChanged = Annotated[
    float, Number("Share of the ground of a broken outline whose readings may differ before a parcel counts as failed", "of 1", 0.0, 1.0)
]
Workers = Annotated[int, Count("Threads to work with", 1, 256)]

ASSUMED_LOCATION_ERROR_M = 15.24
"""50 ft: what on-screen digitising from a topographic map keeps (Indiana Geological and Water Survey, spotting method)."""

WELL_RADIUS_M = 30.48
"""100 ft: the least that a supplier of public water must own round a well (10 NYCRR Appendix 5-D)."""

REACH_M = 304.8
"""1,000 ft, our own choice: beyond it the answer depends on how pits are filled more than on the ground."""

MOST_CHANGED = 0.05
"""Common practice, no source; as in parcels/repair.py."""

MIN_SHARE = 0.2
BUILDING_HEIGHT_M = 3.0
WINDOW_M = 15.0
"""About the width of a drain field (50 ft)."""
