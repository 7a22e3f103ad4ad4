"""Every way in which an input can be refused, each a class of its own.

An error names the layer, the features and what to do. Each one is also a builtin (ValueError, LookupError, ...), so a
caller who knows nothing of geoseptic can still catch it. `exit_code` is what a script ends with.
"""

from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches

PRINTED_IDS = 20
"""How many feature ids a message prints; the error's attribute holds all of them."""


class GeosepticError(Exception):
    """Anything that geoseptic refuses."""

    exit_code = 3


class InputError(GeosepticError, ValueError):
    """An input that cannot be used as it is."""


class ParameterError(GeosepticError, ValueError):
    """A parameter outside its declared range, or unknown."""

    exit_code = 2


class UnnamedSoilError(ParameterError):
    """A soil that the rule set does not name; `named` says which ones it does."""

    def __init__(self, rules: str, soil: str, soils: Sequence[str]) -> None:
        self.why, self.named = f"rule set '{rules}' names no soil '{soil}'", f"It names: {', '.join(soils)}."
        super().__init__(f"{self.why}. {self.named}")


class SizingError(InputError):
    """Parcels of which none has a field that can be sized, for what is on record of them."""


class OutputExistsError(GeosepticError, FileExistsError):
    """The output folder already holds one of the outputs and --overwrite was not given."""

    exit_code = 2

    def __init__(self, folder: str, names: Sequence[str]) -> None:
        super().__init__(f"{folder} already holds {listed(names)}. Choose another folder or pass --overwrite to replace them.")
        self.names = tuple(names)


class TablesExistError(GeosepticError, FileExistsError):
    """A schema already holds one of the tables, and --overwrite was not given or would replace what is not of the same file."""

    exit_code = 2

    def __init__(self, schema: str, names: Sequence[str], foreign: Sequence[str] = ()) -> None:
        if foreign:
            text = (
                f"{schema} holds {listed(foreign)}, which no run that writes the same file has made: --overwrite does not replace that. "
                "Choose another schema."
            )
        else:
            text = f"{schema} already holds {listed(names)}. Choose another schema or pass --overwrite to replace them."
        super().__init__(text)
        self.names = (*names, *foreign)


class DatabaseRefusedError(GeosepticError, OSError):
    """A database that results cannot be written to; `left` is what is there of them."""

    def __init__(self, address: str, why: str, todo: str, left: str = "Nothing was written there.") -> None:
        super().__init__(f"{address} cannot be written to: {why}. {left} {todo}")
        self.why, self.todo = why, todo


class OutputInUseError(GeosepticError, OSError):
    """An output that is to be replaced is open in another program, whose unsaved changes would end up in the new file."""

    def __init__(self, folder: str, names: Sequence[str]) -> None:
        super().__init__(
            f"{folder}: {listed(names)} is open in another program. Close it there and run again, or choose another folder. If none has it "
            "open, delete the file of that name with -wal, -shm or -journal after it, which a crash has left."
        )
        self.names = tuple(names)


class OutputLockedError(GeosepticError, OSError):
    """Another run holds the output folder. `holder` says which, in words."""

    def __init__(self, folder: str, holder: str, shared: str = "") -> None:
        todo = "Wait until it ends, end it, or choose another folder."
        if shared:
            todo = (
                f"The folder's file system ({shared}) does not tell whether that run still goes on. If it does not, delete the file "
                ".geoseptic-lock there and run again; else wait, or choose another folder."
            )
        super().__init__(f"{folder} is held by another run: {holder}. {todo}")
        self.holder = holder


class UnfinishedOutputsError(GeosepticError, OSError):
    """Outputs that lie ready could neither be put in their place nor taken back."""

    def __init__(self, folder: str, putting: str, why: object) -> None:
        super().__init__(
            f"{folder}: not all outputs are in their place ({why}). Nothing is lost: what is missing lies in {putting}, the files of "
            "before in .before there. Close whatever has files of that folder open and run again: that is finished first."
        )


class DiskFullError(GeosepticError, OSError):
    """A working file could not be written; nothing of the outputs was."""


class WorkerLostError(GeosepticError, RuntimeError):
    """A worker process ended before its time; nothing was written."""


class SeveralErrors(GeosepticError, ValueError):
    """Several refusals that were found together, each in `errors`."""

    def __init__(self, errors: Sequence[GeosepticError]) -> None:
        super().__init__("\n".join([f"{len(errors)} things hinder the run:", *(f"({n}) {error}" for n, error in enumerate(errors, 1))]))
        self.errors = tuple(errors)
        self.exit_code = max(error.exit_code for error in errors)


class UnknownUnitError(InputError):
    """A word that is no unit of length here; the message lists those that are."""

    def __init__(self, unit: str, known: Sequence[str]) -> None:
        super().__init__(f"'{unit}' is not a unit of length that is known here. Use one of: {', '.join(known)}.")
        self.unit = unit


class FileUnreadableError(InputError, OSError):
    """A file, layer or table that is not there or cannot be read: `why`, and `todo`, what to do about it."""

    def __init__(self, path: str, why: str, todo: str) -> None:
        super().__init__(f"{path} cannot be read: {why}. {todo}")
        self.path, self.why, self.todo = path, why, todo


class InputChangedError(InputError, OSError):
    """Inputs that were written to while the run went on: what was read of them belongs to no state that they ever had."""

    def __init__(self, names: Sequence[str]) -> None:
        super().__init__(
            f"{listed(names)} changed while the run went on. Nothing was written. See to it that nobody writes there (a copy is safe), and "
            "run again."
        )
        self.names = tuple(names)


class MissingCrsError(InputError):
    """A layer or raster without a coordinate reference system; `how_to_state` tells how the user may state it himself."""

    def __init__(self, layer: str, source: str = "", how_to_state: str = "") -> None:
        if source.lower().endswith(".asc"):
            how = "into a .prj file of the same name beside it (gdalsrsinfo -o wkt1_esri EPSG:CODE > NAME.prj)"
        elif source.lower().endswith((".tif", ".tiff", ".img")):
            how = "into the file (gdal_edit.py -a_srs EPSG:CODE FILE)"
        else:
            how = "into the file (for a shapefile: the .prj beside it)"
        super().__init__(
            f"{named(layer, source)} has no coordinate reference system, so nothing can be measured. Ask its owner which one it is in, "
            f"and write that {how}{how_to_state}."
        )
        self.layer = layer


class GeographicCrsError(InputError):
    """A layer or raster in degrees, where distances are to be measured."""

    def __init__(self, layer: str, crs: str, source: str = "") -> None:
        super().__init__(
            f"{named(layer, source)} is in degrees ({crs}); distances need metres or feet. Reproject it to a projected CRS, such as the "
            "UTM or state plane zone of the place, and run again."
        )
        self.layer, self.crs = layer, crs


class GeocentricCrsError(InputError):
    """A layer whose coordinates are counted from the middle of the Earth."""

    def __init__(self, layer: str, crs: str, source: str = "") -> None:
        super().__init__(
            f"{named(layer, source)} is in a geocentric system ({crs}): its coordinates are distances from the middle of the Earth, "
            "none along its surface. Reproject it to the UTM or state plane zone of the place and run again."
        )
        self.layer, self.crs = layer, crs


class LocalCrsError(InputError):
    """A layer in a system that is tied to no place on Earth."""

    def __init__(self, layer: str, crs: str, source: str = "") -> None:
        super().__init__(
            f"{named(layer, source)} is in a local system ({crs}) that is tied to no place on Earth, so nothing else can be laid over it. "
            "Reproject it to the UTM or state plane zone of the place and run again."
        )
        self.layer, self.crs = layer, crs


class DistortedCrsError(InputError):
    """A layer in a system that does not keep lengths where the layer lies."""

    def __init__(self, layer: str, crs: str, scale: float, source: str = "", swapped: bool = False) -> None:
        todo = "Reproject it to the UTM or state plane zone of the place"
        if swapped:
            todo = f"With x and y exchanged it would lie where {crs} is made for: its axes are probably swapped. Exchange them"
        super().__init__(
            f"{named(layer, source)} is in {crs}, where a length of 100 on the ground reads {100 * scale:.2f} at this place: every setback "
            f"would be wrong. {todo} and run again."
        )
        self.layer, self.crs, self.scale = layer, crs, scale


class DatumShiftError(InputError):
    """A layer whose datum is not the frame's, and no way from one to the other that does not leave the change out."""

    def __init__(self, layer: str, crs: str, frame: str, grids: Sequence[str], source: str = "") -> None:
        if grids:
            todo = (
                f"A way is known that needs the grid files {listed(grids)}, which are not on this machine: let PROJ fetch them "
                "(PROJ_NETWORK=ON in the environment), put them into its data folder, or reproject the layer in a GIS that has them"
            )
        else:
            todo = "Ask the layer's owner for its true CRS and datum, or reproject it in a GIS by a transformation that he names"
        super().__init__(
            f"{named(layer, source)} is in {crs}, which stands on another datum than {frame}, and only a ballpark transformation is at "
            f"hand, which leaves the difference out: all of it would be in the wrong place by an unknown length. {todo}, and run again."
        )
        self.layer, self.crs, self.grids = layer, crs, tuple(grids)


class WebMercatorError(InputError):
    """A layer in the projection of web maps, whose metres are none."""

    def __init__(self, layer: str, crs: str, source: str = "") -> None:
        super().__init__(
            f"{named(layer, source)} is in Web Mercator ({crs}), whose metres are 15 to 100 percent too long at 30 to 60 degrees of "
            "latitude: every setback would be wrong. Reproject it to the UTM or state plane zone of the place and run again."
        )
        self.layer, self.crs = layer, crs


class GridError(InputError):
    """A raster whose cells are not square, not north-up, or empty."""


class VerticalUnitError(InputError):
    """The unit of the heights is not known, or contradicts what was stated."""


class ElevationValueError(InputError):
    """Heights that cannot be heights, such as an undeclared -9999."""


class HeightScaleError(InputError):
    """The scale of stored heights that was stated contradicts the file's own."""


class MosaicError(InputError):
    """A VRT whose tiles GDAL would fill up, stretch or lay over each other; each of `faults` names the tile."""

    def __init__(
        self,
        source: str,
        faults: Sequence[str],
        todo: str = "Build it anew (gdalbuildvrt) of tiles that are alike, or make one GeoTIFF of them (gdalwarp).",
    ) -> None:
        super().__init__(f"{source} is put together of tiles in a way that cannot be trusted:\n{_lines(faults)}\n{todo}")
        self.source, self.faults = source, tuple(faults)


class NoOverlapError(InputError):
    """Two inputs that cover no common ground."""

    def __init__(self, first: str, first_bounds: Sequence[float], second: str, second_bounds: Sequence[float]) -> None:
        super().__init__(
            f"{first} and {second} do not overlap: {first} covers {box(first_bounds)}, {second} covers {box(second_bounds)}. "
            f"{_probable_cause(first, first_bounds, second_bounds)}"
        )


def _probable_cause(first: str, bounds: Sequence[float], others: Sequence[float]) -> str:
    """The slip without which the bounds would meet the others', if there is one."""
    left, bottom, right, top = bounds
    slips = {
        f"With x and y of {first} exchanged they would meet: its axes are probably swapped": (bottom, left, top, right),
        f"With the coordinates of {first} taken for feet they would meet: its CRS is probably declared in metres and is in feet": tuple(
            0.3048 * edge for edge in bounds
        ),
        f"With the coordinates of {first} taken for metres they would meet: its CRS is probably declared in feet and is in metres": tuple(
            edge / 0.3048 for edge in bounds
        ),
    }
    for cause, (west, south, east, north) in slips.items():
        if west <= others[2] and east >= others[0] and south <= others[3] and north >= others[1]:
            return f"{cause}. Compare a corner with a map, declare the true CRS and run again."
    return "One of them is of another place, or its CRS is declared wrongly."


class NoFeaturesInRangeError(InputError):
    """A layer that the answer hangs on has nothing near the place."""

    def __init__(self, layer: str, source: str, count: int, place: str) -> None:
        held = f"holds {count} features, none of them" if count else "is empty: no feature"
        super().__init__(
            f"{named(layer, source)} {held} is near the {place}. No {layer} on record does not mean no {layer}: check that the file "
            "is of this place and its CRS is right, and add what is known from the ground."
        )
        self.layer = layer


class LayerContractError(InputError):
    """One layer with all its faults: `problems` maps each fault to every feature id that has it."""

    def __init__(self, layer: str, problems: Mapping[str, Sequence[object]], source: str = "") -> None:
        lines = [f"{named(layer, source)} cannot be used:"]
        for problem, ids in problems.items():
            lines.append(f"  - {problem}" + (f": {listed(ids)}" if ids else ""))
        super().__init__("\n".join(lines))
        self.layer = layer
        self.problems = {problem: tuple(ids) for problem, ids in problems.items()}


class GeometryRepairError(InputError):
    """Shapes of which nothing is left when they are mended, where those are most of a layer."""

    def __init__(self, layer: str, feature_ids: Sequence[object], why: str) -> None:
        super().__init__(f"{layer}: {why} in {listed(feature_ids)}. Mend these features in a GIS and run again.")
        self.layer, self.feature_ids = layer, tuple(feature_ids)


class RuleFileError(InputError):
    """A rule set that is not well formed; the message names the file, the entry and what is wrong."""

    def __init__(self, source: str, where: str, why: str) -> None:
        super().__init__(f"rule set {source}, {where}: {why}")
        self.source, self.where = source, where


class FieldSheetError(InputError):
    """A percolation field sheet with every line that cannot be read."""

    def __init__(self, source: str, faults: Sequence[str]) -> None:
        super().__init__(f"field sheet {source} cannot be used:\n" + _lines(faults))
        self.faults = tuple(faults)


class PercolationTestError(InputError):
    """A percolation test that gives no rate under the code's rule; each fault names the hole and the reading."""

    def __init__(self, rules: str, faults: Sequence[str]) -> None:
        super().__init__(f"the percolation test gives no rate under rule set '{rules}':\n" + _lines(faults))
        self.faults = tuple(faults)


class CodeSilentError(GeosepticError, LookupError):
    """The code gives no value for this part and feature. That is no permission: ask the health authority."""

    def __init__(self, rules: str, what: str) -> None:
        super().__init__(
            f"rule set '{rules}' is silent on {what}. Silence is not zero: ask the health authority, add its value to a county rule set "
            "that extends this one, or leave that layer out."
        )
        self.rules, self.what = rules, what


def listed(ids: Sequence[object]) -> str:
    """The first ids for a message, and how many more there are."""
    shown = ", ".join(str(value) for value in ids[:PRINTED_IDS])
    more = len(ids) - PRINTED_IDS
    return f"{shown} and {more} more" if more > 0 else shown


def raise_gathered(errors: Sequence[GeosepticError]) -> None:
    """Raise the refusals that were gathered: a single one itself, several as SeveralErrors, none not at all."""
    if len(errors) == 1:
        raise errors[0]
    if errors:
        raise SeveralErrors(errors)


def nearest(name: str, known: Iterable[str]) -> str:
    """The name with the known one that was probably meant, for a message."""
    by_lower = {word.lower(): word for word in known}
    meant = get_close_matches(name.lower(), by_lower, 1)
    return f"'{name}' (did you mean '{by_lower[meant[0]]}'?)" if meant else f"'{name}'"


def _lines(faults: Sequence[str]) -> str:
    more = len(faults) - PRINTED_IDS
    return "\n".join([*(f"  - {fault}" for fault in faults[:PRINTED_IDS]), *([f"  - and {more} more"] if more > 0 else [])])


def named(layer: str, source: str) -> str:
    """A layer and, where it is known, its file."""
    return f"{layer} ({source})" if source else layer


def box(bounds: Sequence[float]) -> str:
    """Bounds in words, to a tenth of their unit."""
    left, bottom, right, top = bounds
    return f"x {left:.1f} to {right:.1f}, y {bottom:.1f} to {top:.1f}"
