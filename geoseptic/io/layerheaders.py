"""What the header of a vector layer tells before anything is read: its place, its kind, and which of its columns is which."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

from geoseptic.errors import GeosepticError, InputError, LayerContractError, nearest
from geoseptic.io.sourcekinds import open_source
from geoseptic.io.sources import NOTHING_STATED, Bounds, LayerHeader, Stated
from geoseptic.model.checking import DIMENSIONS, name_faults, refuse_unplaced
from geoseptic.model.layers import Contract

SHAPEFILE_NAME: Final = 10
"""Characters that a shapefile keeps of a column's name."""


def read_header(source: str, stated: Stated = NOTHING_STATED) -> LayerHeader:
    """The header of a layer; raises FileUnreadableError where there is no such file or layer, or none that can be read."""
    return open_source(source, stated).header


def refusals(
    header: LayerHeader,
    contract: Contract,
    columns: Mapping[str, str],
    words: Mapping[str, Mapping[str, str]],
) -> list[GeosepticError]:
    """Everything in the header for which a run would refuse the layer as `contract`.

    columns : contract column -> column of the file, where they differ.
    words : contract column -> word of the file -> word of the contract.
    """
    found: list[GeosepticError] = []
    try:
        refuse_unplaced(header.crs, contract.name, header.source)
    except InputError as error:
        found.append(error)
    names, problems = file_columns(contract, columns, header.fields)
    if not problems:
        here = [*names, *(field for field in header.fields if field not in names.values() and field.lower() not in contract.names)]
        problems |= name_faults(contract, here)
    absent = [column for column in words if column not in names]
    if absent:
        problems["words are mapped for columns that are not there; name them with --columns"] = absent
    if not header.geometry:
        problems["it has no shapes; make a layer of it in a GIS, such as points from columns of coordinates"] = []
    elif header.dimension is not None and header.dimension not in DIMENSIONS[contract.geometry]:
        problems[f"{contract.geometry} wanted, not {header.geometry}"] = []
    if problems:
        found.append(LayerContractError(contract.name, problems, header.source))
    return found


def header_bounds(header: LayerHeader) -> Bounds | None:
    """The bounds of all shapes, as the file states them where it does; None where no record has a shape."""
    return open_source(header.source, header.stated).bounds()


def file_columns(
    contract: Contract, mapped: Mapping[str, str], fields: Sequence[str]
) -> tuple[dict[str, str], dict[str, Sequence[object]]]:
    """Contract column -> column of the file, for those that are there, and what is wrong with the mapping. A length may stand under its
    name with a unit. `mapped` to nothing is a column that the file shall not bring; what is guessed is told by `guessed_columns`."""
    unknown = [nearest(name, contract.names) for name in mapped if name not in contract.names]
    by_lower = {field.lower(): field for field in reversed(fields)}
    left_out = {name for name, found in mapped.items() if not found}
    mapped = {name: found for name, found in mapped.items() if found}
    absent = [f"{name} = {nearest(found, fields)}" for name, found in mapped.items() if found.lower() not in by_lower]
    mapped = {name: found if found in fields else by_lower.get(found.lower(), found) for name, found in mapped.items()}
    problems: dict[str, Sequence[object]] = {}
    if unknown:
        problems[f"mapped columns that {contract.name} do not have (known: {', '.join(contract.names)})"] = unknown
    if absent:
        problems[f"mapped columns that are not in the file (it has {', '.join(fields)})"] = absent
    for column in contract.columns:
        cut = column.name[:SHAPEFILE_NAME]
        if (
            column.kind == "length"
            and len(column.name) > SHAPEFILE_NAME
            and cut in by_lower
            and not any(name in mapped for name in column.names if not name.endswith("_unit"))
        ):
            flag = f"--columns {contract.name}.{column.name}_ft={by_lower[cut]}"
            problems[f"the column name '{by_lower[cut]}' was cut, so its unit is lost. Say it with {flag} (or _m)"] = []
    if problems:
        return {}, problems
    found = {name: by_lower[name] for name in contract.names if name in by_lower and name not in mapped}
    for name, others in _other_names(contract).items():
        # A column of the file goes to one column of the contract, and to none where the user has mapped it elsewhere.
        free = [by_lower[other] for other in others if other in by_lower and by_lower[other] not in {*found.values(), *mapped.values()}]
        if free and name not in found and name not in mapped:
            found[name] = free[0]
    for column in contract.columns:
        free = [by_lower[name] for name in column.guesses if name in by_lower and by_lower[name] not in {*found.values(), *mapped.values()}]
        if not free or column.name in {*found, *mapped, *left_out}:
            continue
        found[column.name] = free[0]
        if len(free) > 1:
            flag = f"--columns {contract.name}.{column.name}=NAME"
            problems[f"no column '{column.name}', and more than one that may be it; say which ({flag}, nothing after = for none)"] = free
    if problems:
        return {}, problems
    # A mapped length replaces the same length under another unit's name.
    for name in mapped:
        stem = name.removesuffix("_m").removesuffix("_ft").removesuffix("_unit")
        for other in (stem, f"{stem}_m", f"{stem}_ft"):
            if other != name and not name.endswith("_unit"):
                found.pop(other, None)
    return {name: field for name, field in {**found, **mapped}.items() if name not in left_out}, {}


def guessed_columns(contract: Contract, mapped: Mapping[str, str], fields: Sequence[str]) -> dict[str, str]:
    """Of what `file_columns` finds, that which is a guess by a usual name and which nobody has stated."""
    found, _ = file_columns(contract, mapped, fields)
    guesses = {column.name: column.guesses for column in contract.columns}
    return {name: field for name, field in found.items() if name not in mapped and field.lower() in guesses.get(name, ())}


def guess_notes(contract: Contract, mapped: Mapping[str, str], fields: Sequence[str]) -> tuple[str, ...]:
    """What is to be told of the guesses, each a sentence without its end."""
    return tuple(
        f"its column {field} is taken for {name}, a guess by its name (--columns {contract.name}.{name}=NAME states another, nothing after "
        "= none)"
        for name, field in guessed_columns(contract, mapped, fields).items()
    )


def _other_names(contract: Contract) -> dict[str, list[str]]:
    """Contract column -> aliases, then the names cut as in shapefiles; a cut that two columns share is nobody's. No lengths: see Column."""
    known = set(contract.names)
    names = {column.name: (column.name, *map(str.lower, column.aliases)) for column in contract.columns if column.kind != "length"}
    bearers = Counter(cut for group in names.values() for cut in {name[:SHAPEFILE_NAME] for name in group})
    found = {}
    for column, group in names.items():
        cuts = (name[:SHAPEFILE_NAME] for name in group if len(name) > SHAPEFILE_NAME)
        found[column] = [*group[1:], *(cut for cut in cuts if bearers[cut] == 1 and cut not in known)]
    return found
