"""A VRT of elevation tiles, looked at tile by tile before GDAL may put it together.

GDAL fills what is missing, stretches what does not fit and lays one tile over another without a word. Here only a VRT passes in which
every cell is that of a tile, as the tile says it.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Final
from xml.etree import ElementTree as ET

import numpy as np
import numpy.typing as npt
import rasterio
import rasterio.errors
import shapely
from affine import Affine
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.windows import Window

from geoseptic.errors import FileUnreadableError, GeosepticError, MosaicError
from geoseptic.io.heightunits import same_unit
from geoseptic.io.rastersources import (
    check_text,
    crs_of,
    open_known,
    open_single,
    plainly_opened,
    reading,
    refuse_absent,
    refuse_placeless,
    unit_in_prj,
)
from geoseptic.model.planes import Plane
from geoseptic.terrain.breaks import steps_beyond_slope_m

SOURCES: Final = ("SimpleSource", "ComplexSource")
PLAIN: Final = frozenset({"SourceFilename", "SourceBand", "SourceProperties", "SrcRect", "DstRect", "NODATA"})
"""What a source may say and still hand on the cells of its tile as they are."""

BAND_CLASSES: Final = (None, "VRTRasterBand", "VRTSourcedRasterBand")

OFF_CELLS: Final = 0.02
"""Tiles that lie farther off the mosaic's cells are moved by GDAL to the next one. Our own choice; rounding stays far below."""

SAME_CELL_SIZE: Final = 1e-6

SAME_HEIGHT_M: Final = 0.01
"""Where two tiles overlap, heights that differ by less are one height, rounded. Our own choice."""

SEAM_STEP_M: Final = 1.0
SEAM_SPREADS: Final = 3.0
"""Two tiles contradict each other where the middle step over their seam, beyond the slope beside it, is more than this, and more than so
many times what half of the steps are off that or what the ground steps by along any line near it. Surveys of two years differ by
decimetres, two vertical datums by a metre or more, feet and metres by most of the height. Our own choice."""

SEAM_NEAR_CELLS: Final = 8
"""How far on either side of a seam lines are looked at."""

LEAST_SEAM_CELLS: Final = 20
"""Along fewer cells a road or a bank may run."""

OVERLAP_CELLS: Final = 4_000_000
"""Cells of an overlap that are compared at a time."""


@dataclass(frozen=True)
class Tile:
    """One tile of a mosaic: `name` as the VRT has it, `opened` what GDAL opens, the first cell of it that counts, and where that lies."""

    name: str
    opened: str
    from_col: int
    from_row: int
    col: int
    row: int
    cols: int
    rows: int
    nodata: float | None

    @property
    def area(self) -> shapely.Polygon:
        """Its cells in the mosaic."""
        return shapely.box(self.col, self.row, self.col + self.cols, self.row + self.rows)


@dataclass(frozen=True)
class Mosaic:
    """A VRT whose every tile was looked at. `unit` is that of the tiles' heights, None where they state none."""

    path: str
    shape: tuple[int, int]
    transform: Affine
    tiles: tuple[Tile, ...]
    unit: str | None


def open_mosaic(path: Path | str, *, tiles_anywhere: bool = False) -> tuple[Any, Mosaic]:
    """The opened VRT and its tiles. Raises FileUnreadableError or MosaicError with every fault of every tile.

    tiles_anywhere : whether tiles may lie outside the VRT's own folder and what is below it, the network included.
    """
    refuse_absent(path)
    bands, faults = _described(Path(path))
    names = [(name, where) for band in bands for name, where in _names(band)]
    faults += [fault for name, relative in dict.fromkeys(names) for fault in _misplaced(Path(path), name, relative, tiles_anywhere)]
    if len(bands) != 1:
        faults.append(f"it has {len(bands)} bands, and it is not known which one holds the heights")
    if faults:
        raise MosaicError(str(path), faults)
    try:
        file = plainly_opened(path, "VRT")
    except rasterio.errors.RasterioIOError as error:
        raise FileUnreadableError(str(path), str(error).rstrip("."), "Build it anew (gdalbuildvrt).") from error
    try:
        refuse_placeless(file, str(path))
        return file, _checked(Path(path), bands[0], file)
    except BaseException:
        file.close()
        raise


def refuse_gaps(mosaic: Mosaic, nodata: float | None, *, gaps_are_unknown: bool) -> None:
    """Raises MosaicError where a part of the mosaic is under no tile, unless that is known and the VRT has a number for it."""
    whole = shapely.box(0, 0, mosaic.shape[1], mosaic.shape[0])
    bare = shapely.difference(whole, shapely.union_all([tile.area for tile in mosaic.tiles]))
    gaps = [gap for gap in shapely.get_parts(bare) if gap.area > 0]
    if not gaps or (gaps_are_unknown and nodata is not None):
        return
    faults = []
    for gap in sorted(gaps, key=lambda gap: -gap.area):
        (left, bottom), (right, top) = mosaic.transform @ (gap.bounds[0], gap.bounds[3]), mosaic.transform @ (gap.bounds[2], gap.bounds[1])
        faults.append(f"no tile covers {gap.area:.0f} cells within x {left:.1f} to {right:.1f}, y {bottom:.1f} to {top:.1f}")
    if nodata is None:
        todo = "The VRT declares no nodata, so they would read as a height of 0: build it anew with gdalbuildvrt -vrtnodata -9999."
    else:
        todo = "A tile was skipped or is missing: add it. If nobody has heights there, run with --elevation-gaps unknown."
    raise MosaicError(mosaic.path, faults, todo)


def refuse_contradictions(mosaic: Mosaic, metres_per_step: float) -> None:
    """Raises MosaicError where tiles overlap with different heights. `metres_per_step` is what a stored 1 stands for. [m]"""
    faults = []
    areas = np.array([tile.area for tile in mosaic.tiles], object)
    for one, other in shapely.STRtree(areas).query(areas, predicate="intersects").T:
        common = shapely.intersection(areas[one], areas[other]) if one < other else shapely.Point()
        if common.area >= 1:
            apart = _apart(mosaic.tiles[one], mosaic.tiles[other], common.bounds, metres_per_step)
            if apart is not None:
                cells, most_m = apart
                names = f"tiles {mosaic.tiles[one].name} and {mosaic.tiles[other].name}"
                faults.append(f"{names} overlap in {common.area:.0f} cells and say different heights in {cells}, by up to {most_m:.2f} m")
    if faults:
        raise MosaicError(
            mosaic.path, faults, "Nobody can tell which is true: leave one out, cut it off, or blend them (gdalwarp) into a GeoTIFF."
        )


def refuse_steps(mosaic: Mosaic, heights_m: Plane, rounded_to_m: float) -> None:
    """Raises MosaicError where the ground steps along the whole seam of two tiles that lie side by side: each may have its own unit, scale
    or datum. `heights_m` are those of the mosaic [m], which may be whole multiples of `rounded_to_m`, 0 where they are not. [m]"""
    faults = []
    areas = np.array([tile.area for tile in mosaic.tiles], object)
    for one, other in shapely.STRtree(areas).query(areas, predicate="touches").T:
        seam = shapely.intersection(areas[one], areas[other]) if one < other else shapely.Point()
        if shapely.length(seam) < LEAST_SEAM_CELLS:
            continue
        step_m, beside_m = _step_m(heights_m, seam.bounds)
        if abs(step_m) > SEAM_STEP_M + rounded_to_m and abs(step_m) > SEAM_SPREADS * beside_m:
            faults.append(
                f"tiles {mosaic.tiles[one].name} and {mosaic.tiles[other].name}: the ground steps by {abs(step_m):.2f} m along their whole "
                f"seam of {shapely.length(seam):.0f} cells, beyond what it rises by beside it: one of them probably has another unit, "
                "scale or datum of heights"
            )
    if faults:
        todo = "Ask their owner, and mend the one. If the ground does step there, make one GeoTIFF of them (gdalwarp) and give that."
        raise MosaicError(mosaic.path, faults, todo)


def check_texts(mosaic: Mosaic) -> None:
    """Raises FileUnreadableError where a tile that is a text grid does not hold a number for each cell."""
    for tile in mosaic.tiles:
        with _opened(tile.opened) as file:
            check_text(file, tile.opened)


def _described(path: Path) -> tuple[list[ET.Element], list[str]]:
    """The bands that the VRT describes, and what is wrong with it before any tile is looked at."""
    text = path.read_bytes()
    if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
        raise FileUnreadableError(str(path), "it brings definitions of its own (DOCTYPE)", "Build it anew (gdalbuildvrt).")
    try:
        root = ET.fromstring(text)
    except (ET.ParseError, RecursionError) as error:
        raise FileUnreadableError(str(path), f"it is no well-formed VRT ({error})", "Build it anew (gdalbuildvrt).") from None
    faults = []
    if root.get("subClass") is not None:
        faults.append(f"it warps or computes its cells ({root.get('subClass')})")
    if root.find("MaskBand") is not None:
        faults.append("it has a mask of its own")
    bands = root.findall("VRTRasterBand")
    for band in bands:
        if band.get("subClass") not in BAND_CLASSES:
            faults.append(f"its band computes its cells ({band.get('subClass')})")
        kinds = {child.tag for child in band if child.tag.endswith("Source")} - set(SOURCES)
        if kinds:
            faults.append(f"its band changes the cells of its tiles ({', '.join(sorted(kinds))})")
    return bands, faults


def _names(band: ET.Element) -> Iterator[tuple[str, bool]]:
    """Every file that a band names, overviews included, and whether from the VRT's own folder."""
    for item in band.iter("SourceFilename"):
        yield (item.text or "").strip(), item.get("relativeToVRT") == "1"


def _is_virtual(name: str) -> bool:
    """Whether GDAL would look for it elsewhere than in a file of this machine."""
    return bool(re.match(r"/vsi|\w{2,}:|<|\\\\", name))


def _misplaced(path: Path, name: str, relative: bool, anywhere: bool) -> list[str]:
    """Why a tile is not looked at: it is not there, not a file, or not below the VRT's folder."""
    if anywhere and name.startswith("/vsicurl/"):
        return []
    if _is_virtual(name):
        return [f"tile {name} is no file of this machine: download it and build the VRT anew"]
    file = _local(path, name, relative)
    home = path.resolve().parent
    if not anywhere and not file.resolve().is_relative_to(home):
        return [f"tile {name} lies outside the folder of the VRT: put it below, or run with --elevation-tiles anywhere"]
    return [] if file.is_file() else [f"tile {name} is not there"]


def _local(path: Path, name: str, relative: bool) -> Path:
    return path.parent / name if relative else Path(name)


def _opened(name: str) -> Any:
    return open_known(name, name) if name.startswith("/vsicurl/") else open_single(name)


def _checked(path: Path, band: ET.Element, whole: Any) -> Mosaic:
    """Every tile held against the mosaic; raises MosaicError with all faults."""
    tiles, faults, units = [], [], {}
    for source in (child for child in band if child.tag in SOURCES):
        name, relative = next(_names(source), ("", False))
        opened = name if name.startswith("/vsicurl/") else str(_local(path, name, relative))
        odd = sorted({child.tag for child in source} - PLAIN)
        if odd:
            faults.append(f"tile {name} is changed on the way ({', '.join(odd)})")
            continue
        taken = (source.findtext("SourceBand") or "1").strip()
        if taken != "1":
            faults.append(f"tile {name}: the VRT takes '{taken}' of it, where its heights are band 1")
            continue
        try:
            with _opened(opened) as file:
                tile, found, unit = _tile(name, opened, source, file, whole)
        except GeosepticError as error:
            faults.append(f"tile {name}: {error}")
            continue
        faults += [f"tile {name} {fault}" for fault in found]
        if tile is not None:
            tiles.append(tile)
            units[name] = unit
    if not tiles and not faults:
        faults.append("it has no tile")
    faults += [
        f"tile {name} has heights in {unit or 'an unknown unit'}, tile {before} in {units[before] or 'an unknown unit'}"
        for before, (name, unit) in zip(units, list(units.items())[1:], strict=False)
        if not same_unit(unit, units[before])
    ]
    if faults:
        raise MosaicError(str(path), faults)
    return Mosaic(str(path), (whole.height, whole.width), whole.transform, tuple(tiles), next(iter(units.values())))


def _tile(name: str, opened: str, source: ET.Element, file: Any, whole: Any) -> tuple[Tile | None, list[str], str | None]:
    """A tile, what is wrong with it, and the unit of its heights."""
    faults = _unlike(file, whole) + _nodata_faults(source, file, whole)
    try:
        (from_x, from_y, from_width, from_height), (x, y, width, height) = (_rect(source, tag) for tag in ("SrcRect", "DstRect"))
    except (TypeError, ValueError):
        return None, [*faults, "has no place in the VRT"], None
    stretched = max(abs(width - from_width) / from_width, abs(height - from_height) / from_height)
    sides = np.abs([file.transform.a / whole.transform.a, file.transform.e / whole.transform.e])
    if stretched > SAME_CELL_SIZE * 10 or (np.abs(sides - 1) > SAME_CELL_SIZE).any():
        size = f"{file.transform.a:g} x {-file.transform.e:g}"
        return None, [*faults, f"has cells of {size}, the VRT of {whole.transform.a:g} x {-whole.transform.e:g}"], None
    if file.transform.b or file.transform.d or file.transform.e >= 0:
        return None, [*faults, "is rotated or not north-up"], None
    true_x, true_y = ~whole.transform @ (file.transform @ (from_x, from_y))
    off = max(abs(true_x - x), abs(true_y - y))
    uneven = max(abs(number - round(number)) for number in (from_x, from_y, from_width, from_height, x, y))
    if off > 0.5 + OFF_CELLS:
        faults.append(f"lies {off:.1f} cells from where the VRT has it: it was replaced, so build the VRT anew")
    elif max(off, uneven) > OFF_CELLS:
        faults.append(f"lies {max(off, uneven):.2f} cells off the cells of the VRT, so GDAL would move it")
    if from_x < -OFF_CELLS or from_y < -OFF_CELLS or from_x + from_width > file.width + 0.5 or from_y + from_height > file.height + 0.5:
        faults.append(f"has {file.height} rows of {file.width} cells, fewer than the VRT takes: it was replaced, so build the VRT anew")
    words = [vertical for vertical in (file.units[0], unit_in_prj(file)) if vertical]
    place = round(from_x), round(from_y), round(x), round(y), round(width), round(height)
    return Tile(name, opened, *place, _nodata_of(source, file)), faults, words[0] if words else None


def _rect(source: ET.Element, tag: str) -> tuple[float, float, float, float]:
    found = source.find(tag)
    if found is None:
        raise ValueError(tag)
    x, y, width, height = (float(found.get(name, "nan")) for name in ("xOff", "yOff", "xSize", "ySize"))
    if not all(np.isfinite([x, y, width, height])) or min(width, height) <= 0:
        raise ValueError(tag)
    return x, y, width, height


def _unlike(file: Any, whole: Any) -> list[str]:
    """In what a tile is not as the mosaic, so that GDAL would read its cells for something else."""
    faults = []
    if file.count != 1 or file.colorinterp[0] in (ColorInterp.palette, ColorInterp.alpha):
        faults.append(f"has {file.count} bands or is a picture, not heights")
    own, common = crs_of(file), crs_of(whole)
    if file.crs != whole.crs and own != common:
        said = [crs.name if crs is not None else "no coordinate reference system" for crs in (own, common)]
        faults.append(f"is in {said[0]}, the VRT in {said[1]}")
    scales, offsets = (file.scales[0], whole.scales[0]), (file.offsets[0], whole.offsets[0])
    if scales[0] != scales[1] or offsets[0] != offsets[1]:
        faults.append(f"has heights by scale {scales[0]:g} and offset {offsets[0]:g}, the VRT by {scales[1]:g} and {offsets[1]:g}")
    if not _holds(np.dtype(whole.dtypes[0]), np.dtype(file.dtypes[0])):
        faults.append(f"has numbers of type {file.dtypes[0]}, which the VRT would cut to {whole.dtypes[0]}")
    if not set(file.mask_flag_enums[0]) <= {MaskFlags.all_valid, MaskFlags.nodata}:
        faults.append("has a mask of its own, which the VRT does not hand on")
    return faults


def _holds(whole: npt.DTypeLike, tile: npt.DTypeLike) -> bool:
    return np.can_cast(tile, whole, "safe") or np.dtype(whole).kind == "f"


def _nodata_of(source: ET.Element, file: Any) -> float | None:
    """The number that stands for no value in the tile: the source's own word, else the file's."""
    told = source.findtext("NODATA")
    return float(told) if told is not None else file.nodata


def _nodata_faults(source: ET.Element, file: Any, whole: Any) -> list[str]:
    """Whether cells without a value come out of the mosaic as heights."""
    told, own, common = source.findtext("NODATA"), file.nodata, whole.nodata
    number = _nodata_of(source, file)
    if told is not None and own is not None and not _same(float(told), own):
        return [f"declares nodata {own:g}, and the VRT looks for {float(told):g}"]
    if number is not None and common is None:
        return [f"has nodata {number:g}, and the VRT declares none, so these cells would read as a height of 0"]
    if number is not None and told is None and not _same(number, common):
        return [f"declares nodata {number:g}, which the VRT would take for a height (its own is {common:g})"]
    return []


def _same(one: float, other: float | None) -> bool:
    return other is not None and (one == other or (np.isnan(one) and np.isnan(other)) or bool(np.isclose(one, other, rtol=1e-6, atol=0)))


def _apart(one: Tile, other: Tile, common: tuple[float, float, float, float], metres_per_step: float) -> tuple[int, float] | None:
    """In how many cells of a common area two tiles say different heights, and by how much at most [m]; None where in none."""
    left, top, right, bottom = (round(edge) for edge in common)
    height = max(1, OVERLAP_CELLS // (right - left))
    cells, most_m = 0, 0.0
    with _opened(one.opened) as first, _opened(other.opened) as second:
        for row, end in pairwise([*range(top, bottom, height), bottom]):
            apart_m = np.abs(_cells(first, one, left, row, right, end) - _cells(second, other, left, row, right, end)) * metres_per_step
            wrong = apart_m > SAME_HEIGHT_M
            if wrong.any():
                cells, most_m = cells + int(wrong.sum()), max(most_m, float(apart_m[wrong].max()))
    return (cells, most_m) if cells else None


def _step_m(heights_m: Plane, seam: tuple[float, float, float, float]) -> tuple[float, float]:
    """By how much the ground steps over a seam, which is given by its ends in cells, beyond the slope beside it, in the middle of all known
    places; and the larger of how far half of these are off that and of how much the ground steps so along any line near the seam. Nothing
    where too little is known. [m]"""
    left, top, right, bottom = (round(end) for end in seam)
    rows, cols = heights_m.shape
    upright = left == right
    line, last = (left, cols) if upright else (top, rows)
    near = slice(max(0, line - SEAM_NEAR_CELLS), min(last, line + SEAM_NEAR_CELLS))
    around = heights_m.read(slice(top, bottom), near).T if upright else heights_m.read(near, slice(left, right))
    steps_m = steps_beyond_slope_m(around)
    seam_row = line - near.start - 2
    if not 0 <= seam_row < len(steps_m):
        return 0.0, 0.0
    known = [row[~np.isnan(row)] for row in steps_m]
    if len(known[seam_row]) < LEAST_SEAM_CELLS:
        return 0.0, 0.0
    middle_m = float(np.median(known[seam_row]))
    beside_m = [abs(float(np.median(row))) for off, row in enumerate(known) if abs(off - seam_row) > 1 and len(row)]
    return middle_m, max(float(np.median(np.abs(known[seam_row] - middle_m))), *beside_m, 0.0)


def _cells(file: Any, tile: Tile, left: int, top: int, right: int, bottom: int) -> npt.NDArray[np.float64]:
    """The tile's stored numbers in an area of the mosaic, NaN where it has none."""
    window = Window(left - tile.col + tile.from_col, top - tile.row + tile.from_row, right - left, bottom - top)
    with reading(tile.opened):
        stored: npt.NDArray[np.float64] = file.read(1, window=window).astype(np.float64)
    if tile.nodata is not None:
        stored[np.isclose(stored, tile.nodata, rtol=1e-6, atol=0)] = np.nan
    return stored
