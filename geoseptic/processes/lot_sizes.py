"""What each lot's field has to hold: its sizes by the rules, from the smallest that the assumptions leave open to the largest."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from geoseptic.errors import PRINTED_IDS, CodeSilentError, ParameterError, SizingError, UnnamedSoilError, listed
from geoseptic.model.checking import CheckedLayer, checked_columns, feature_names
from geoseptic.model.layers import PARCELS
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.fit import FieldNeed
from geoseptic.systems.sizing import FieldSize, TrenchLayout, field_size, trench_layout_rule
from geoseptic.units import from_metres

RESERVE_IF_SILENT = 1.0
"""A full second field where the code, or what was read of it, says nothing of a reserve. Common practice, no source."""

BED_WIDTHS_M = (6.1, 4.57, 3.05)
"""20, 15 and 10 ft, where the code sets no narrower limit. Common practice, no source."""

ROUNDING_M = 1e-6

NONE_SIZED = "no parcel has a field that can be sized"
SIZED_BY = ("bedrooms", "percolation_min_per_in", "soil")
"""Columns of the parcels that the size of a field goes by."""

SOME_UNSIZED = "parcels have no field that can be sized, and none is said to fit there"

Unsized = ParameterError | CodeSilentError
"""Why a lot cannot be sized."""

LARGEST = "the largest field that soil and house leave open"
PLANNED = "the field that was planned for"
AS_A_BED = "the largest field that soil and house leave open, as a bed"
SMALLEST = "the smallest field that soil and house leave open"


@dataclass(frozen=True)
class Sizes:
    """One lot's size of field: the smallest that the assumptions leave open, the one planned with, the largest; None where the code allows
    no field, or where `in_doubt` says why none can be sized."""

    size: FieldSize
    smallest: FieldNeed | None
    planned: FieldNeed | None
    largest: FieldNeed | None
    assumptions: tuple[str, ...]
    in_doubt: str = ""
    beds: tuple[FieldNeed, ...] = ()
    """The largest field as one bed, of several widths, where the code allows a bed."""


def sizes_of(parcels: CheckedLayer, mapped_soil: npt.NDArray[np.object_], rules: RuleSet) -> list[Sizes]:
    """The size of field that each lot's house and soil demand; what nobody knows becomes a range with its assumption in words.

    `mapped_soil` is the name of the lot's soil by a soil map, None where there is none: it stands in where nothing was found on the lot.
    A lot that cannot be sized, for what is on record of it, is told in its own row. Raises SizingError where that is so of every lot,
    CodeSilentError where the rules have no table to size by.
    """
    unknown = field_size(rules)
    found = list(_tried(parcels, mapped_soil, rules))
    faults = [(str(name), one) for name, one in zip(parcels.ids, found, strict=True) if not isinstance(one, Sizes)]
    if len(faults) == len(found):
        raise SizingError(f"{NONE_SIZED}: {in_words(faults)}")
    return [one if isinstance(one, Sizes) else Sizes(unknown, None, None, None, unknown.assumptions, why(one)) for one in found]


def unsized(parcels: CheckedLayer, rules: RuleSet, soils_mapped: bool) -> list[tuple[str, Unsized]]:
    """The parcels that `sizes_of` could not size and why, as far as the parcels tell alone: where soils are mapped, a lot of which no soil
    is on record is left to the map. Raises CodeSilentError as `sizes_of`."""
    field_size(rules)
    alone = np.full(len(parcels), True)
    if soils_mapped:
        alone = np.isfinite(parcels.numbers("percolation_min_per_in")) | np.array(
            [soil is not None for soil in parcels.texts("soil")], bool
        )
    own = parcels.kept(alone)
    tried = _tried(own, np.full(len(own), None, object), rules)
    return [(str(name), one) for name, one in zip(own.ids, tried, strict=True) if not isinstance(one, Sizes)]


def refuse_unsized(table: pd.DataFrame, rules: RuleSet, soils_mapped: bool) -> None:
    """Raises SizingError as `sizes_of` would, as far as the columns of the parcels tell alone; faults of the columns are left to others."""
    names = feature_names(table, PARCELS)
    parcels = CheckedLayer(PARCELS, names, np.full(len(names), None, object), checked_columns(table, PARCELS, names, {}))
    faults = unsized(parcels, rules, soils_mapped)
    if faults and len(faults) == len(parcels):
        raise SizingError(f"{NONE_SIZED}: {in_words(faults)}")


def unsized_told(ids: npt.NDArray[np.object_], sizes: Sequence[Sizes]) -> tuple[str, ...]:
    """A sentence about the lots that what is on record of them leaves without a size, if there are any."""
    doubts = [(str(name), one.in_doubt) for name, one in zip(ids, sizes, strict=True) if one.in_doubt and one.size.suitable]
    return (f"{len(doubts)} of {len(sizes)} {SOME_UNSIZED}: {_grouped(doubts)}",) if doubts else ()


def why(error: Unsized) -> str:
    """The reason alone, without the list of what the rules would have."""
    return error.why if isinstance(error, UnnamedSoilError) else str(error).removesuffix(".")


def in_words(faults: Sequence[tuple[str, Unsized]]) -> str:
    """Why parcels cannot be sized: each reason once with its parcels, and what the rules name once."""
    named = dict.fromkeys(f". {error.named}" for _, error in faults if isinstance(error, UnnamedSoilError))
    return _grouped([(name, why(error)) for name, error in faults]) + ("".join(named) or ".")


def _grouped(reasons: Sequence[tuple[str, str]]) -> str:
    by_reason: dict[str, list[str]] = {}
    for name, reason in reasons:
        by_reason.setdefault(reason, []).append(name)
    told = [f"{reason} ({listed(names)})" for reason, names in list(by_reason.items())[:PRINTED_IDS]]
    more = len(by_reason) - len(told)
    return "; ".join([*told, *([f"and {more} reasons more"] if more else [])])


def _tried(parcels: CheckedLayer, mapped_soil: npt.NDArray[np.object_], rules: RuleSet) -> Iterator[Sizes | Unsized]:
    layout = trench_layout_rule(rules)

    @cache
    def sized(bedrooms: int | None, percolation: float | None, soil: str | None, by_map: bool) -> Sizes:
        size = field_size(rules, bedrooms=bedrooms, percolation_min_per_in=percolation, soil=soil)
        assumptions = size.assumptions
        if by_map:
            assumptions = (f"soil {soil} by the soil map, not by a test on the lot", *assumptions)
        share = size.reserve_share
        if share is None:
            share = RESERVE_IF_SILENT
            assumptions = (*assumptions, "the rule set says nothing of a reserve: a full second field is held free")
        if size.trench_length_m is None:
            in_doubt = f"{size.why_not}, by the soil map" if by_map else ""
            return Sizes(size, None, None, None, assumptions, in_doubt)
        low, plan, high = (
            _need(length_m, layout, share) for length_m in (size.trench_length_m.low, size.trench_length_m.plan, size.trench_length_m.high)
        )
        return Sizes(size, low, plan, high, assumptions, beds=_beds(rules, layout, share, bedrooms, percolation, soil))

    columns = (parcels.numbers("bedrooms"), parcels.numbers("percolation_min_per_in"), parcels.texts("soil"))
    for bedrooms, percolation, soil, mapped in zip(*columns, mapped_soil, strict=True):
        by_map = soil is None and np.isnan(percolation) and mapped is not None
        try:
            yield sized(_whole(bedrooms), known_number(percolation), mapped if by_map else soil, by_map)
        except (ParameterError, CodeSilentError) as error:
            yield error


def check_trench_depth(rules: RuleSet, bottom_m: float) -> None:
    """Raises ParameterError where trenches of that depth are not what the code allows."""
    layout = trench_layout_rule(rules)
    least_m, most_m = layout.min_depth_m or 0.0, layout.max_depth_m or math.inf
    if not least_m - ROUNDING_M <= bottom_m <= most_m + ROUNDING_M:
        limits = " to ".join(
            "no limit" if not math.isfinite(value) else f"{from_metres(value, rules.unit):.2f} {rules.unit}" for value in (least_m, most_m)
        )
        raise ParameterError(
            f"--trench-bottom {from_metres(bottom_m, rules.unit):.2f} {rules.unit}: '{rules.id}' has trenches {limits} deep "
            f"({layout.citations[0].section}). Give a depth within that."
        )


def _beds(
    rules: RuleSet, layout: TrenchLayout, reserve_share: float, bedrooms: int | None, percolation: float | None, soil: str | None
) -> tuple[FieldNeed, ...]:
    """The largest field as a bed, the widest first; empty where the code does not allow one on this soil, or may not."""
    if layout.bed is None or not layout.bed_allowed:
        return ()
    size = field_size(rules, bedrooms=bedrooms, percolation_min_per_in=percolation, soil=soil, layout="bed")
    if size.bottom_area_m2 is None or percolation is None:
        return ()
    widths_m = dict.fromkeys(min(width_m, layout.bed.max_width_m) for width_m in BED_WIDTHS_M)
    lengths_m = {width_m: size.bottom_area_m2.high / width_m for width_m in widths_m}
    return tuple(
        FieldNeed(length_m, width_m, length_m, layout.wall_to_wall_m, reserve_share)
        for width_m, length_m in lengths_m.items()
        if length_m <= layout.bed.max_length_m
    )


def _need(length_m: float, layout: TrenchLayout, reserve_share: float) -> FieldNeed:
    return FieldNeed(length_m, layout.width_m, layout.max_length_m, layout.wall_to_wall_m, reserve_share)


def _whole(value: float) -> int | None:
    """Bedrooms as a whole number, rounded up; 0 stands for unknown on many rolls."""
    return None if np.isnan(value) or value == 0 else math.ceil(value)


def known_number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
