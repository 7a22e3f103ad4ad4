"""Features of KML and GML by their own elements: GDAL passes without a word over those that stand where it does not look for them."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final
from xml.parsers import expat

from geoseptic.errors import FileUnreadableError

SHAPES: Final = frozenset({"Point", "LineString", "LinearRing", "Polygon", "MultiGeometry", "Model", "Track", "MultiTrack"})
MEMBERS: Final = frozenset({"featureMember", "featureMembers", "member", "members"})
HREF: Final = "href"

Start = Callable[[str, Mapping[str, str], Sequence[str]], None]


def refuse_lost_of_kml(path: Path, shown: str, read: int) -> None:
    """Raises FileUnreadableError for a KML file that has more placemarks than were read, all its layers together, or one of two shapes."""
    places = 0
    twice: list[int] = []
    shapes = 0

    def start(name: str, marks: Mapping[str, str], above: Sequence[str]) -> None:
        nonlocal places, shapes
        if name.lower() == "placemark":
            places += 1
            shapes = 0
        elif name in SHAPES and above and above[-1].lower() == "placemark":
            shapes += 1
            if shapes == 2:
                twice.append(places)

    _go_through(path, shown, start)
    if twice:
        why = f"its placemark {twice[0]} has two shapes, of which one would be lost ({len(twice)} such)"
        raise FileUnreadableError(shown, why, "Put the shapes of one placemark into a MultiGeometry, or give each a placemark.")
    if places > read:
        why = f"it has {places} placemarks, and {read} of them are read"
        raise FileUnreadableError(shown, why, "Write each as 'Placemark', and all into one Document; or save the layer anew in a GIS.")


def refuse_lost_of_gml(path: Path, shown: str, layer: str, read: int) -> None:
    """Raises FileUnreadableError for a GML file that has more elements by the name of the layer than were read, or members elsewhere."""
    features = elsewhere = 0

    def start(name: str, marks: Mapping[str, str], above: Sequence[str]) -> None:
        nonlocal features, elsewhere
        features += name == layer and layer not in above
        elsewhere += name in MEMBERS and any(mark.rpartition(":")[2] == HREF for mark in marks)

    _go_through(path, shown, start)
    if elsewhere:
        why = f"{elsewhere} of its members only name a feature elsewhere, and would be lost"
        raise FileUnreadableError(shown, why, "Save it with the features in it.")
    if features > read:
        why = f"it has {features} features '{layer}', and {read} of them are read"
        raise FileUnreadableError(shown, why, "Save the layer anew in a GIS that shows all of them.")


def _go_through(path: Path, shown: str, start: Start) -> None:
    """Calls with the local name of every element as it opens, its marks, and the names of those that it is in."""
    above: list[str] = []

    def opened(name: str, marks: Mapping[str, str]) -> None:
        local = name.rpartition(":")[2]
        start(local, marks, above)
        above.append(local)

    parser = expat.ParserCreate()
    parser.StartElementHandler = opened
    parser.EndElementHandler = lambda _: above.pop()
    try:
        with path.open("rb") as file:
            parser.ParseFile(file)
    except expat.ExpatError as error:
        raise FileUnreadableError(shown, f"it is not whole XML ({error})", "It may be damaged: copy it again.") from error
