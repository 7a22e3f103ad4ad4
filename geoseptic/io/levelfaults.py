"""What is said of patches of one repeated number that no ground can be."""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from rasterio.windows import Window

from geoseptic.errors import listed
from geoseptic.model.grid import Grid
from geoseptic.terrain.levels import Level

PRINTED: Final = 5
"""How many places a message names; a person looks at the first few."""


def said_of_levels(levels: Sequence[Level], file: Any, band: int, grid: Grid) -> str:
    """The fault of a file with such patches, in its own numbers; empty where there are none."""
    if not levels:
        return ""
    numbers, places = [], []
    for level in levels[:PRINTED]:
        number = f"{file.read(band, window=Window(level.col, level.row, 1, 1))[0, 0]:.9g}"
        x, y = grid.transform @ (level.col + 0.5, level.row + 0.5)
        places.append(f"{number} from x {x:.1f}, y {y:.1f} ({level.cells} cells)")
        numbers.append(number)
    more = f" and {len(levels) - PRINTED} patches more" if len(levels) > PRINTED else ""
    numbers = list(dict.fromkeys(numbers))
    own = file.nodatavals[band - 1]
    if own is not None and not np.isnan(own):
        given = f'"where(A=={numbers[0]},{own:.10g},A)" --NoDataValue={own:.10g}'
        declare = f"give these cells the nodata number that the file declares (gdal_calc.py -A FILE --outfile=NEW --calc={given})"
    else:
        declare = f"declare it as nodata (gdal_edit.py -a_nodata {numbers[0]} FILE)"
    cells = sum(level.cells for level in levels)
    return (
        f"{cells} cells in patches of one repeated number that a sheer step parts from the ground beside them: "
        f"{'; '.join(places)}{more}. If {listed(numbers)} stands for 'no value', {declare}; if it is the true height there, as of a lake "
        "below cliffs or of a flat roof, run again with --level-is-height yes"
    )
