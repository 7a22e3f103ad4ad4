"""A drawing on paper: lines, areas, circles and words in millimetres, from the lower left corner, whoever writes it down."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

Point = tuple[float, float]
"""East and north on the paper. [mm]"""


@dataclass(frozen=True)
class Pen:
    """How something is drawn: width of the line and its dashes in mm, and shades as "#rrggbb"; None draws no line or no fill."""

    width_mm: float = 0.18
    colour: str | None = "#000000"
    dashes_mm: tuple[float, ...] = ()
    fill: str | None = None


@dataclass(frozen=True)
class Path:
    """Rings or lines drawn as one: where they are closed, those inside of others are holes. `about` says what it is."""

    lines: tuple[tuple[Point, ...], ...]
    closed: bool
    pen: str
    about: str = ""


@dataclass(frozen=True)
class Circle:
    """A circle on the paper."""

    centre: Point
    radius_mm: float
    pen: str
    about: str = ""


@dataclass(frozen=True)
class Words:
    """One line of text.

    `anchor` is the end that stands at the place; `turn_degrees` is against the clock. `halo` clears the ground below it.
    """

    text: str
    at: Point
    height_mm: float
    anchor: str = "start"
    turn_degrees: float = 0.0
    bold: bool = False
    halo: bool = False


Piece = Path | Circle | Words


@dataclass(frozen=True)
class Drawing:
    """What is drawn, in order, on a frame of that width and height; nothing of it shows outside of the frame."""

    width_mm: float
    height_mm: float
    pieces: tuple[Piece, ...] = field(default=())


def symbol(pen: str, at: Point, radius_mm: float, about: str = "") -> tuple[Piece, ...]:
    """A well, a hole or a pit: a circle, a well's with a cross in it, and a square for a pit."""
    x, y = at
    if pen == "pit":
        corners = (
            (x - radius_mm, y - radius_mm),
            (x + radius_mm, y - radius_mm),
            (x + radius_mm, y + radius_mm),
            (x - radius_mm, y + radius_mm),
        )
        return (Path((corners,), True, pen, about),)
    ring = Circle(at, radius_mm, pen, about)
    if pen != "well":
        return (ring,)
    arms = (((x - radius_mm, y), (x + radius_mm, y)), ((x, y - radius_mm), (x, y + radius_mm)))
    return (ring, Path(arms, False, "well cross"))


PENS: Final[Mapping[str, Pen]] = MappingProxyType(
    {
        "frame": Pen(0.35),
        "contour": Pen(0.1, "#8c8c8c"),
        "index contour": Pen(0.22, "#8c8c8c"),
        "neighbour": Pen(0.18, "#4d4d4d", (5.0, 1.2, 0.8, 1.2)),
        "lot line": Pen(0.6, "#000000", (7.0, 1.4, 1.0, 1.4, 1.0, 1.4)),
        "lot corner": Pen(0.25, "#000000", fill="#ffffff"),
        "building": Pen(0.35, "#000000", fill="#ffffff"),
        "building hatch": Pen(0.1, "#4d4d4d"),
        "paving": Pen(0.18, "#4d4d4d", fill="#ececec"),
        "water": Pen(0.3, "#1f4e79", fill="#e3edf5"),
        "water line": Pen(0.3, "#1f4e79", (2.4, 0.9)),
        "other": Pen(0.22, "#333333", (1.6, 0.8)),
        "well": Pen(0.35, "#000000", fill="#ffffff"),
        "well cross": Pen(0.35),
        "place of well": Pen(0.22, "#000000", (0.7, 0.7)),
        "setback": Pen(0.25, "#5a1e5c", (3.0, 0.9)),
        "open setback": Pen(0.2, "#5a1e5c", (0.5, 0.8)),
        "envelope": Pen(0.2, "#2a5d8a", (1.2, 0.7)),
        "field": Pen(0.3, "#000000"),
        "trench": Pen(0.22, "#000000", fill="#9fbfbb"),
        "reserve": Pen(0.3, "#000000", (2.0, 1.0)),
        "reserve trench": Pen(0.16, "#333333", (1.0, 0.6)),
        "tank": Pen(0.4, "#000000", fill="#cccccc"),
        "sewer": Pen(0.5),
        "effluent": Pen(0.35, "#000000", (2.6, 0.8)),
        "way of water": Pen(0.3, "#1f4e79", (0.4, 1.0)),
        "hole": Pen(0.3, "#000000", fill="#ffffff"),
        "pit": Pen(0.3, "#000000", fill="#000000"),
        "dimension": Pen(0.13),
        "arrow": Pen(0.13, "#000000", fill="#000000"),
        "leader": Pen(0.1, "#4d4d4d"),
        "scale": Pen(0.25, "#000000", fill="#000000"),
        "scale gap": Pen(0.25, "#000000", fill="#ffffff"),
        "line in doubt": Pen(0.14, "#4d4d4d", (0.3, 0.9)),
        "circle of well": Pen(0.22, "#000000", (0.7, 0.7)),
        "square of well": Pen(0.25, "#000000", (2.4, 0.7, 0.5, 0.7)),
        "lot of well": Pen(0.22, "#000000", (0.7, 0.7)),
        "lot of well hatch": Pen(0.12, "#4d4d4d", (0.9, 0.9)),
        "envelope in doubt": Pen(0.16, "#4d4d4d", (0.4, 0.9)),
        "field in doubt": Pen(0.26, "#000000", (0.7, 0.7)),
        "trench in doubt": Pen(0.14, "#4d4d4d", (0.7, 0.7)),
    }
)
"""General drafting practice: what is to be built is heavier than what is there, boundaries are chains of dashes, what is below the ground
or not sure is dashed. Every class can be told without its colour."""

HATCHES: Final[Mapping[str, tuple[str, float]]] = MappingProxyType(
    {"building": ("building hatch", 1.6), "lot of well": ("lot of well hatch", 4.0)}
)
"""Pens whose areas are hatched, with the pen of the hatch and how far its lines are apart, along the paper's edge. [mm]"""

DOUBTFUL: Final = frozenset(
    {
        "line in doubt", "circle of well", "square of well", "lot of well", "lot of well hatch", "envelope in doubt", "field in doubt",
        "trench in doubt",
    }
)  # fmt: skip
"""Pens of what is drawn only where it is known how sure it is."""
