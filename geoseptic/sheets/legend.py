"""What each pen of a plan means, and a piece of what it draws, for any writer."""

from typing import Final

from geoseptic.sheets.drawing import HATCHES, PENS, Drawing, Path, Piece, Words, symbol

SAMPLE_MM: Final = (8.6, 3.4)
"""Width and height of a sample."""

LEGEND: Final = {
    "lot line": "Lot line, with its length",
    "neighbour": "Line of a neighbour",
    "building": "Building",
    "paving": "Drive or paving",
    "water": "Water, pool",
    "water line": "Stream, canal",
    "other": "Other feature, named",
    "contour": "Contour",
    "well": "Well",
    "place of well": "The well is somewhere in here",
    "circle of well": "Well, somewhere in the circle",
    "square of well": "Well, somewhere in the square",
    "lot of well": "Well, somewhere on this lot",
    "line in doubt": "Lot line may be off so far",
    "setback": "Setback from a well, required",
    "open setback": "Setback that may be required",
    "envelope": "Clear of all setbacks of a field",
    "envelope in doubt": "Clear only if all lies as drawn",
    "field in doubt": "Field: only if all lies as drawn",
    "trench in doubt": "Trench: only if all lies as drawn",
    "field": "Primary field",
    "trench": "Trench",
    "reserve": "Reserve: leave undisturbed",
    "reserve trench": "Trench of the reserve, for later",
    "tank": "Septic tank",
    "sewer": "Sewer, house to tank",
    "effluent": "Line, tank to field",
    "way of water": "Way of water to a well",
    "hole": "Percolation hole",
    "pit": "Soil pit",
    "dimension": "Distance measured",
}
"""In the order in which a legend has them."""


def legend_of(drawing: Drawing) -> list[tuple[str, str]]:
    """Pen and meaning of all that is drawn and needs one."""
    used = {piece.pen.removeprefix("index ") for piece in drawing.pieces if not isinstance(piece, Words)}
    return [(pen, words) for pen, words in LEGEND.items() if pen in used]


def sample(pen: str) -> Drawing:
    """A piece of what a pen draws."""
    width, height = SAMPLE_MM
    left, bottom, right, top = 0.5, 0.5, width - 0.6, height - 0.5
    middle = height / 2
    if pen in ("well", "hole", "pit"):
        return Drawing(width, height, symbol(pen, (4.0, middle), 1.2 if pen == "well" else 0.8))
    if PENS[pen].fill is None and pen not in ("field", "reserve", "field in doubt", "lot of well"):
        return Drawing(width, height, (Path((((0.2, middle), (width - 0.2, middle)),), False, pen),))
    pieces: list[Piece] = [Path((((left, bottom), (right, bottom), (right, top), (left, top)),), True, pen)]
    if pen in HATCHES:
        starts = [left + 1.2 * step for step in range(1, 6)]
        lengths = [min(top - bottom, right - start) for start in starts]
        lines = (((start, bottom), (start + length, bottom + length)) for start, length in zip(starts, lengths, strict=True))
        pieces.append(Path(tuple(lines), False, HATCHES[pen][0]))
    return Drawing(width, height, tuple(pieces))
