"""A plan to scale on paper: lines and symbols, dimensions, and words that do not stand on each other."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import shapely
from reportlab.pdfbase.pdfmetrics import stringWidth

from geoseptic.sheets.drawing import HATCHES, Circle, Drawing, Path, Piece, Point, Words, symbol
from geoseptic.sheets.plan import Dimension, Mark, Plan, length_text
from geoseptic.units import FOOT_M

INCH_MM: Final = 25.4

FEET_TO_AN_INCH: Final = (10, 20, 30, 40, 50, 60)
"""The edges of an engineer's scale."""

COARSE_FEET: Final = (100, 200, 300, 400, 500, 600, 1000, 2000, 3000, 4000, 5000, 6000)
METRIC: Final = (100, 200, 250, 500, 1000, 1250, 2000, 2500, 5000, 10000, 25000, 50000)
FINEST_COARSE_METRIC: Final = 500

TEXT_MM: Final = 2.1
SMALL_MM: Final = 1.7
ARROW_MM: Final = 1.7
WELL_MM: Final = 1.5
HOLE_MM: Final = 0.8

CLEAR_MM: Final = 0.5
"""Round words, so that they do not touch."""

PT_MM: Final = INCH_MM / 72


@dataclass(frozen=True)
class Scale:
    """How ground lies on paper. `words` state it."""

    mm_per_m: float
    words: str
    is_fine: bool
    """Whether it is one at which a tape and a scale rule are used together, and no overview."""


def scales(unit: str) -> tuple[Scale, ...]:
    """The scales in use, from the largest drawing to the smallest."""
    if unit == "ft":
        fine = [(feet, True) for feet in FEET_TO_AN_INCH] + [(feet, False) for feet in COARSE_FEET]
        return tuple(Scale(INCH_MM / (feet * FOOT_M), f"1 inch = {feet} feet", small) for feet, small in fine)
    return tuple(Scale(1000.0 / ratio, f"1 : {ratio}", ratio <= FINEST_COARSE_METRIC) for ratio in METRIC)


def scale_for(bounds_m: Sequence[float], width_mm: float, height_mm: float, unit: str) -> Scale:
    """The largest scale at which the bounds fit into the frame; the smallest of all where none does."""
    width_m, height_m = bounds_m[2] - bounds_m[0], bounds_m[3] - bounds_m[1]
    ready = scales(unit)
    return next((scale for scale in ready if width_m * scale.mm_per_m <= width_mm and height_m * scale.mm_per_m <= height_mm), ready[-1])


@dataclass
class _Sheet:
    """What is on the paper so far. It is filled in order, and given away as a Drawing."""

    plan: Plan
    scale: Scale
    width_mm: float
    height_mm: float
    origin_m: Point
    pieces: list[Piece] = field(default_factory=list)
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    @property
    def frame(self) -> shapely.Geometry:
        return shapely.box(0, 0, self.width_mm, self.height_mm)

    def on_paper(self, shape_m: shapely.Geometry) -> shapely.Geometry:
        return shapely.transform(shape_m, lambda xy: (xy - np.array(self.origin_m)) * self.scale.mm_per_m)

    def point(self, xy_m: Point) -> Point:
        return ((xy_m[0] - self.origin_m[0]) * self.scale.mm_per_m, (xy_m[1] - self.origin_m[1]) * self.scale.mm_per_m)

    def is_on(self, point: Point, margin_mm: float = 0.0) -> bool:
        return margin_mm <= point[0] <= self.width_mm - margin_mm and margin_mm <= point[1] <= self.height_mm - margin_mm

    def is_free(self, box: tuple[float, float, float, float]) -> bool:
        inside = box[0] >= 0.6 and box[1] >= 0.6 and box[2] <= self.width_mm - 0.6 and box[3] <= self.height_mm - 0.6
        return inside and not any(
            box[0] < other[2] and other[0] < box[2] and box[1] < other[3] and other[1] < box[3] for other in self.taken
        )

    def take(self, box: tuple[float, float, float, float]) -> None:
        self.taken.append(box)


def drawn(plan: Plan, bounds_m: Sequence[float], width_mm: float, height_mm: float, scale: Scale) -> Drawing:
    """The plan on a frame, with the middle of the bounds in its middle."""
    middle = (bounds_m[0] + bounds_m[2]) / 2, (bounds_m[1] + bounds_m[3]) / 2
    origin = (middle[0] - width_mm / 2 / scale.mm_per_m, middle[1] - height_mm / 2 / scale.mm_per_m)
    sheet = _Sheet(plan, scale, width_mm, height_mm, origin)
    for mark in plan.marks:
        _draw(sheet, mark)
    _corners(sheet)
    _whole_plan_notes(sheet)
    for dimension in plan.dimensions:
        _dimension(sheet, dimension)
    _sides(sheet)
    for mark in sorted((mark for mark in plan.marks if mark.name), key=_weight):
        _label(sheet, mark)
    return Drawing(width_mm, height_mm, tuple(sheet.pieces))


# ------------------------------------------------------------------------------------------------------------------ shapes


def _draw(sheet: _Sheet, mark: Mark) -> None:
    shape = sheet.on_paper(mark.shape_m)
    if not shape.intersects(sheet.frame):
        return
    if mark.pen in ("well", "hole", "pit"):
        _symbol(sheet, mark, (float(shape.centroid.x), float(shape.centroid.y)))
        return
    for part in shapely.get_parts(shape):
        if isinstance(part, shapely.Point):
            sheet.pieces.append(Circle((part.x, part.y), HOLE_MM, mark.pen, mark.about))
        elif isinstance(part, shapely.Polygon):
            rings = tuple(_points(ring) for ring in (part.exterior, *part.interiors))
            sheet.pieces.append(Path(rings, True, mark.pen, mark.about))
            if mark.pen in HATCHES:
                hatch, apart_mm = HATCHES[mark.pen]
                sheet.pieces.append(Path(tuple(_hatch(part, apart_mm)), False, hatch))
        else:
            sheet.pieces.append(Path((_points(part),), False, mark.pen, mark.about))


def _symbol(sheet: _Sheet, mark: Mark, at: Point) -> None:
    if not sheet.is_on(at):
        return
    radius = WELL_MM if mark.pen == "well" else HOLE_MM
    sheet.pieces += symbol(mark.pen, at, radius, mark.about)
    sheet.take((at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius))


def _hatch(area: shapely.Polygon, apart_mm: float) -> Iterator[tuple[Point, ...]]:
    """Lines at 45 degrees across an area, at the same places of the paper whatever the area."""
    left, bottom, right, top = area.bounds
    first, last = math.floor((bottom - right) / apart_mm), math.ceil((top - left) / apart_mm)
    lines = [shapely.LineString([(left, left + step * apart_mm), (right, right + step * apart_mm)]) for step in range(first, last + 1)]
    for part in shapely.get_parts(shapely.intersection(np.array(lines, object), area)):
        for line in shapely.get_parts(part):
            if isinstance(line, shapely.LineString):
                yield _points(line)


def _corners(sheet: _Sheet) -> None:
    for side in sheet.plan.sides:
        at = sheet.point((side.line_m.coords[0][0], side.line_m.coords[0][1]))
        if sheet.is_on(at):
            sheet.pieces.append(Circle(at, 0.7, "lot corner"))


def _points(line: shapely.Geometry) -> tuple[Point, ...]:
    return tuple((float(x), float(y)) for x, y in shapely.get_coordinates(line))


# -------------------------------------------------------------------------------------------------------------- dimensions


def _dimension(sheet: _Sheet, dimension: Dimension) -> None:
    """With arrows and its length; one that leads off the paper ends at its edge and says where to."""
    line = shapely.LineString([sheet.point(dimension.start_m), sheet.point(dimension.end_m)])
    inside = line.intersection(sheet.frame.buffer(-2.0))
    if inside.is_empty or line.length < 1e-6 or not isinstance(inside, shapely.LineString):
        return
    leaves = not sheet.is_on(sheet.point(dimension.end_m), 2.0)
    start, end = _points(inside)[0], _points(inside)[-1]
    text = dimension.text
    if dimension.error_m > 0:
        text += f" (\N{PLUS-MINUS SIGN}{length_text(dimension.error_m, sheet.plan.site.unit)})"
    sheet.pieces.append(Path(((start, end),), False, "dimension", f"{dimension.about[:1].upper()}{dimension.about[1:]}: {text}"))
    if leaves:
        text += f" {dimension.about.removeprefix('field ')}"
    turn = math.degrees(math.atan2(end[1] - start[1], end[0] - start[0]))
    if inside.length > 2.5 * ARROW_MM:
        _arrow(sheet, start, turn + 180)
        _arrow(sheet, end, turn)
    height = SMALL_MM
    width = text_mm(text, height)
    if width + 2 < inside.length:
        _along(sheet, text, inside, turn, height)
    else:
        _beside(sheet, text, (inside.centroid.x, inside.centroid.y), height, leader=True)


def _along(sheet: _Sheet, text: str, line: shapely.LineString, turn: float, height: float) -> None:
    """Words in the middle of a line, or beside the middle where others stand there, never upside down."""
    upright = (turn + 90) % 360 - 90
    upright = upright - 180 if upright > 90 else upright
    for share in (0.5, 0.35, 0.65, 0.22, 0.78):
        at = line.interpolate(share, normalized=True)
        box = _turned_box((at.x, at.y), text_mm(text, height), height, upright)
        if sheet.is_free(box):
            sheet.pieces.append(Words(text, (at.x, at.y), height, "middle", upright, halo=True))
            sheet.take(box)
            return
    _beside(sheet, text, (line.centroid.x, line.centroid.y), height, leader=True)


def _arrow(sheet: _Sheet, tip: Point, turn: float) -> None:
    back = math.radians(turn)
    across = back + math.pi / 2
    base = (tip[0] - ARROW_MM * math.cos(back), tip[1] - ARROW_MM * math.sin(back))
    half = ARROW_MM * 0.18
    wings = [(base[0] + sign * half * math.cos(across), base[1] + sign * half * math.sin(across)) for sign in (1, -1)]
    sheet.pieces.append(Path(((tip, wings[0], wings[1], tip),), True, "arrow"))


def _sides(sheet: _Sheet) -> None:
    """The length of each side, along it and outside of the lot, where there is room; its bearing before it or, where that has no room, on
    the inside."""
    for side in sorted(sheet.plan.sides, key=lambda side: -side.length_m):
        line = sheet.on_paper(side.line_m).intersection(sheet.frame.buffer(-3.0))
        length = length_text(side.length_m, sheet.plan.site.unit)
        if not isinstance(line, shapely.LineString):
            continue
        if sheet.plan.bearings and _along_side(sheet, f"{side.bearing_words}  {length}", line, outside=True):
            continue
        _along_side(sheet, length, line, outside=True)
        if sheet.plan.bearings:
            _along_side(sheet, side.bearing_words, line, outside=False)


def _along_side(sheet: _Sheet, text: str, line: shapely.LineString, *, outside: bool) -> bool:
    """Words along a side of the lot; False where they have no room."""
    lot = sheet.on_paper(sheet.plan.site.lot_m)
    width = text_mm(text, TEXT_MM, bold=True)
    if line.length < width + 2:
        return False
    for share in (0.5, 0.3, 0.7):
        at, ahead = line.interpolate(share, normalized=True), line.interpolate(min(share + 0.05, 1.0), normalized=True)
        turn = math.degrees(math.atan2(ahead.y - at.y, ahead.x - at.x))
        upright = (turn + 90) % 180 - 90
        out = math.radians(upright + 90)
        places = [(at.x + sign * 1.9 * math.cos(out), at.y + sign * 1.9 * math.sin(out)) for sign in (1, -1)]
        place = next((place for place in places if lot.contains(shapely.Point(place)) is not outside), places[0])
        box = _turned_box(place, width, TEXT_MM, upright)
        if sheet.is_free(box):
            sheet.pieces.append(Words(text, place, TEXT_MM, "middle", upright, bold=True, halo=True))
            sheet.take(box)
            return True
    return False


# ------------------------------------------------------------------------------------------------------------------ labels

GROUNDS: Final = ("circle of well", "square of well", "lot of well")

RANKS: Final = {"well": 0, "tank": 1, "field": 2, "field in doubt": 2, "reserve": 3, "setback": 5, "open setback": 6, "pit": 4, "hole": 4}


def _weight(mark: Mark) -> tuple[int, str]:
    return RANKS.get(mark.pen, 9 if "contour" in mark.pen else 7), mark.name


def _label(sheet: _Sheet, mark: Mark) -> None:
    shape = sheet.on_paper(mark.shape_m).intersection(sheet.frame.buffer(-1.0))
    if shape.is_empty:
        return
    bold = mark.pen in ("well", "tank", "field", "reserve", "field in doubt")
    height = TEXT_MM if bold else SMALL_MM
    if mark.pen in GROUNDS:
        _label_ground(sheet, mark, height)
        return
    if mark.pen in ("setback", "open setback", "envelope", "index contour", "contour"):
        # Beside a line, where the line itself runs and not in the middle of what it encloses.
        line = sheet.on_paper(mark.shape_m).boundary if mark.pen.endswith("setback") else sheet.on_paper(mark.shape_m)
        _on_line(sheet, mark.name, line.intersection(sheet.frame.buffer(-4.0)), height)
        return
    if mark.pen in ("field", "reserve", "neighbour", "building", "paving", "water", "other", "field in doubt"):
        middle = shape.representative_point()
        width = text_mm(mark.name, height, bold)
        box = (middle.x - width / 2 - CLEAR_MM, middle.y - height, middle.x + width / 2 + CLEAR_MM, middle.y + height)
        if sheet.is_free(box) and shape.area > width * height:
            sheet.pieces.append(Words(mark.name, (middle.x, middle.y), height, "middle", 0.0, bold, halo=True))
            sheet.take(box)
            return
        if mark.pen in ("neighbour", "paving", "other"):
            return
    at = shape.centroid
    _beside(sheet, mark.name, (at.x, at.y), height, bold=bold, leader=True)


def _label_ground(sheet: _Sheet, mark: Mark, height: float) -> None:
    """Along the edge of the ground in which a well is."""
    edge = sheet.on_paper(mark.shape_m).boundary.intersection(sheet.frame.buffer(-4.0))
    if mark.pen != "circle of well" or edge.length > 4 * text_mm(mark.name, height):
        _on_line(sheet, mark.name, edge, height)


def _whole_plan_notes(sheet: _Sheet) -> None:
    """In a corner the wells that may be anywhere on the plan: nothing that is drawn would say so. They are written in any case."""
    row_mm = 1.6 * SMALL_MM
    inside = [mark for mark in sheet.plan.marks if mark.pen in GROUNDS and sheet.on_paper(mark.shape_m).contains(sheet.frame)]
    for row, mark in enumerate(inside):
        text = f"{mark.name}, ANYWHERE ON THIS PLAN OR BEYOND"
        at = (2.0, sheet.height_mm - 3.0 - row * row_mm)
        sheet.pieces.append(Words(text, at, SMALL_MM, bold=True, halo=True))
        right = at[0] + text_mm(text, SMALL_MM, bold=True) + CLEAR_MM
        sheet.take((at[0] - CLEAR_MM, at[1] - SMALL_MM * 0.75, right, at[1] + SMALL_MM * 0.75))


def _on_line(sheet: _Sheet, text: str, line: shapely.Geometry, height: float) -> None:
    longest = max(
        (part for part in shapely.get_parts(line) if isinstance(part, shapely.LineString)), key=lambda part: part.length, default=None
    )
    if longest is None or longest.length < 8:
        return
    for share in (0.5, 0.3, 0.7, 0.15, 0.85):
        at, ahead = longest.interpolate(share, normalized=True), longest.interpolate(min(share + 0.03, 1.0), normalized=True)
        upright = (math.degrees(math.atan2(ahead.y - at.y, ahead.x - at.x)) + 90) % 180 - 90
        box = _turned_box((at.x, at.y), text_mm(text, height), height, upright)
        if sheet.is_free(box):
            sheet.pieces.append(Words(text, (at.x, at.y), height, "middle", upright, halo=True))
            sheet.take(box)
            return


def _beside(sheet: _Sheet, text: str, at: Point, height: float, *, bold: bool = False, leader: bool = False) -> None:
    """Words as near to a place as they have room, with a line to it where they stand away. Left out where there is none at all."""
    width = text_mm(text, height, bold)
    for away in (2.2, 3.4, 5.5, 8.0, 11.0, 15.0):
        for turn in (30, 150, -30, -150, 0, 180, 90, -90):
            end = (at[0] + away * math.cos(math.radians(turn)), at[1] + away * math.sin(math.radians(turn)))
            rightward = math.cos(math.radians(turn)) >= 0
            left = end[0] if rightward else end[0] - width
            box = (left - CLEAR_MM, end[1] - height * 0.75, left + width + CLEAR_MM, end[1] + height * 0.75)
            if not sheet.is_free(box):
                continue
            if leader and away > 3:
                sheet.pieces.append(Path(((at, end),), False, "leader"))
            sheet.pieces.append(Words(text, end, height, "start" if rightward else "end", 0.0, bold, halo=True))
            sheet.take(box)
            return


def _turned_box(at: Point, width: float, height: float, turn: float) -> tuple[float, float, float, float]:
    """Bounds of turned words round their middle."""
    cosine, sine = abs(math.cos(math.radians(turn))), abs(math.sin(math.radians(turn)))
    half = (width * cosine + height * sine) / 2 + CLEAR_MM, (width * sine + height * cosine) / 2 + CLEAR_MM
    return (at[0] - half[0], at[1] - half[1], at[0] + half[0], at[1] + half[1])


def text_mm(text: str, height_mm: float, bold: bool = False) -> float:
    """How long words are that are so high: the size of the letters, as printers count it."""
    return float(stringWidth(text, "Helvetica-Bold" if bold else "Helvetica", height_mm / PT_MM)) * PT_MM
