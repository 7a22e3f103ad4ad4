"""Declaration of the process `county_map`."""

from typing import TYPE_CHECKING, Annotated, Any

from geoseptic.model import layers
from geoseptic.process import FileOut, LayerIn, RunIn, process

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

    from geoseptic.io.runfolders import FinishedRun
    from geoseptic.model.results import Results
else:
    FinishedRun = GeoDataFrame = Any

Screened = Annotated[FinishedRun, RunIn("screen_county", "Folder of a finished screen_county")]
Sites = Annotated[FinishedRun | None, RunIn("site_sheet", "Folder of a finished site_sheet, whose sheets the map then links to")]
Chances = Annotated[
    FinishedRun | None, RunIn("uncertainty", "Folder of a finished uncertainty of the same layers and rules: how sure it is")
]
Ranked = Annotated[GeoDataFrame | None, LayerIn(layers.RANKED)]


@process(
    id="county_map",
    title="County map to look at in a browser",
    outputs=(FileOut("county_map.html", "All parcels of a screening as one page that needs no network", "text/html"),),
    example="--screening out --ranked 'ranked/priority.gpkg|parcels' --out map",
)
def county_map(screening: Screened, *, ranked: Ranked = None, sites: Sites = None, chances: Chances = None) -> "Results":
    """One page with all parcels of a finished screening: pan, zoom, search, filter by verdict and priority, and read why. It opens from a
    disk without a network, and shows what the screening wrote, nothing more."""
    from geoseptic.processes import map_rows

    return map_rows.map_results(screening, ranked, sites, chances)
