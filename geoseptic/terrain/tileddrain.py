"""Fill, receivers and edge of the data of one raster, by tiles: for two cores, and for rasters larger than memory."""

from typing import Final

from geoseptic.model.planes import Plane
from geoseptic.terrain.tiledfill import fill_by_tiles
from geoseptic.terrain.tiledreceivers import receivers_by_tiles

TILE_SHAPE: Final = (512, 512)
"""A tile's heights and basins then fit a processor's cache."""


def drain_by_tiles(
    elevation_m: Plane,
    filled_m: Plane,
    receivers: Plane,
    d8: Plane,
    edge: Plane,
    min_share: float,
    tile_shape: tuple[int, int] = TILE_SHAPE,
    workers: int = 1,
) -> None:
    """Write the filled ground (float32), D-infinity and D8 receivers (uint8) and the edge of the data (bool) of `elevation_m`.

    The results are those of `drainage` over the whole raster, bit for bit, whatever the tiles and the number of workers (threads).
    """
    fill_by_tiles(elevation_m, filled_m, tile_shape, workers)
    receivers_by_tiles(filled_m, receivers, d8, edge, min_share, tile_shape, workers)
