"""What a part keeps its distance from: every feature of every layer in one table."""

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, fields
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from geoseptic.errors import LayerContractError
from geoseptic.model.checking import CheckedLayer
from geoseptic.model.frame import Geometries
from geoseptic.model.layers import LOCATION_METHODS, WATER_KINDS, WELL_KINDS
from geoseptic.model.rules import FEATURES
from geoseptic.parcels.repair import keep_clear
from geoseptic.units import in_both_units

QUARTER_QUARTER_M: Final = 402.336
"""Side of a quarter-quarter section, 1,320 ft: a sixteenth of a square mile (blm1973manual in data/references.toml)."""

SECTION_M: Final = 1609.344
"""Side of a section, 5,280 ft."""

LEAST_ERROR_M: Final = {"quarter_quarter": QUARTER_QUARTER_M * math.sqrt(0.5), "section": SECTION_M * math.sqrt(0.5)}
"""A well at the middle of such a square may lie at its corner, whatever less is stated."""

ON_ITS_LOT_M: Final = 152.4
"""500 ft, the error of a well that is placed by its lot or its address and states none. Common practice, no source."""

BY_LOT: Final = ("address", "parcel_centroid")
"""Methods by which a well is somewhere on a lot."""

OPPOSITE = {"basement": "no_basement", "lined_watertight": "unlined"}


@dataclass(frozen=True)
class Obstacles:
    """One row a feature.

    facts : the rule conditions that its own columns settle, as sorted (name, holds) pairs.
    may_be : the further features that it may turn out to be, as a tuple; where one asks for more, that may be required.
    layer : which layer it is from, by its place among those that were gathered; what is presumed comes after them.
    location_error_m : how far its true place may be from its shape, by its own record and by the reprojection of its layer.
    presumed : True for a feature that must be somewhere in its shape but is on no record; its zones only ever may be required.
    """

    feature: npt.NDArray[np.object_]
    ids: npt.NDArray[np.object_]
    shapes_m: Geometries
    location_error_m: npt.NDArray[np.float64]
    facts: npt.NDArray[np.object_]
    presumed: npt.NDArray[np.bool_]
    may_be: npt.NDArray[np.object_]
    layer: npt.NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.ids)

    def kept(self, rows: npt.NDArray[np.bool_] | npt.NDArray[np.int64]) -> "Obstacles":
        """Only those rows, in that order."""
        return Obstacles(**{field.name: getattr(self, field.name)[rows] for field in fields(self)})


def gather(layers: Iterable[CheckedLayer], assumed_location_error_m: float, valid: Collection[str] = ()) -> tuple[Obstacles, list[str]]:
    """All layers as one table, and what had to be assumed, in words.

    A well of unknown kind stands twice, once as a private and once as a public well; one without a stated location error gets
    `assumed_location_error_m`. A water of unknown kind is surely surface water and may be any other kind. What the reprojection of a layer
    may have moved it by is added to the location error of each of its features. `valid` names layers whose shapes are known to need no
    mending.
    """
    found: list[Obstacles] = []
    assumptions = []
    for place, layer in enumerate(layers):
        name = layer.contract.name
        errors_m = location_errors_m(layer, assumed_location_error_m)
        if name == "wells":
            methods = location_methods(layer)
            coarse = np.isin(methods, (*LEAST_ERROR_M, *BY_LOT))
            untold = int((np.isnan(layer.numbers("location_error")) & ~coarse).sum())
            if coarse.any():
                assumptions.append(_roughly_placed_told(methods[coarse], len(layer)))
            if untold:
                assumed = in_both_units(assumed_location_error_m)
                assumptions.append(f"{untold} of {len(layer)} wells state no location error: {assumed} assumed")
            exact = int((layer.numbers("location_error") == 0).sum())
            if exact:
                which = f"ALL {exact} wells" if exact == len(layer) > 1 else f"{exact} of {len(layer)} wells"
                assumptions.append(
                    f"{which} state a location error of 0, which often stands for unknown: they are taken as exact. "
                    "Leave it empty where nobody measured it"
                )
        if layer.moved_by_m != 0:
            added = in_both_units(_moved_by_m(layer, assumed_location_error_m))
            known = "as nobody knows " if np.isnan(layer.moved_by_m) else ""
            words = name.replace("_", " ")
            assumptions.append(f"{added} are added to every distance from the {words}, {known}the accuracy of its reprojection")
        features = _features(layer)
        further = _further_features(layer)
        several, others = (np.fromiter(map(len, names), np.int64, len(layer)) for names in (features, further))
        unknown_kind = int(np.count_nonzero(several > 1))
        if unknown_kind:
            assumptions.append(f"{unknown_kind} of {len(layer)} wells are of unknown kind: kept as private and as public wells")
        open_kind = int(np.count_nonzero(others > 0))
        if open_kind:
            assumptions.append(
                f"{open_kind} of {len(layer)} waters are of unknown kind: the distance from surface water is required, and the longest for "
                f"any other kind may be required; fill in the column kind ({', '.join(WATER_KINDS)})"
            )
        shapes_m = layer.shapes_m if name in valid else keep_clear(layer.ids, layer.shapes_m, name)[0]
        rows = np.repeat(np.arange(len(layer)), several)
        each = _objects([feature for names in features for feature in names])
        told = _objects(_facts(layer))[rows], np.zeros(len(rows), bool), _objects(further)[rows], np.full(len(rows), place)
        found.append(Obstacles(each, layer.ids[rows], shapes_m[rows], errors_m[rows], *told))
    whole = _one_table(found)
    order = {name: position for position, name in enumerate(FEATURES)}
    return whole.kept(np.argsort([order[feature] for feature in whole.feature], kind="stable")), assumptions


def _one_table(tables: Sequence[Obstacles]) -> Obstacles:
    nothing, none = np.empty(0, object), np.zeros(0)
    empty = Obstacles(nothing, nothing, nothing, none, nothing, none.astype(bool), nothing, none.astype(np.int64))
    return Obstacles(**{field.name: np.concatenate([getattr(one, field.name) for one in (empty, *tables)]) for field in fields(Obstacles)})


def location_errors_m(layer: CheckedLayer, assumed_m: float) -> npt.NDArray[np.float64]:
    """Location error of each feature: a well's own, the assumed one where it states none, and what the reprojection of the layer may have
    moved it by. A well that is placed by a section, a lot or an address has no less than such a place leaves open. [m]
    """
    own_m = np.zeros(len(layer))
    if layer.contract.name == "wells":
        stated = layer.numbers("location_error")
        methods = location_methods(layer)
        own_m = np.where(np.isnan(stated), np.where(np.isin(methods, BY_LOT), max(ON_ITS_LOT_M, assumed_m), assumed_m), stated)
        for name, least_m in LEAST_ERROR_M.items():
            own_m = np.where(methods == name, np.fmax(own_m, least_m), own_m)
    return own_m + _moved_by_m(layer, assumed_m)


def _roughly_placed_told(methods: npt.NDArray[np.object_], wells: int) -> str:
    counts = [f"{np.count_nonzero(methods == name)} by {name}" for name in (*LEAST_ERROR_M, *BY_LOT) if (methods == name).any()]
    least = " and ".join(f"{in_both_units(least_m)} for a {name.replace('_', '-')}" for name, least_m in LEAST_ERROR_M.items())
    return (
        f"{len(methods)} of {wells} wells are placed roughly ({', '.join(counts)}): a location error of at least {least} is taken, and of "
        f"{in_both_units(ON_ITS_LOT_M)} for a lot or an address that states none"
    )


def location_methods(wells: CheckedLayer) -> npt.NDArray[np.object_]:
    """How each well was placed, in our words; unknown where nothing is said."""
    return np.array([LOCATION_METHODS.get(word, "unknown") for word in wells.texts("location_method")], object)


def _moved_by_m(layer: CheckedLayer, assumed_m: float) -> float:
    """The accuracy of the layer's reprojection; where nobody knows it, the same as for a well without a stated error."""
    return assumed_m if np.isnan(layer.moved_by_m) else layer.moved_by_m


def with_presumed_wells(obstacles: Obstacles, names: npt.NDArray[np.object_], places_m: Geometries) -> Obstacles:
    """`obstacles` and, for each of the places, a private well of that name that may be anywhere in it."""
    count = len(names)
    return Obstacles(
        np.concatenate([obstacles.feature, np.full(count, "private_well", object)]),
        np.concatenate([obstacles.ids, names]),
        np.concatenate([obstacles.shapes_m, places_m]),
        np.concatenate([obstacles.location_error_m, np.zeros(count)]),
        np.concatenate([obstacles.facts, _objects([()] * count)]),
        np.concatenate([obstacles.presumed, np.ones(count, bool)]),
        np.concatenate([obstacles.may_be, _objects([()] * count)]),
        np.concatenate([obstacles.layer, np.full(count, obstacles.layer.max(initial=-1) + 1)]),
    )


def feature_faults(ids: Iterable[object], features: Iterable[object]) -> dict[str, Sequence[object]]:
    """What is wrong with the words of other_features, in lower case: fault -> the ids that have it. An empty one is the contract's own
    fault."""
    faults: dict[str, list[object]] = {}
    for identifier, feature in zip(ids, features, strict=True):
        if feature in WELL_KINDS.values():
            fault = f"{feature} is a well: put it into --wells, where its location error and the water that runs to it count"
        elif feature is not None and feature not in FEATURES:
            fault = f"feature is none of {', '.join(name for name in FEATURES if name not in WELL_KINDS.values())}"
        else:
            continue
        faults.setdefault(fault, []).append(identifier)
    return dict(faults)


def _features(layer: CheckedLayer) -> list[tuple[str, ...]]:
    name = layer.contract.name
    if name == "wells":
        return [(WELL_KINDS[kind],) if kind else ("private_well", "public_well") for kind in layer.texts("kind")]
    if name == "surface_water":
        return [(WATER_KINDS[kind],) if kind else ("surface_water",) for kind in layer.texts("kind")]
    if name == "other_features":
        names = layer.texts("feature")
        faults = feature_faults(layer.ids, names)
        if faults:
            raise LayerContractError(name, faults)
        return [(feature,) for feature in names]
    assert layer.contract.feature is not None
    return [(layer.contract.feature,)] * len(layer)


def _further_features(layer: CheckedLayer) -> list[tuple[str, ...]]:
    if layer.contract.name != "surface_water":
        return [()] * len(layer)
    others = tuple(feature for feature in WATER_KINDS.values() if feature != "surface_water")
    return [() if kind else others for kind in layer.texts("kind")]


def _facts(layer: CheckedLayer) -> list[tuple[tuple[str, bool], ...]]:
    flags = [column.name for column in layer.contract.columns if column.kind == "flag" and column.name in layer.columns]
    if not flags:
        return [()] * len(layer)

    @cache
    def known(values: tuple[bool | None, ...]) -> tuple[tuple[str, bool], ...]:
        own = {name: bool(value) for name, value in zip(flags, values, strict=True) if value is not None}
        return tuple(sorted({**own, **{OPPOSITE[name]: not holds for name, holds in own.items() if name in OPPOSITE}}.items()))

    return [known(values) for values in zip(*(layer.flags(name).tolist() for name in flags), strict=True)]


def _objects(items: Sequence[object]) -> npt.NDArray[np.object_]:
    return np.fromiter(items, object, len(items))
