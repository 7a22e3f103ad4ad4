"""Where round a house a buried tank or pit is looked for, and what counts as wet ground, as data."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from geoseptic.model.citation import Citation

FALLS: Final = "falls"
LEVEL: Final = "level"
RISES: Final = "rises"
HEIGHT_UNKNOWN: Final = "height_unknown"
STRAIGHT_OUT: Final = "straight_out"
ASLANT: Final = "aslant"
AWAY: Final = "away"
PAVED: Final = "paved"
NEAR_WELL: Final = "near_well"

FACTORS: Final = (FALLS, LEVEL, RISES, HEIGHT_UNKNOWN, STRAIGHT_OUT, ASLANT, AWAY, PAVED, NEAR_WELL)


@dataclass(frozen=True)
class Band:
    """Ground from `from_m` to `to_m` off the wall, and what may be in it."""

    from_m: float
    to_m: float
    weight: float
    look_for: str
    citation: Citation


@dataclass(frozen=True)
class Factor:
    """What ground of some kind is worth beside other ground of the same lot, above 0 and at most 1."""

    weight: float
    words: str
    citation: Citation


@dataclass(frozen=True)
class SearchRules:
    """Bands from the wall outward without a gap, and factors for each of `FACTORS`.

    level_within_m : ground counts as level where it falls or rises no more over the widest band. [m]
    near_well_m : how far from a known well the factor holds. [m]
    smoothed_over_m : side of the window that one height is read from. [m]
    straight_degrees, aslant_degrees : half of the fans in front of a sewer exit, which start `behind_the_wall_m` inside.
    """

    bands: tuple[Band, ...]
    factors: Mapping[str, Factor]
    level_within_m: float
    near_well_m: float
    smoothed_over_m: float
    straight_degrees: float
    aslant_degrees: float
    behind_the_wall_m: float
    citation: Citation

    @property
    def reach_m(self) -> float:
        """The farthest from the wall that is looked at."""
        return self.bands[-1].to_m


@dataclass(frozen=True)
class WetRules:
    """What counts as wet ground beside the rest of the county.

    share_of_cells : the wettest part of the cells by an index. [1]
    least_share : share of the ground looked at that lies there. [1]
    pit_depth_m : water that comes nearer to the surface stands in an old pit. [m]
    stream_area_m2 : ground that makes a stream where it drains through one cell.
    """

    share_of_cells: float
    least_share: float
    pit_depth_m: float
    stream_area_m2: float
    citation: Citation
