"""Rasters in files: heights and depths in, styled rasters out.

File nodata numbers, scales, offsets and units of height end here; beyond are float32 metres with NaN, or declared codes.
"""

from collections import Counter, deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import islice
from math import ceil
from pathlib import Path
from shutil import rmtree
from threading import Lock
from typing import Any, Final, TypeVar
from xml.etree import ElementTree as ET

import numpy as np
import numpy.typing as npt
import rasterio.crs
import rasterio.warp
from affine import Affine
from rasterio.enums import ColorInterp, Resampling
from rasterio.env import get_gdal_config, set_gdal_config
from rasterio.windows import Window

from geoseptic import kernels
from geoseptic.errors import ElevationValueError, FileUnreadableError, HeightScaleError, ParameterError, VerticalUnitError
from geoseptic.io import kept, keptrasters, mosaics, overviews, styles
from geoseptic.io.blanks import Blanks
from geoseptic.io.cogs import Header, packable, write_cog
from geoseptic.io.heightunits import VERTICAL_UNIT_NAMES
from geoseptic.io.keptgroups import once
from geoseptic.io.keptplanes import MadePlane, summed
from geoseptic.io.rastersources import check_text, crs_of, is_vrt, open_single, reading, refuse_placeless, unit_in_prj
from geoseptic.io.scratch import new_plane
from geoseptic.io.tallies import tally
from geoseptic.memory import give_back
from geoseptic.model.frame import counts_down, vertical_unit
from geoseptic.model.grid import Grid, Raster
from geoseptic.model.legends import BitLegend, ClassLegend, RampLegend, RasterLegend, Swatch
from geoseptic.model.planes import ArrayPlane, Plane, Values
from geoseptic.model.results import RasterResult
from geoseptic.terrain.patches import Patch, sheer_patches
from geoseptic.units import metres_per

Floats = npt.NDArray[np.float32]
T = TypeVar("T")

STRIP_CELLS: Final = 2_000_000
"""Cells that one read or write handles at a time: 16 MB in float64, enough to cross many tiles at once."""

STRIPS_AHEAD: Final = 2
"""So many strips are read while one is looked at."""

LEAST_CACHE_BYTES: Final = 32 * 2**20

ROWS_OF_TILES: Final = 4
"""What of a raster GDAL's cache holds while it is packed."""

LOWEST_M: Final = -500.0
HIGHEST_M: Final = 9000.0
"""No ground on land lies outside: the Dead Sea's shore is at about -440 m, Mount Everest at 8849 m."""

PRINTED_PATCHES: Final = 5
"""How many places a message names; a person looks at the first few."""

SENTINELS: Final = (-999.0, -9999.0, -99999.0, -32767.0, -32768.0)
"""Numbers that files use for "no value"; -999 and -9999 may pass for heights in feet or with a scale, so they are looked for as stored."""

TILE_CELLS: Final = 512

CODES_PACKED: Final = {"compress": "DEFLATE", "level": "5", "predictor": "NO"}
FLOATS_PACKED: Final = {"compress": "DEFLATE", "level": "1", "predictor": "NO"}
"""Deflate, because every reader knows it. Measured on nine rasters of 4000 x 4000 cells: level 5 takes half the time of level 6 and a tenth
to two fifths more room, most for reasons; slopes at level 1 take half the time of level 6. Codes get larger by a predictor. Floats get 7 to
11 percent smaller by one, in a third more time, and some readers take such files for other heights without a word."""

SAME_UNIT: Final = 1e-5
"""Relative difference below which two units of height agree: the two feet differ by 2e-6, which is 1 mm in 500 m of height."""

SAME_SCALE: Final = 1e-9

SAME_CELL_SIZE: Final = 1e-6

DEEPEST_M: Final = 500.0
"""No map of groundwater that matters to a drain field says more."""

NO_DEPTHS: Final = (999.0, 9999.0, 99999.0, 32767.0, 65535.0)
"""Numbers for "no value" besides `SENTINELS`, looked for as stored: in feet or with a scale they would pass for depths, and deep ones
clear."""


# ---------------------------------------------------------------------------------------------------------------- reading


def read_grid(path: Path | str, layer: str, *, tiles_anywhere: bool = False) -> Grid:
    """The grid of a raster file, without its values.

    Raises FileUnreadableError, MosaicError, GridError or the CRS errors of `Frame.of`, each naming `layer` and `path`.
    """
    with _opened(path, tiles_anywhere) as (file, _):
        return _grid(file, path, layer)


def check_heights(
    path: Path | str,
    layer: str,
    *,
    unit: str | None = None,
    scale: float | None = None,
    gaps_are_unknown: bool = False,
    tiles_anywhere: bool = False,
) -> None:
    """Refuse what the header of a raster of heights or depths tells already: its bands, their unit and scale, its tiles. Raises as
    `read_elevation`."""
    with _opened(path, tiles_anywhere) as (file, mosaic):
        band = _height_band(file, path)
        if layer == "elevation":
            _refuse_downward(file, path)
        _height_unit(file, mosaic, band, path, unit, layer)
        _height_scale(file, band, path, scale, layer)
        if mosaic is not None:
            mosaics.refuse_gaps(mosaic, file.nodatavals[band - 1], gaps_are_unknown=gaps_are_unknown)


def files_of(path: Path | str, *, tiles_anywhere: bool = False) -> list[Path]:
    """Every file of this machine that a raster consists of: itself, what lies beside it, and the tiles of a VRT."""
    with _opened(path, tiles_anywhere) as (file, _):
        return sorted({Path(path), *(found for name in file.files if (found := Path(name)).is_file())})


def read_elevation(
    path: Path | str,
    *,
    unit: str | None = None,
    scale: float | None = None,
    cell_size_m: float | None = None,
    zero_is_height: bool = False,
    level_is_height: bool = False,
    gaps_are_unknown: bool = False,
    tiles_anywhere: bool = False,
    scratch: Path | None = None,
) -> Raster:
    """Heights of the ground, float32, NaN where unknown. [m]

    Parameters
    ----------
    unit : unit of the heights in the file ("m", "ft" or "US survey foot") where the file does not declare one.
    scale : what a stored 1 stands for, in that unit, where the file does not say so, such as 0.1 for decimetres.
    cell_size_m : side of the cells wanted; None keeps the file's. The new grid keeps the top left corner, and a cell is
        unknown where any part of the ground that it stands for is. [m]
    zero_is_height : take the file's word for zeros that a sheer step parts from the ground beside them; otherwise they are refused, since
        many files say 0 where nothing was measured.
    level_is_height : the same of patches of any other number that repeats itself.
    gaps_are_unknown : take ground under no tile of a VRT for unknown; otherwise such a VRT is refused, since tiles get lost.
    tiles_anywhere : let the tiles of a VRT lie outside its folder, the network included.
    scratch : a folder; heights in metres are then kept in a file there and not in memory.

    Raises
    ------
    FileUnreadableError : no raster, or not exactly one band of heights.
    MosaicError : a VRT whose tiles are absent, not alike, or contradict each other.
    VerticalUnitError : the unit is neither declared nor stated, or the two contradict each other.
    HeightScaleError : the scale that is stated contradicts the file's own.
    ElevationValueError : numbers that cannot be heights, or no height at all.
    GridError, and the CRS errors of `Frame.of`.
    """
    if cell_size_m is not None and not 0 < cell_size_m < np.inf:
        raise ParameterError(f"a cell size of {cell_size_m} m is not possible: give a number greater than zero.")
    with _opened(path, tiles_anywhere) as (file, mosaic):
        band = _height_band(file, path)
        _refuse_downward(file, path)
        grid = _grid(file, path, "elevation")
        factor = metres_per(_height_unit(file, mosaic, band, path, unit))
        slope, offset = _height_scale(file, band, path, scale)
        _check_cells(file, mosaic, band, path, slope * factor, gaps_are_unknown)
        into: Plane = ArrayPlane(np.empty(grid.shape, np.float32)) if scratch is None else new_plane(scratch, grid.shape, np.float32)
        _heights_m(file, band, path, (slope, offset, factor), grid, (zero_is_height, level_is_height), into)
        if mosaic is not None:
            mosaics.refuse_steps(mosaic, into, abs(slope * factor) if np.dtype(file.dtypes[band - 1]).kind in "iu" else 0.0)
        raster = Raster(into, grid)
    give_back()
    if cell_size_m is None or abs(cell_size_m - grid.cell_size_m) <= SAME_CELL_SIZE * grid.cell_size_m:
        return raster
    return resampled(raster, cell_size_m)


def read_heights_near(
    path: Path | str,
    bounds_m: tuple[float, float, float, float],
    *,
    unit: str | None = None,
    scale: float | None = None,
    tiles_anywhere: bool = False,
) -> Raster | None:
    """The part of an elevation raster that `read_elevation` has read before which lies in the bounds; None where none does. What cannot be
    a height is NaN. Raises FileUnreadableError."""
    with _opened(path, tiles_anywhere) as (file, mosaic):
        band = _height_band(file, path)
        grid = _grid(file, path, "elevation")
        slope, offset = _height_scale(file, band, path, scale)
        factor = metres_per(_height_unit(file, mosaic, band, path, unit))
        left, _, _, top = grid.bounds_m
        side = grid.cell_size_m
        first = max(0, int((bounds_m[0] - left) // side)), max(0, int((top - bounds_m[3]) // side))
        last = min(grid.shape[1], ceil((bounds_m[2] - left) / side)), min(grid.shape[0], ceil((top - bounds_m[1]) / side))
        if first[0] >= last[0] or first[1] >= last[1]:
            return None
        window = Window(first[0], first[1], last[0] - first[0], last[1] - first[1])
        with reading(path):
            stored = file.read(band, window=window)
            heights = (stored.astype(np.float64) * slope + offset) * factor
            Blanks.of(file, band).clear(heights, stored, window)
        heights[~((heights >= LOWEST_M) & (heights <= HIGHEST_M))] = np.nan
    shift = Affine.translation(first[0], first[1])
    return Raster(heights.astype(np.float32), Grid(heights.shape, grid.transform @ shift, grid.frame))


def read_depth(path: Path | str, layer: str, *, unit: str | None = None) -> Raster:
    """Depths below the ground, such as to mapped groundwater, float32, NaN where unknown; below zero is above the ground. [m]

    Raises as `read_elevation`, naming `layer`; ElevationValueError for depths beyond `DEEPEST_M` either way, for those of `NO_DEPTHS` and
    for the last numbers of the file's type, which are numbers for "no value" that the file does not declare.
    """
    with _opened(path) as (file, mosaic):
        band = _height_band(file, path)
        grid = _grid(file, path, layer)
        factor = metres_per(_height_unit(file, mosaic, band, path, unit, layer))
        slope, offset = _height_scale(file, band, path, None, layer)
        _check_cells(file, mosaic, band, path, slope * factor, False)
        values: Floats = np.empty(grid.shape, np.float32)
        blanks = Blanks.of(file, band)
        sentinels = (*_sentinels(np.dtype(file.dtypes[band - 1])), *NO_DEPTHS)
        wild: Counter[float] = Counter()
        for window in _strips(*grid.shape):
            with reading(path):
                read = file.read(band, window=window)
                stored = read.astype(np.float64)
                blanks.clear(stored, read, window)
            depths = (stored * slope + offset) * factor
            bad = (np.abs(depths) > DEEPEST_M) | np.isin(stored, sentinels)
            wild.update(stored[bad].tolist())
            values[window.toslices()] = depths
    if wild:
        numbers = ", ".join(f"{number:.8g}" for number, _ in wild.most_common(PRINTED_PATCHES))
        raise ElevationValueError(
            f"{layer} ({path}) cannot be used: {wild.total()} cells hold numbers that are no depths ({numbers}). If such a number "
            "stands for 'no value', declare it as nodata (gdal_edit.py -a_nodata NUMBER)."
        )
    if np.isnan(values).all():
        raise ElevationValueError(f"{layer} ({path}) has not one known depth. Give the raster that covers the parcels.")
    return Raster(values, grid)


def resampled(raster: Raster, cell_size_m: float) -> Raster:
    """A float raster on cells of another size, from the same top left corner.

    Larger cells take the area-weighted mean, smaller ones are interpolated bilinearly. A cell is unknown where any of the old cells that
    it is made of is, or where a part of it lies beyond the raster: a ditch may run through the part that nobody knows.
    """
    old = raster.grid
    ratio = cell_size_m / old.cell_size_m
    rows, columns = (max(1, ceil(count / ratio - SAME_CELL_SIZE)) for count in old.shape)
    side = old.transform.a * ratio
    grid = Grid((rows, columns), Affine(side, 0.0, old.transform.c, 0.0, -side, old.transform.f), old.frame)
    crs = _file_crs(grid)
    method = Resampling.average if ratio > 1 else Resampling.bilinear
    options: dict[str, Any] = {
        "src_transform": old.transform,
        "dst_transform": grid.transform,
        "src_crs": crs,
        "dst_crs": crs,
        "resampling": method,
        "tolerance": 0.0,
    }
    values = np.full(grid.shape, np.nan, dtype=np.float32)
    rasterio.warp.reproject(raster.values, values, src_nodata=np.nan, dst_nodata=np.nan, **options)
    unknown = _any_in(_any_in(np.isnan(raster.values), rows, ratio).T, columns, ratio).T
    values[unknown] = np.nan
    return Raster(values, grid)


def _any_in(unknown: npt.NDArray[np.bool_], new_count: int, ratio: float) -> npt.NDArray[np.bool_]:
    """Whether any old row that a new row is made of is unknown, for each column, or the new row reaches beyond the last old one.

    `ratio` is the side of a new cell in old ones. A larger cell is made of what it covers, a smaller one of the two rows whose middles lie
    about its own.
    """
    old_count, new = len(unknown), np.arange(new_count)
    top, bottom = new * ratio, (new + 1) * ratio
    beyond = bottom > old_count + SAME_CELL_SIZE
    if ratio < 1:
        top = (top + bottom) / 2 - 0.5
        bottom = top + 1
    first = np.clip(np.floor(top + SAME_CELL_SIZE), 0, old_count - 1).astype(np.int64)
    last = np.clip(np.ceil(bottom - SAME_CELL_SIZE), first + 1, old_count).astype(np.int64)
    before = np.zeros((old_count + 1, unknown.shape[1]), np.int32)
    np.cumsum(unknown, axis=0, out=before[1:])
    found: npt.NDArray[np.bool_] = before[last] > before[first]
    found[beyond] = True
    return found


@contextmanager
def _opened(path: Path | str, tiles_anywhere: bool = False) -> Iterator[tuple[Any, mosaics.Mosaic | None]]:
    """The raster file, and its tiles if it is a VRT."""
    if is_vrt(path):
        file, mosaic = mosaics.open_mosaic(path, tiles_anywhere=tiles_anywhere)
        with file:
            yield file, mosaic
    else:
        with open_single(path) as file:
            yield file, None


def _check_cells(
    file: Any, mosaic: mosaics.Mosaic | None, band: int, path: Path | str, metres_per_step: float, gaps_are_unknown: bool
) -> None:
    """Refuse cells that GDAL would fill in by itself."""
    if mosaic is None:
        check_text(file, path)
        return
    mosaics.refuse_gaps(mosaic, file.nodatavals[band - 1], gaps_are_unknown=gaps_are_unknown)
    mosaics.check_texts(mosaic)
    mosaics.refuse_contradictions(mosaic, metres_per_step)


def _grid(file: Any, path: Path | str, layer: str) -> Grid:
    refuse_placeless(file, str(path))
    return Grid.of((file.height, file.width), file.transform, crs_of(file), layer, str(path))


def _height_band(file: Any, path: Path | str) -> int:
    bands = [band for band, kind in zip(file.indexes, file.colorinterp, strict=True) if kind != ColorInterp.alpha]
    if len(bands) != 1:
        raise FileUnreadableError(
            str(path),
            f"it has {len(bands)} bands, and it is not known which one holds the heights",
            "Copy that band into a file of its own (gdal_translate -b NUMBER) and run again.",
        )
    kind, dtype = file.colorinterp[bands[0] - 1], np.dtype(file.dtypes[bands[0] - 1])
    if kind == ColorInterp.palette or dtype.kind not in "iuf":
        what = "a picture with a colour table" if kind == ColorInterp.palette else f"of type {dtype}"
        raise FileUnreadableError(str(path), f"its band is {what}, not heights", "Give the elevation raster itself.")
    return int(bands[0])


def _height_unit(
    file: Any, mosaic: mosaics.Mosaic | None, band: int, path: Path | str, stated: str | None, layer: str = "elevation"
) -> str:
    """The unit of the heights; the file's own word counts, `stated` fills its silence and must not contradict it."""
    crs = crs_of(file)
    words = {
        "its coordinate reference system": None if crs is None else vertical_unit(crs),
        "its band": file.units[band - 1],
        "its tiles": None if mosaic is None else mosaic.unit,
        "its .prj": unit_in_prj(file),
    }
    declared = {where: word for where, word in words.items() if word}
    known = {where: VERTICAL_UNIT_NAMES[word.lower()] for where, word in declared.items() if word.lower() in VERTICAL_UNIT_NAMES}
    if stated is not None:
        metres_per(stated)
        known["the stated unit"] = stated
    if not known:
        said = " and ".join(f"{where} says '{word}'" for where, word in declared.items())
        raise VerticalUnitError(
            f"{layer} ({path}): the unit of the heights is not known{', ' + said if said else ''}. Ask the owner of the data, and "
            f"state it: --{layer}-unit m, ft or 'US survey foot'. Feet taken for metres make every slope and depth three times too large."
        )
    lengths = [metres_per(name) for name in known.values()]
    if max(lengths) - min(lengths) > SAME_UNIT * max(lengths):
        said = ", ".join(f"{where} says '{name}'" for where, name in known.items())
        raise VerticalUnitError(
            f"{layer} ({path}): the units of the heights contradict each other: {said}. Compare a height with a map, then mend the file "
            "(gdal_edit.py -units, or -a_srs for its reference system) or leave the option out."
        )
    return next(iter(known.values()))


def _refuse_downward(file: Any, path: Path | str) -> None:
    """Raises VerticalUnitError where the vertical axis of the reference system counts downward."""
    crs = crs_of(file)
    if crs is not None and counts_down(crs):
        raise VerticalUnitError(
            f"elevation ({path}): the vertical axis of its coordinate reference system ({crs.name}) points down, so its numbers would be "
            "depths and every slope would fall the wrong way. Turn them into heights (gdal_calc.py -A FILE --outfile=NEW --calc=-A), or "
            "mend the reference system (gdal_edit.py -a_srs) if they are heights."
        )


def _height_scale(file: Any, band: int, path: Path | str, stated: float | None, layer: str = "elevation") -> tuple[float, float]:
    """By what stored heights are multiplied, and what is added then, in their unit."""
    own, offset = float(file.scales[band - 1]), float(file.offsets[band - 1])
    if not (np.isfinite(own) and np.isfinite(offset) and own > 0):
        raise HeightScaleError(
            f"{layer} ({path}): its band says that its values are stored by scale {own:g} and offset {offset:g}, which "
            f"{'turns them upside down' if own < 0 else 'makes nothing of them'}. Compare a value with a map, then mend the file "
            "(gdal_edit.py -scale 1 -offset 0)."
        )
    if stated is None:
        return own, offset
    if (own, offset) != (1.0, 0.0) and abs(own - stated) > SAME_SCALE * abs(own):
        raise HeightScaleError(
            f"elevation ({path}): its band says that heights are stored by scale {own:g} and offset {offset:g}, and the scale stated is "
            f"{stated:g}. Compare a height with a map, then leave --elevation-scale out or mend the file (gdal_edit.py -scale)."
        )
    return stated, offset


def _heights_m(
    file: Any, band: int, path: Path | str, how: tuple[float, float, float], grid: Grid, are_heights: tuple[bool, bool], into: Plane
) -> None:
    """The band in metres into a plane, strip by strip; all faults are gathered before they are raised. `how` is scale, offset and metres
    per unit; `are_heights` whether zeros, and other numbers that repeat themselves, are heights whatever parts them from the ground."""
    scale, offset, factor = how
    zero_is_height, level_is_height = are_heights
    blanks = Blanks.of(file, band)
    # Numbers that no height may be are refused for that: only those that pass for heights need be looked for as stored.
    sentinels = [
        number for number in _sentinels(np.dtype(file.dtypes[band - 1])) if LOWEST_M <= (number * scale + offset) * factor <= HIGHEST_M
    ]
    as_stored = file.dtypes[band - 1] == "float32" and (scale, offset, factor) == (1.0, 0.0, 1.0)
    # Read to where they stay, where they stay as they are.
    whole = into.array() if as_stored and into.in_memory else None

    def read(window: Window) -> tuple[npt.NDArray[Any], npt.NDArray[np.floating]]:
        place = None if whole is None else whole[window.toslices()]
        with reading(path):
            stored = file.read(band, window=window, out=place)
            # What is blank becomes NaN in both where they are one: it is no number in question in either.
            heights = stored if as_stored else (stored.astype(np.float64) * scale + offset) * factor
            blanks.clear(heights, stored, window)
        return stored, heights

    zero: npt.NDArray[np.bool_] | None = None
    impossible: Counter[float] = Counter()
    infinite = known = 0
    edges: list[npt.NDArray[np.int64]] = []
    strips = list(_strips(file.height, file.width))
    with _small_cache(file, strips[0]), _ahead(read, strips) as found:
        # Compiled code, which a look at the headers does not need, and which loads while the first strips are read.
        from geoseptic.io.levelfaults import said_of_levels
        from geoseptic.terrain.levels import sheer_edges, sheer_levels

        kernels.ready()
        for window, (stored, heights) in zip(strips, found, strict=True):
            rows, cols = window.toslices()
            lost = int(np.count_nonzero(np.isnan(heights)))
            # NaN where nothing is known, and then not within.
            if sentinels or not LOWEST_M <= np.fmin.reduce(heights, axis=None) <= np.fmax.reduce(heights, axis=None) <= HIGHEST_M:
                wild = np.isinf(heights)
                bad = ~wild & ((heights < LOWEST_M) | (heights > HIGHEST_M))
                bad |= ~wild & np.isin(stored, sentinels) & ~np.isnan(heights)
                if bad.any():
                    numbers, counts = np.unique(stored[bad], return_counts=True)
                    impossible.update({float(number): int(count) for number, count in zip(numbers, counts, strict=True)})
                infinite += int(np.count_nonzero(wild))
                lost += int(np.count_nonzero(wild))
                heights[bad | wild] = np.nan
            known += heights.size - lost
            blank = (stored == 0) & ~np.isnan(heights)
            if blank.any():
                zero = np.zeros(grid.shape, bool) if zero is None else zero
                zero[rows] = blank
            if whole is None:
                into.write(rows, cols, heights)
            if not level_is_height:
                # Two rows of the strip before: a patch may end with it.
                above = max(0, rows.start - 2)
                cells = sheer_edges(into.read(slice(above, rows.stop), cols))
                if len(cells):
                    edges.append(cells + np.array([above, 0]))
    patches: Sequence[Patch] = ()
    if zero is not None and not zero_is_height:
        patches = sheer_patches(into.array(), zero, grid.cell_size_m)
    levels = sheer_levels(into.array(), np.concatenate(edges), grid.cell_size_m) if edges else []
    # Those of zero are told of as such, or are heights.
    nothing_m = float(np.float32(offset * factor))
    with reading(path):
        said = said_of_levels([level for level in levels if level.height_m != nothing_m], file, band, grid)
    _refuse(path, impossible, infinite, known, [_said_of_zeros(patches, grid, file.nodatavals[band - 1]), said])


@contextmanager
def _ahead(read: Callable[[Window], T], strips: Sequence[Window]) -> Iterator[Iterator[T]]:
    """What `read` gives of every strip, in their order: a thread of its own reads the next ones while one is looked at."""
    with ThreadPoolExecutor(1) as pool:
        waiting = deque(pool.submit(read, strip) for strip in strips[:STRIPS_AHEAD])

        def found() -> Iterator[T]:
            later = iter(strips[STRIPS_AHEAD:])
            while waiting:
                first = waiting.popleft().result()
                waiting.extend(pool.submit(read, strip) for strip in islice(later, 1))
                yield first

        try:
            yield found()
        finally:
            pool.shutdown(cancel_futures=True)


@contextmanager
def _small_cache(file: Any, strip: Window) -> Iterator[None]:
    """No more of GDAL's block cache than a few times a strip: each strip is read once, and all that is kept of it is in the way."""
    size = 3 * sum(np.dtype(kind).itemsize for kind in file.dtypes) * strip.width * strip.height
    with _cache(max(LEAST_CACHE_BYTES, size)):
        yield


@contextmanager
def _cache(size: int) -> Iterator[None]:
    """So much of GDAL's block cache, beside what other threads ask for. Left alone it grows to a twentieth of all memory. [bytes]

    rasterio counts this setting in bytes, and does not set it back where it was made within another environment.
    """
    with _CACHES.lock:
        if not _CACHES.asked:
            _CACHES.before = get_gdal_config("GDAL_CACHEMAX")
        _CACHES.asked.append(size)
        set_gdal_config("GDAL_CACHEMAX", sum(_CACHES.asked))
    try:
        yield
    finally:
        with _CACHES.lock:
            _CACHES.asked.remove(size)
            set_gdal_config("GDAL_CACHEMAX", sum(_CACHES.asked) or _CACHES.before)


@dataclass
class _Caches:
    """Sizes of GDAL's cache that are asked for now, by several threads as may be, and the one that was before the first of them. [bytes]"""

    asked: list[int] = field(default_factory=list)
    before: Any = None
    lock: Any = field(default_factory=Lock)


_CACHES: Final = _Caches()


def _sentinels(dtype: np.dtype[Any]) -> tuple[float, ...]:
    """Numbers that stand for no value in a file of that type, as stored: those in use, and the last numbers that an integer type holds."""
    if dtype.kind == "f":
        return SENTINELS
    limits = np.iinfo(dtype)
    return (*SENTINELS, float(limits.max), *((float(limits.min),) if limits.min else ()))


def _said_of_zeros(patches: Sequence[Patch], grid: Grid, nodata: float | None) -> str:
    """The fault of a file whose missing cells are zeros; empty where there is none."""
    if not patches:
        return ""
    places = []
    for patch in patches[:PRINTED_PATCHES]:
        x, y = grid.transform @ (patch.col + 0.5, patch.row + 0.5)
        places.append(f"x {x:.1f}, y {y:.1f} ({patch.cells} cells)")
    cells = sum(patch.cells for patch in patches)
    if nodata is None:
        declare = "declare it as nodata (gdal_edit.py -a_nodata 0 FILE)"
    else:
        number = f"{nodata:.10g}"
        declare = (
            "give these cells the nodata number that the file declares "
            f'(gdal_calc.py -A FILE --outfile=NEW --calc="where(A==0,{number},A)" --NoDataValue={number})'
        )
    more = f" and {len(patches) - len(places)} patches more" if len(patches) > len(places) else ""
    return (
        f"{cells} cells of exactly 0 that a sheer step parts from the ground beside them: "
        f"{'; '.join(places)}{more}. If 0 stands for 'no value', {declare}; if it is the true height there, run again with "
        "--zero-is-height yes"
    )


def _refuse(path: Path | str, impossible: Counter[float], infinite: int, known: int, patches: Sequence[str]) -> None:
    faults = []
    if impossible:
        shown = impossible.most_common(5)
        listed = ", ".join(f"{number:.8g} in {count} cells" for number, count in shown)
        if len(impossible) > len(shown):
            rest = impossible.total() - sum(count for _, count in shown)
            listed += f" and {len(impossible) - len(shown)} other numbers in {rest} cells"
        faults.append(
            f"numbers that are no heights on land: {listed}. If such a number stands for 'no value', declare it as nodata "
            "(gdal_edit.py -a_nodata NUMBER); if heights are stored in whole decimetres or the like, say so (--elevation-scale 0.1); if "
            "neither, the unit of the heights or the data are wrong"
        )
    if infinite:
        faults.append(f"{infinite} infinite cells. Set them to nodata (gdal_calc.py or gdalwarp) first")
    faults += filter(None, patches)
    if not known:
        faults.append("not one known height: every cell is nodata. Give the raster that covers the parcels")
    if faults:
        raise ElevationValueError("\n".join([f"elevation ({path}) cannot be used. It has", *(f"  - {fault}." for fault in faults)]))


def _strips(rows: int, columns: int) -> Iterator[Window]:
    """Windows of whole rows, in multiples of 512 so that no tile of a usual file is decoded twice."""
    height = max(512, STRIP_CELLS // columns // 512 * 512)
    for start in range(0, rows, height):
        yield Window(0, start, columns, min(height, rows - start))


# ---------------------------------------------------------------------------------------------------------------- writing


def write_rasters(folder: Path, rasters: Sequence[RasterResult], workers: int = 1) -> None:
    """Write every raster as `write_raster` does, in so many threads; with a store in use, of what is kept.

    Nobody may read them afterwards: a plane in a file goes as soon as it is written, unless others of the rasters lie in it too.
    """
    store = kept.in_use()
    if store is None:
        _write_new(folder, rasters, workers)
        return
    # One after the other: looking up is Python, of which several threads only wait for one another.
    found = [_write_kept(store, folder, told, workers) for told in rasters]
    _write_new(folder, [told for told, reused in zip(rasters, found, strict=True) if reused is None], workers)
    for reused in found:
        store.count("raster", reused=bool(reused))


def _write_kept(store: kept.Store, folder: Path, told: RasterResult, workers: int) -> bool | None:
    """Write a raster of what is kept, what is missing by so many threads; whether all was there, None where it cannot be written so."""
    target = folder / f"{told.name}.tif"
    drafts = _drafts(folder, told.name)
    plane = told.raster.plane
    try:
        counts = _named_counts(target, told, lambda: keptrasters.counts(plane, workers))
        packing = CODES_PACKED if plane.dtype.kind in "iub" else FLOATS_PACKED
        method = _overview_method(told.legend, plane.dtype.kind in "iub")
        reused = keptrasters.write(store, target, plane, _header(told, plane), method, drafts, TILE_CELLS, packing, workers)
    finally:
        rmtree(drafts, ignore_errors=True)
    if reused is not None:
        _write_sidecars(target, told.legend, counts)
    return reused


def _write_new(folder: Path, rasters: Sequence[RasterResult], workers: int) -> None:
    # The largest first, so that no thread is left with one at the end; whole numbers before floats, since they pack to a tenth, and with
    # what they give back there is room for those.
    due = sorted(rasters, key=lambda told: (-told.raster.plane.dtype.itemsize, told.raster.plane.dtype.kind == "f"))
    lying_in = Counter(id(lies_in(told)) for told in rasters)

    def write(told: RasterResult) -> None:
        _written(folder / f"{told.name}.tif", told)
        if lying_in[id(lies_in(told))] == 1:
            told.raster.plane.drop()

    if workers <= 1:
        for told in due:
            write(told)
        return
    # Threads and no processes: GDAL and the kernels, which do nearly all the work, let the others run meanwhile. After a failure the
    # folder goes: leaving the pool waits until nobody is writing into it.
    with ThreadPoolExecutor(workers) as pool:
        waiting: list[Future[None]] = []
        try:
            for told in due:
                waiting.append(pool.submit(write, told))
            for written in waiting:
                written.result()
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise


def lies_in(told: RasterResult) -> Plane | Values:
    """What is dropped with the raster's plane, the same for two rasters that lie in the same file."""
    cells = told.raster.cells
    return cells.source if isinstance(cells, MadePlane) else cells


def write_raster(
    path: Path | str,
    raster: Raster,
    legend: RasterLegend,
    *,
    unit: str = "",
    title: str,
    description: str = "",
    tags: Mapping[str, str] | None = None,
) -> tuple[Path, ...]:
    """Write a single-band Cloud Optimized GeoTIFF with its styles, and return the paths of all files written.

    Beside the raster come `.qml` (QGIS), `.sld` (map servers), and for classes and reasons `.tif.aux.xml`, the place of GDAL's
    category names and attribute table, which a Cloud Optimized GeoTIFF cannot hold itself. Byte rasters carry a colour table.

    Parameters
    ----------
    raster : values already in `unit`; floats are written as float32 with nodata NaN, integers with `raster.unknown` as nodata.
    tags : written into the file beside TITLE, DESCRIPTION and what the legend names (CLASS_n, BIT_n).

    Raises
    ------
    ValueError : the raster holds a value that its legend does not name, or floats have a legend of classes.
    """
    target = Path(path)
    return _written(target, RasterResult(target.stem, raster, legend, title, description, unit, tags or {}))


def _written(target: Path, told: RasterResult) -> tuple[Path, ...]:
    """Check, pack and describe one raster; its working files are gone afterwards, whatever happens."""
    legend = told.legend
    drafts = _drafts(target.parent, target.stem)
    try:
        counts = _named_counts(target, told)
        raster = _packable(told.raster, drafts)
        values = raster.plane
        whole_numbers = values.dtype.kind in "iub"
        method = _overview_method(legend, whole_numbers)
        coarser: list[Plane] = []
        for shape in overviews.shapes(values.shape):
            coarser.append(_new_plane(values.in_memory, drafts, shape, values.dtype))
            overviews.halve(coarser[-2] if len(coarser) > 1 else values, coarser[-1], method)
        header = _header(told, values)
        # Some rows of tiles: they are packed one after the other, and none is read twice.
        with _cache(max(LEAST_CACHE_BYTES, ROWS_OF_TILES * TILE_CELLS * values.shape[1] * values.dtype.itemsize)):
            write_cog(target, values, coarser, header, drafts, blocksize=TILE_CELLS, **(CODES_PACKED if whole_numbers else FLOATS_PACKED))
    finally:
        rmtree(drafts, ignore_errors=True)
    return target, *_write_sidecars(target, legend, counts)


def _new_plane(in_memory: bool, folder: Path, shape: tuple[int, int], dtype: npt.DTypeLike) -> Plane:
    return ArrayPlane(np.empty(shape, dtype)) if in_memory else new_plane(folder, shape, dtype)


def _header(told: RasterResult, values: Plane) -> Header:
    return Header(
        _file_crs(told.raster.grid).to_wkt(),
        told.raster.grid.transform,
        told.raster.unknown if values.dtype.kind in "iub" else np.nan,
        told.title,
        told.unit,
        {"TITLE": told.title, "DESCRIPTION": told.description, **_legend_tags(told.legend), **told.tags},
        styles.colour_table(told.legend) if values.dtype.itemsize == 1 else {},
    )


def _drafts(folder: Path, name: str) -> Path:
    """The folder of working files of one raster."""
    drafts = folder / f".{name}.drafts"
    drafts.mkdir(exist_ok=True)
    return drafts


def _packable(raster: Raster, drafts: Path) -> Raster:
    """The raster with its values where they can be packed from: in memory or among the drafts where they are not."""
    plane = raster.plane
    if packable(plane):
        return raster
    made = _new_plane(plane.in_memory, drafts, plane.shape, np.float32 if plane.dtype.kind == "f" else plane.dtype.newbyteorder("="))
    for window in _strips(*plane.shape):
        rows, cols = window.toslices()
        made.write(rows, cols, plane.read(rows, cols))
    return raster.with_values(made, raster.unknown)


def _named_counts(target: Path, told: RasterResult, counted: Callable[[], Counter[int]] | None = None) -> dict[int, int]:
    """How many cells hold each value, unknown ones left out, where that matters to the styles; `counted` may tell it of all of them.

    Raises ValueError where the legend does not name them all.
    """
    raster, legend = told.raster, told.legend
    if raster.plane.dtype.kind == "f" and not isinstance(legend, RampLegend):
        raise ValueError(f"{target.name}: {raster.plane.dtype} values cannot have a legend of classes ('{legend.title}').")
    counts: Counter[int] = Counter() if isinstance(legend, RampLegend) else counted() if counted else _counts(raster.plane)
    if raster.unknown is not None:
        counts.pop(raster.unknown, None)
    strangers = styles.undeclared(legend, np.array(sorted(counts), dtype=np.int64))
    if strangers:
        raise ValueError(f"{target.name}: the legend '{legend.title}' does not name the values {strangers[:20]}.")
    return dict(counts)


def _overview_method(legend: RasterLegend, whole_numbers: bool) -> overviews.Method:
    # Taken without looking, so that every number keeps its share of the ground, unknown too.
    if whole_numbers and not isinstance(legend, ClassLegend):
        return "nearest"
    # A mean of "excluded" and "good" would read "fair", which is true of neither.
    return "mode" if whole_numbers else "mean"


def _counts(plane: Plane) -> Counter[int]:
    """How many cells hold each value."""
    return summed(tally(plane.read(*window.toslices())) for window in _strips(*plane.shape))


def _legend_tags(legend: RasterLegend) -> dict[str, str]:
    if isinstance(legend, BitLegend):
        return {f"BIT_{swatch.value}": swatch.name for swatch in legend.swatches}
    if isinstance(legend, ClassLegend):
        return {f"CLASS_{swatch.value}": swatch.name for swatch in legend.swatches}
    return {}


def _write_sidecars(target: Path, legend: RasterLegend, counts: Mapping[int, int]) -> tuple[Path, ...]:
    names = [target.with_name(target.name + ".aux.xml")] if isinstance(legend, ClassLegend | BitLegend) else []
    names += [target.with_suffix(".qml"), target.with_suffix(".sld")]
    texts = once(_sidecars, target.stem, legend, np.array(sorted(counts), np.int64))
    for sidecar, text in zip(names, texts, strict=True):
        sidecar.write_bytes(text.data)
    return tuple(names)


def _sidecars(stem: str, legend: RasterLegend, values: npt.NDArray[np.int64]) -> tuple[tuple[npt.NDArray[np.uint8], ...], None]:
    """The texts that go beside a raster that holds these values: where its kind has a name or a bit each, of GDAL, then QML and SLD."""
    counts = dict.fromkeys(values.tolist(), 1)  # how many of each does not matter
    entries = () if isinstance(legend, RampLegend) else styles.raster_entries(legend, counts)
    texts = []
    if isinstance(legend, ClassLegend):
        texts.append(_auxiliary(entries))
    if isinstance(legend, BitLegend):
        texts.append(_auxiliary(tuple(styles.combination(legend, value) for value in counts)))
    texts += [styles.raster_qml(legend, entries), styles.raster_sld(legend, stem, entries)]
    return tuple(np.frombuffer(text.encode(), np.uint8) for text in texts), None


def _auxiliary(named: tuple[Swatch, ...]) -> str:
    """GDAL's PAM file: category names where every value fits into a byte, and an attribute table in any case."""
    root = ET.Element("PAMDataset")
    band = ET.SubElement(root, "PAMRasterBand", band="1")
    names = {int(swatch.value): swatch.name for swatch in named}
    if names and max(names) < 256:
        categories = ET.SubElement(band, "CategoryNames")
        for value in range(max(names) + 1):
            ET.SubElement(categories, "Category").text = names.get(value, "")
    table = ET.SubElement(band, "GDALRasterAttributeTable", tableType="thematic")
    # Types: 0 integer, 2 text. Usages: 5 value, 2 name, 6 to 8 red, green, blue (GDAL's GDALRATFieldUsage).
    fields = (("Value", "0", "5"), ("Name", "2", "2"), ("Red", "0", "6"), ("Green", "0", "7"), ("Blue", "0", "8"))
    for number, (name, kind, usage) in enumerate(fields):
        definition = ET.SubElement(table, "FieldDefn", index=str(number))
        for tag, text in (("Name", name), ("Type", kind), ("Usage", usage)):
            ET.SubElement(definition, tag).text = text
    for number, swatch in enumerate(named):
        row = ET.SubElement(table, "Row", index=str(number))
        for text in (str(swatch.value), swatch.name, *(str(channel) for channel in styles.rgb(swatch.colour))):
            ET.SubElement(row, "F").text = text
    ET.indent(root, " ")
    return ET.tostring(root, encoding="unicode") + "\n"


def _file_crs(grid: Grid) -> rasterio.crs.CRS:
    return rasterio.crs.CRS.from_wkt(grid.crs.to_wkt())
