"""What each value of an output means and how it is drawn; every style file, colour table and legend comes from here.

Colours are our own choice: safe for the common kinds of colour blindness, and ordered in lightness so that a black and white
print still reads.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal


@dataclass(frozen=True)
class Swatch:
    """One value with its name. `colour` is "#rrggbb"; `hatch` draws it dashed or hatched where the host can.

    `opacity` runs from 0 (not drawn) to 1.
    """

    value: int | float | str
    name: str
    colour: str
    hatch: bool = False
    opacity: float = 1.0


@dataclass(frozen=True)
class ClassLegend:
    """A raster of classes: each value has a name and a colour.

    `unknown` is how the raster's unknown code (nodata in a file) is drawn; None leaves it transparent.
    """

    title: str
    swatches: tuple[Swatch, ...]
    unknown: Swatch | None = None


@dataclass(frozen=True)
class RampLegend:
    """A raster of measured values: colours are interpolated between the stops, whose values ascend and are in `unit`.

    `unknown` is how unknown cells (nodata in a file) are drawn; None leaves them transparent.
    """

    title: str
    unit: str
    stops: tuple[Swatch, ...]
    unknown: Swatch | None = None


@dataclass(frozen=True)
class BitLegend:
    """A raster of reasons: bit n set means swatch n applies (`value` is the bit number); a cell shows its highest set bit's colour.

    The highest and not the lowest, because hosts can draw that for every combination: all values of one highest bit lie between two
    powers of two. `clear` names the value 0, which is not drawn; `unknown` is as for a ClassLegend.
    """

    title: str
    swatches: tuple[Swatch, ...]
    clear: str
    unknown: Swatch | None = None


@dataclass(frozen=True)
class NumberLegend:
    """A raster of numbers that another layer names: the colours tell neighbours apart and mean nothing else.

    `numbers`, ascending, are those that may come, with their names and colours. Unknown cells (nodata in a file) are not drawn.
    """

    title: str
    numbers: tuple[int, ...]
    names: tuple[str, ...]
    colours: tuple[str, ...]

    @cached_property
    def swatches(self) -> Mapping[int, Swatch]:
        """The swatch of each number."""
        told = zip(self.numbers, self.names, self.colours, strict=True)
        return {number: Swatch(number, name, colour) for number, name, colour in told}


@dataclass(frozen=True)
class VectorLegend:
    """A vector layer, one symbol per value of `column`, or one symbol in all where `column` is None.

    `hatched` is a (column, value) pair: features that have it keep their colour and are hatched or dashed. `groups` parts the layer by a
    column whose values are given with their names, in order: only the first group that the layer holds is drawn until the reader
    ticks another. `fill_opacity` lets the map below show through polygons; the more they overlap, the less it should be. `label` is a
    column whose values are written beside the features where the map is drawn from nearby.
    """

    title: str
    geometry: Literal["polygon", "line", "point"]
    column: str | None
    swatches: tuple[Swatch, ...]
    hatched: tuple[str, str] | None = None
    groups: tuple[str, tuple[tuple[str, str], ...]] | None = None
    fill_opacity: float = 0.55
    label: str | None = None


RasterLegend = ClassLegend | RampLegend | BitLegend | NumberLegend
