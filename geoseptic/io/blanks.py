"""The cells of a raster that hold no value, by every way in which its file may say so."""

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import numpy.typing as npt
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.windows import Window


@dataclass(frozen=True)
class Blanks:
    """How a band of an opened file says that it has no value: a mask, and beside it a number and alpha bands, which GDAL then overlooks.

    GDAL hands on one mask only: where a file has one inside or beside it, the number that it declares is left out, and alpha bands count
    only where they are of bytes or 16 bits.
    """

    file: Any
    band: int
    masked: bool
    alphas: tuple[int, ...]
    number: Any
    """In the type of the band; None where the mask holds it already, or where no cell can hold it."""

    @classmethod
    def of(cls, file: Any, band: int) -> Self:
        flags = file.mask_flag_enums[band - 1]
        alphas = tuple(number for number, kind in zip(file.indexes, file.colorinterp, strict=True) if kind == ColorInterp.alpha)
        number = None if flags == [MaskFlags.nodata] else _as_stored(file.nodatavals[band - 1], np.dtype(file.dtypes[band - 1]))
        return cls(file, band, MaskFlags.all_valid not in flags, alphas, number)

    def clear(self, values: npt.NDArray[Any], stored: npt.NDArray[Any], window: Window) -> None:
        """Writes NaN into `values`, which were made of the numbers `stored` in that window, wherever the file has no value."""
        if self.masked:
            values[self.file.read_masks(self.band, window=window) == 0] = np.nan
        if self.number is not None:
            values[stored == self.number] = np.nan
        for alpha in self.alphas:
            values[~(self.file.read(alpha, window=window) > 0)] = np.nan


def _as_stored(number: float | None, dtype: np.dtype[Any]) -> Any:
    if number is None or np.isnan(number):
        return None
    if dtype.kind == "f":
        with np.errstate(over="ignore"):
            return dtype.type(number)
    limits = np.iinfo(dtype)
    return dtype.type(int(number)) if float(number).is_integer() and limits.min <= number <= limits.max else None
