"""What a user states of a table whose rows are to become points."""

from dataclasses import dataclass

from pyproj import CRS

from geoseptic.io.sections import Sections


@dataclass(frozen=True)
class PlacesStated:
    """How the places of a table are read.

    layer : name of the layer, for messages and flags.
    columns : column of a place or of the contract -> column of the table, as pairs.
    datum : datum or CRS of the coordinates, `unknown` where the user says so, empty where he says nothing.
    angles : `packed` (471230 is 47 12 30), `decimal` (47.1230 is no 47 12 30); empty: whatever may be either is refused.
    unplaced : what becomes of a table with wells whose place cannot be told: refused, or they are left out and told.
    sections : sections of the public land survey, by which land descriptions are placed.
    around : bounds of the parcels or the elevation and their CRS, by which slips are found; None: not known.
    keeps_error : whether the layer's contract has a location error; without one no rough place can be taken.
    assumed_error_m : the error of a well that states none. [m]
    """

    layer: str
    columns: tuple[tuple[str, str], ...] = ()
    datum: str = ""
    angles: str = ""
    unplaced: str = "refuse"
    sections: Sections | None = None
    around: tuple[tuple[float, float, float, float], CRS] | None = None
    keeps_error: bool = True
    assumed_error_m: float = 15.24
