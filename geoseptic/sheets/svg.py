"""A drawing as SVG inside a page: classes for pens, words as text, and what each thing is on hovering."""

from collections.abc import Iterable
from html import escape
from typing import Final

from geoseptic.sheets.drawing import PENS, Circle, Drawing, Path, Pen, Point, Words
from geoseptic.sheets.legend import sample

FONT: Final = "Helvetica, Arial, 'Liberation Sans', sans-serif"


def svg_of(drawing: Drawing, label: str, name: str) -> str:
    """The drawing as an element of a page; `label` says what it shows to those who do not see it, `name` is unique on the page."""
    height = drawing.height_mm
    parts = [_piece(piece, height) for piece in drawing.pieces]
    return (
        f'<svg viewBox="0 0 {_number(drawing.width_mm)} {_number(height)}" role="img" aria-labelledby="{name}-label" '
        f'xmlns="http://www.w3.org/2000/svg"><title id="{name}-label">{escape(label)}</title>'
        f'<clipPath id="{name}-frame"><rect width="{_number(drawing.width_mm)}" height="{_number(height)}"/></clipPath>'
        f'<g clip-path="url(#{name}-frame)">{"".join(parts)}</g>'
        f'<rect class="frame outline" width="{_number(drawing.width_mm)}" height="{_number(height)}"/></svg>'
    )


def pens_css() -> str:
    """A rule for every pen."""
    return "\n".join(f"svg .{class_of(name)} {{ {_css(pen)} }}" for name, pen in PENS.items())


def class_of(pen: str) -> str:
    return f"pen-{pen.replace(' ', '-')}"


def sample_svg(pen: str) -> str:
    """A piece of what a pen draws, for a legend."""
    drawing = sample(pen)
    body = "".join(_piece(piece, drawing.height_mm) for piece in drawing.pieces)
    box = f"0 0 {_number(drawing.width_mm)} {_number(drawing.height_mm)}"
    return f'<svg class="sample" viewBox="{box}" aria-hidden="true">{body}</svg>'


def _piece(piece: Path | Circle | Words, height: float) -> str:
    if isinstance(piece, Words):
        return _words(piece, height)
    about = f"<title>{escape(piece.about)}</title>" if piece.about else ""
    if isinstance(piece, Circle):
        x, y = piece.centre
        place = f'cx="{_number(x)}" cy="{_number(height - y)}" r="{_number(piece.radius_mm)}"'
        return f'<circle class="{class_of(piece.pen)}" {place}>{about}</circle>'
    outline = "" if piece.closed else " outline"
    steps = " ".join(_line(line, height, closed=piece.closed) for line in piece.lines)
    return f'<path class="{class_of(piece.pen)}{outline}" fill-rule="evenodd" d="{steps}">{about}</path>'


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
