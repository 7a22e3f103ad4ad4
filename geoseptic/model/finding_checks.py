"""Tables of findings into values: every row that cannot be used is named, all at once."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoseptic.errors import GeosepticError, LayerContractError, nearest, raise_gathered
from geoseptic.model.checking import checked_columns, source_of
from geoseptic.model.finding_words import FIXTURES, fixture_names, plain_word, repeated_fixtures
from geoseptic.model.findings import Inspection, Key, Point, Run
from geoseptic.model.layers import FINDING_POINTS, FINDING_RUNS, Contract
from geoseptic.model.names import ALIKE, alike, near_matches, plain

LONGEST_M: Final = 1000.0
"""A longer run is a slip in the number or the unit."""
DEEPEST_M: Final = 20.0

BEFORE_A_TANK: Final = 2
FIRST_TANK: Final = 3
"""Orders of POINT_KINDS: water does not run from a tank or what is after it to what is before one."""

Faults = dict[str, list[str]]
Places = npt.NDArray[np.float64]
Columns = Mapping[str, npt.NDArray[np.generic]]


def checked_findings(
    points: pd.DataFrame, runs: pd.DataFrame, places_m: Places | None = None, parcels: Sequence[str | None] | None = None
) -> Inspection:
    """Hold both tables against their contracts and against each other.

    Parameters
    ----------
    points, runs : columns of FINDING_POINTS and FINDING_RUNS; `attrs["source"]` and `attrs["rows"]` name the file and its rows.
    places_m : float64 array, shape (points, 2), NaN where a place is not known; None: sketch columns, where there are any. [m]
    parcels : for each point the parcel on which it lies, where the points themselves do not say.

    Raises
    ------
    LayerContractError, SeveralErrors : every fault of either table.
    """
    refusals: list[GeosepticError] = []
    faults: Faults = {}
    found = _points(points, places_m, parcels, faults)
    if faults:
        refusals.append(LayerContractError("points", faults, source_of(points)))
    faults = {}
    read: list[Run] = []
    if refusals:
        # Which points there are is not known, so only the runs' own words can be looked at.
        _cells(runs, FINDING_RUNS, row_names(runs), faults)
    else:
        read = _runs(runs, found, faults)
    if faults:
        refusals.append(LayerContractError("runs", faults, source_of(runs)))
    raise_gathered(refusals)
    return Inspection(found, tuple(read), one_plane=places_m is not None)


def in_plain_words(table: pd.DataFrame, contract: Contract) -> pd.DataFrame:
    """The table with the words of its set columns as the lists have them, whatever their spelling."""
    found = table.copy()
    for column in contract.columns:
        if column.kind == "choice" and column.name in found.columns:
            raw = found[column.name].astype("string").fillna("")
            found[column.name] = [plain_word(column.name, word) for word in raw]
    return found


def row_names(table: pd.DataFrame) -> npt.NDArray[np.object_]:
    """What to call each row in a message: its line in the sheet, or its number in the layer, with its id."""
    rows = table.attrs.get("rows") or [f"feature {number}" for number in range(1, len(table) + 1)]
    ids = table["id"].astype("string").str.strip().fillna("") if "id" in table.columns else [""] * len(table)
    return np.array([f"{row} ({_id(own)})" if own else row for row, own in zip(rows, ids, strict=True)], object)


def _points(table: pd.DataFrame, places_m: Places | None, parcels: Sequence[str | None] | None, faults: Faults) -> dict[Key, Point]:
    names = row_names(table)
    cell = _cells(table, FINDING_POINTS, names, faults)
    if faults:
        return {}
    if not len(table):
        faults["it holds no point: one for the house and one for each thing that was found are needed"] = []
        return {}
    places = _sketch_m(cell, names, faults) if places_m is None else places_m
    owners = _owners(cell["parcel_id"], parcels, names, faults)
    found: dict[Key, Point] = {}
    listed: dict[tuple[str, str], str] = {}
    for row, name in enumerate(names):
        own_id, kind = _id(cell["id"][row]), str(cell["kind"][row])
        key = (owners[row], plain(own_id))
        if key in found:
            _add(faults, "the id is there twice on its property (small and capital letters count as the same)", name)
        fixtures = _fixtures(cell["fixtures"][row], name, faults)
        if kind == "fixture" and not fixtures:
            fixtures, _ = fixture_names(own_id)
            if len(fixtures) != 1:
                _add(faults, f"which fixture it is must be in its id or in the column fixtures: {', '.join(FIXTURES)}", name)
        elif kind == "fixture" and len(fixtures) > 1:
            _add(faults, "a point of kind fixture is one fixture: give each its own point", name)
        elif fixtures and kind not in ("building", "fixture"):
            _add(faults, "fixtures belong to a building or fixture; of what drains into a pit or tank, write a run", name)
        if kind == "building":
            for fixture in repeated_fixtures(str(cell["fixtures"][row] or "")):
                _add(faults, f"'{fixture}' is listed twice: add a word to each, such as '{fixture} upstairs'", name)
            for fixture in fixtures:
                other = listed.setdefault((owners[row], fixture), name)
                if other != name:
                    _add(faults, f"'{fixture}' is listed for two buildings: add a word, such as '{fixture} garage'", name)
        wells = cell["wells"][row]
        if not np.isnan(wells) and (wells < 0 or wells % 1):
            _add(faults, "wells must be a whole number, 0 or more", name)
        if cell["depth"][row] > DEEPEST_M:
            _add(faults, f"depth is over {DEEPEST_M:g} m: is the unit right?", name)
        x_m, y_m = places[row]
        found[key] = Point(
            key,
            own_id,
            kind,
            name,
            **{column: cell[column][row] or "" for column in ("material", "outlet", "outlet_baffle", "liquid", "state", "notes")},
            fixtures=fixtures,
            wells=None if np.isnan(wells) else int(wells),
            depth_m=float(cell["depth"][row]),
            xy_m=None if np.isnan(x_m) or np.isnan(y_m) else (float(x_m), float(y_m)),
        )
    return found


def _runs(table: pd.DataFrame, points: Mapping[Key, Point], faults: Faults) -> list[Run]:
    names = row_names(table)
    cell = _cells(table, FINDING_RUNS, names, faults)
    absent = [column for column in ("from_id", "to_id") if column not in table.columns]
    if absent:
        faults["no column; the ends of a run are named in them"] = absent
    if faults:
        return []
    by_id: dict[str, list[Key]] = defaultdict(list)
    for key in points:
        by_id[key[1]].append(key)
    owners = {key[0] for key in points}
    stated = [_id(value) for value in cell["parcel_id"]]
    for written, meant in near_matches([value for value in stated if value and value not in owners], owners):
        rows = [str(name) for name, value in zip(names, stated, strict=True) if value == written]
        faults[f"{_quoted((written, meant))} {ALIKE}: write the parcel_id as in the points, or tell the properties apart"] = rows
    if faults:
        return []
    found = []
    for row, name in enumerate(names):
        before = len(faults), sum(map(len, faults.values()))
        parcel = _id(cell["parcel_id"][row])
        from_key = _point(_id(cell["from_id"][row]), parcel, points, by_id, name, faults)
        to_key = _point(_id(cell["to_id"][row]), parcel, points, by_id, name, faults)
        run = Run(
            _id(cell["id"][row]) or str(name),
            str(name),
            parcel or (from_key or to_key or ("", ""))[0],
            from_key,
            to_key,
            str(cell["method"][row]),
            cell["direction"][row] == "up",
            _fixtures(cell["fixtures"][row], name, faults),
            {"yes": True, "no": False}.get(cell["flow"][row]),
            length_m=float(cell["length"][row]),
            depth_m=float(cell["depth"][row]),
            end_depth_m=float(cell["end_depth"][row]),
            notes=str(cell["notes"][row] or ""),
            date=str(cell["date"][row] or ""),
        )
        if (len(faults), sum(map(len, faults.values()))) == before:
            for fault in run_faults(run, points):
                _add(faults, fault, name)
        found.append(run)
    return found


def run_faults(run: Run, points: Mapping[Key, Point]) -> list[str]:
    """Why a run says nothing, or nothing that can be."""
    faults = []
    ends = [points[key] for key in (run.from_key, run.to_key) if key is not None]
    if run.from_key is None and run.to_key is None:
        faults.append("neither from_id nor to_id is given")
    elif run.from_key is None and not run.fixtures:
        faults.append("from_id is empty and no fixtures are named: where did the water come from?")
    elif run.from_key is None and run.upstream:
        faults.append("direction is up, but from_id, where it was pushed in, is empty")
    elif run.from_key == run.to_key:
        faults.append("from_id and to_id are the same point")
    if run.length_m > LONGEST_M:
        faults.append(f"length is over {LONGEST_M:g} m: is the unit right?")
    if max(run.depth_m, run.end_depth_m) > DEEPEST_M:
        faults.append(f"a depth is over {DEEPEST_M:g} m: is the unit right?")
    if run.by.strength is None:
        if len(ends) < 2 or np.isnan(run.length_m):
            faults.append("a tape needs from_id, to_id and length")
        return faults
    apart = [point for point in ends if point.is_a.role == "apart" and not (point.kind == "surfacing" and point.key == run.lower)]
    if apart:
        faults.append(f"no pipe leads to or from a {apart[0].kind}; for a measured distance the method is tape")
    upper, lower = (None if key is None else points[key] for key in (run.upper, run.lower))
    if lower is not None and (
        lower.is_a.role == "source"
        or (upper is not None and (lower.is_a.order or FIRST_TANK) <= BEFORE_A_TANK and (upper.is_a.order or 0) >= FIRST_TANK)
    ):
        start = upper.words if upper is not None else "the house"
        faults.append(
            f"water does not run from {start} to {lower.words}: where a camera was pushed against the water, direction is up"
            + ("; a run that begins at the house goes down" if run.upstream else "")
        )
    return faults


def _cells(table: pd.DataFrame, contract: Contract, names: npt.NDArray[np.object_], faults: Faults) -> dict[str, npt.NDArray[Any]]:
    """Every column of the contract; empty ones where the table does not have it."""
    problems: dict[str, Sequence[object]] = {}
    columns = checked_columns(in_plain_words(table, contract), contract, names, problems)
    faults |= {fault: [str(name) for name in rows] for fault, rows in problems.items()}
    numbers = ("length", "number")
    return {
        column.name: columns.get(column.name, np.full(len(table), np.nan if column.kind in numbers else None, None))
        for column in contract.columns
    }


def _sketch_m(cell: Columns, names: npt.NDArray[np.object_], faults: Faults) -> Places:
    """Places from x_ft and y_ft or x_m and y_m."""
    places = np.full((len(names), 2), np.nan)
    for unit, metres in (("ft", 0.3048), ("m", 1.0)):
        given = np.column_stack([cell[f"x_{unit}"], cell[f"y_{unit}"]]).astype(np.float64) * metres
        empty = np.isnan(given)
        half: npt.NDArray[np.bool_] = empty[:, 0] != empty[:, 1]
        both: npt.NDArray[np.bool_] = ~empty[:, 0] & ~empty[:, 1] & ~np.isnan(places[:, 0])
        for fault, rows in ((f"only one of x_{unit} and y_{unit}", half), ("a place in feet and one in metres", both)):
            for name in names[rows]:
                _add(faults, fault, str(name))
        places[~half & ~empty[:, 0]] = given[~half & ~empty[:, 0]]
    return places


def _owners(stated: npt.NDArray[Any], parcels: Sequence[str | None] | None, names: npt.NDArray[np.object_], faults: Faults) -> list[str]:
    """The property of each point; empty for all where there is only one that nobody named."""
    own = [_id(value) for value in stated]
    if parcels is not None:
        own = [value or (parcel or "") for value, parcel in zip(own, parcels, strict=True)]
    elif any(own):
        for name in (name for name, value in zip(names, own, strict=True) if not value):
            _add(faults, "empty parcel_id, although other points have one", str(name))
    for group in alike(value for value in own if value):
        # As two properties, a pit or sewage at the surface of the one would leave the other acceptable.
        fault = f"{_quoted(group)} {ALIKE}: write the parcel_id of one property the same in every row, and tell two properties apart"
        faults[fault] = [str(names[own.index(value)]) for value in group]
    return own


def _quoted(values: Sequence[str]) -> str:
    """Names side by side, with what nobody sees in them written out."""
    return " and ".join(ascii(value) if plain(value) != value.casefold() else f"'{value}'" for value in values)


def _point(written: str, parcel: str, points: Mapping[Key, Point], by_id: Mapping[str, list[Key]], name: str, faults: Faults) -> Key | None:
    if not written:
        return None
    own = parcel, plain(written)
    if own in points:
        return own
    keys = by_id.get(plain(written), [])
    if len(keys) == 1:
        return keys[0]
    if keys:
        _add(faults, f"several properties have a point '{written}': give the run a parcel_id", name)
    else:
        _add(faults, f"there is no point {nearest(written, by_id)}", name)
    return None


def _fixtures(written: object, name: str, faults: Faults) -> tuple[str, ...]:
    known, unknown = fixture_names(str(written or ""))
    for word in unknown:
        short = word if len(word) <= 40 else word[:37] + "..."
        _add(faults, f"fixtures: {nearest(short, FIXTURES)} is none of {', '.join(FIXTURES)} (a few more words may follow)", name)
    return known


def _id(value: object) -> str:
    """An id as text: 3.0 in a column of numbers is 3."""
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    text = str(value).strip()
    return text.removesuffix(".0") if text.removesuffix(".0").isdigit() else text


def _add(faults: Faults, fault: str, name: str) -> None:
    faults.setdefault(fault, []).append(str(name))
