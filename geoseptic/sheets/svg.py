"""A drawing as SVG inside a page: classes for pens, words as text, and each thing a link to the words that say what it is."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from html import escape
from typing import Final

from geoseptic.sheets.drawing import DOUBTFUL, PENS, Circle, Drawing, Path, Pen, Piece, Point, Words
from geoseptic.sheets.legend import sample

FONT: Final = "Helvetica, Arial, 'Liberation Sans', sans-serif"

PARTS: Final = frozenset({"building hatch", "lot of well hatch", "well cross", "arrow"})
"""Pens of what belongs to the thing before it."""

UNLINKED: Final = frozenset({"contour", "index contour"})
"""Pens of what is so many that nobody wants to step through it, and has its words beside it."""


@dataclass(frozen=True)
class Thing:
    """Something drawn that has a description; `anchor` is its place on the page, `words_anchor` that of its description."""

    anchor: str
    pen: str
    about: str
    pieces: tuple[Path | Circle, ...]

    @property
    def words_anchor(self) -> str:
        return f"{self.anchor}-about"


def things_of(drawing: Drawing, name: str) -> tuple[Thing | Piece, ...]:
    """All pieces in order, those of one thing together; `name` is unique on the page."""
    found: list[Thing | Piece] = []
    number = 0
    for piece in drawing.pieces:
        last = found[-1] if found else None
        if isinstance(piece, Words) or piece.pen in UNLINKED:
            found.append(piece)
        elif isinstance(last, Thing) and (piece.pen in PARTS or (piece.about, piece.pen) == (last.about, last.pen)):
            found[-1] = replace(last, pieces=(*last.pieces, piece))
        elif piece.about:
            number += 1
            found.append(Thing(f"{name}-{number}", piece.pen, piece.about, (piece,)))
        else:
            found.append(piece)
    return tuple(found)


def svg_of(drawing: Drawing, label: str, name: str) -> str:
    """The drawing as an element of a page; `label` says what it shows to those who do not see it, `name` is unique on the page.

    Its things are links to the elements of their `words_anchor`, which the page must have.
    """
    height = drawing.height_mm
    parts = [_thing(part, height) if isinstance(part, Thing) else _piece(part, height) for part in things_of(drawing, name)]
    return (
        f'<svg viewBox="0 0 {_number(drawing.width_mm)} {_number(height)}" role="group" aria-labelledby="{name}-label" '
        f'xmlns="http://www.w3.org/2000/svg"><title id="{name}-label">{escape(label)}</title>'
        f'<clipPath id="{name}-frame"><rect width="{_number(drawing.width_mm)}" height="{_number(height)}"/></clipPath>'
        f'<g clip-path="url(#{name}-frame)">{"".join(parts)}</g>'
        f'<rect class="frame outline" width="{_number(drawing.width_mm)}" height="{_number(height)}"/></svg>'
    )


def pens_css(*, doubtful: bool = False) -> str:
    """A rule for every pen, of those of what is in doubt or of the others."""
    return "\n".join(f"svg .{class_of(name)} {{ {_css(pen)} }}" for name, pen in PENS.items() if (name in DOUBTFUL) is doubtful)


def class_of(pen: str) -> str:
    return f"pen-{pen.replace(' ', '-')}"


def sample_svg(pen: str) -> str:
    """A piece of what a pen draws, for a legend."""
    drawing = sample(pen)
    body = "".join(_piece(piece, drawing.height_mm) for piece in drawing.pieces)
    box = f"0 0 {_number(drawing.width_mm)} {_number(drawing.height_mm)}"
    return f'<svg class="sample" viewBox="{box}" aria-hidden="true">{body}</svg>'


def _thing(thing: Thing, height: float) -> str:
    """A link that a key, a finger and a mouse reach: thin lines have a wide one above them that nobody sees."""
    body = "".join(_shape(piece, height, f"{class_of(piece.pen)}{_outline(piece)}") for piece in thing.pieces)
    body += "".join(_shape(piece, height, "hit") for piece in thing.pieces if piece.pen == thing.pen and PENS[piece.pen].fill is None)
    return f'<a id="{thing.anchor}" class="thing" href="#{thing.words_anchor}"><title>{escape(thing.about)}</title>{body}</a>'


def _piece(piece: Piece, height: float) -> str:
    if isinstance(piece, Words):
        return _words(piece, height)
    about = f"<title>{escape(piece.about)}</title>" if piece.about else ""
    return _shape(piece, height, f"{class_of(piece.pen)}{_outline(piece)}", about)


def _outline(piece: Path | Circle) -> str:
    return " outline" if isinstance(piece, Path) and not piece.closed else ""


def _shape(piece: Path | Circle, height: float, classes: str, about: str = "") -> str:
    if isinstance(piece, Circle):
        x, y = piece.centre
        place = f'cx="{_number(x)}" cy="{_number(height - y)}" r="{_number(piece.radius_mm)}"'
        return f'<circle class="{classes}" {place}>{about}</circle>'
    steps = " ".join(_line(line, height, closed=piece.closed) for line in piece.lines)
    return f'<path class="{classes}" fill-rule="evenodd" d="{steps}">{about}</path>'


def _line(line: Iterable[Point], height: float, *, closed: bool) -> str:
    steps = " ".join(f"{'L' if index else 'M'}{_number(x)},{_number(height - y)}" for index, (x, y) in enumerate(line))
    return f"{steps} Z" if closed else steps


def _words(words: Words, height: float) -> str:
    x, y = words.at[0], height - words.at[1]
    turn = f' transform="rotate({_number(-words.turn_degrees)} {_number(x)} {_number(y)})"' if words.turn_degrees else ""
    classes = " ".join(name for name, holds in (("words", True), ("bold", words.bold), ("halo", words.halo)) if holds)
    return (
        f'<text class="{classes}" x="{_number(x)}" y="{_number(y + words.height_mm * 0.35)}" font-size="{_number(words.height_mm)}" '
        f'text-anchor="{words.anchor}"{turn}>{escape(words.text)}</text>'
    )


def _css(pen: Pen) -> str:
    dashes = f" stroke-dasharray: {' '.join(_number(dash) for dash in pen.dashes_mm)};" if pen.dashes_mm else ""
    return f"fill: {pen.fill or 'none'}; stroke: {pen.colour or 'none'}; stroke-width: {_number(pen.width_mm)};{dashes}"


def _number(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
