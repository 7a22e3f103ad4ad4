"""What an inspector found, as values: points, runs between them, and the property each belongs to."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import hypot, nan

from geoseptic.model.finding_words import METHODS, POINT_KINDS, Method, PointKind

Key = tuple[str, str]
"""A point: its property, and its id without capitals."""


@dataclass(frozen=True)
class Point:
    """One point. Words that were left empty are empty; `where` is its place in the file, `xy_m` in the plane, None where not known."""

    key: Key
    id: str
    kind: str
    where: str
    material: str = ""
    outlet: str = ""
    outlet_baffle: str = ""
    liquid: str = ""
    state: str = ""
    fixtures: tuple[str, ...] = ()
    wells: int | None = None
    depth_m: float = nan
    xy_m: tuple[float, float] | None = None
    notes: str = ""

    @property
    def is_a(self) -> PointKind:
        return POINT_KINDS[self.kind]

    @property
    def words(self) -> str:
        """Its kind and name, as 'pit P1'."""
        return f"{self.kind.replace('_', ' ')} {self.id}"


@dataclass(frozen=True)
class Run:
    """One run. `from_key` is where camera, dye or water went in, `to_key` what was reached, None where nothing was.

    upstream : it was pushed against the water.
    flow : whether water run in `fixtures` (or put in at the upper end) came out at the lower end; None where nobody noted it.
    length_m, depth_m, end_depth_m : NaN where not known. [m]
    """

    name: str
    where: str
    parcel: str
    from_key: Key | None
    to_key: Key | None
    method: str
    upstream: bool = False
    fixtures: tuple[str, ...] = ()
    flow: bool | None = None
    length_m: float = nan
    depth_m: float = nan
    end_depth_m: float = nan
    notes: str = ""
    date: str = ""

    @property
    def by(self) -> Method:
        return METHODS[self.method]

    @property
    def upper(self) -> Key | None:
        """Where the water comes from."""
        return self.to_key if self.upstream else self.from_key

    @property
    def lower(self) -> Key | None:
        """Where the water goes."""
        return self.from_key if self.upstream else self.to_key


@dataclass(frozen=True)
class Inspection:
    """All findings of one or many properties. `one_plane`: places of different properties are in one plane, not each in its own sketch.

    place_error_m : how far a distance between two places may be off; 1.5 is our own choice for points set with care. [m]
    """

    points: Mapping[Key, Point]
    runs: tuple[Run, ...]
    one_plane: bool = False
    place_error_m: float = 1.5

    @property
    def parcels(self) -> tuple[str, ...]:
        return tuple(sorted({key[0] for key in self.points}))

    def straight_m(self, one: Key, other: Key) -> float:
        """Straight distance between two points by their places; NaN where one is not known. [m]"""
        a, b = self.points[one].xy_m, self.points[other].xy_m
        if a is None or b is None or not (self.one_plane or one[0] == other[0]):
            return nan
        return hypot(a[0] - b[0], a[1] - b[1])
