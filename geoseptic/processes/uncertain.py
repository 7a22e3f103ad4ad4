"""What of a run's input is uncertain, and by how much, as the user states it and the columns say."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely

from geoseptic.chance.closed import FARTHEST_SIGMAS
from geoseptic.chance.draws import Draws
from geoseptic.chance.errors import EXACT, PlaceErrors, in_grounds, joined, summary, well_errors
from geoseptic.chance.slopes import QUALITY_RMSE_M
from geoseptic.errors import LayerContractError, ParameterError
from geoseptic.model.checking import CheckedLayer
from geoseptic.model.rules import RuleSet
from geoseptic.parcels.obstacles import location_methods
from geoseptic.processes.land import Land
from geoseptic.units import in_both_units

Floats = npt.NDArray[np.float64]

FILE: Final = "chances"
"""The GeoPackage of what is said of parcels and wells."""

HARDLY_A_SURVEY_M = 1.0
"""Heights that are off by more than this in the mean make most slopes and flow paths a guess. Our own choice."""

MOST_SHIFT_M = 100.0
"""No lot line and no building lies off by more, as in the options of processes/uncertainty.py. Our own choice."""

PARTS: Final = ("drain_field", "reserve")

ASSUMED_QUALITY = "QL2"
"""LiDAR quality level that is assumed where nothing is stated of the heights."""


@dataclass(frozen=True)
class Doubts:
    """What the user states of errors; names as in processes/uncertainty.py."""

    seed: int
    draws: int
    reading: str
    assumed_location_error_m: float
    parcel_line_error_m: float
    building_error_m: float
    vertical_error_m: float | None
    lidar_quality: str | None
    correlation_length_m: float
    ground_draws: int


@dataclass(frozen=True)
class Uncertain:
    """The spread of everything whose place is not known, and its draws.

    wells, presumed : one row a well on record (in the order of `land.wells`) and a presumed well (in that of `land.presumed_ids`).
    line_sigma_m, building_sigma_m : standard deviation along each axis of the rigid shift of a lot's lines, and of the buildings, where
        nothing else is stated. [m]
    line_sigmas_m, building_sigmas_m : those of each lot, and of the buildings as they are seen from there. Shape (lots,). [m]
    rmse_m, correlation_m : root mean square error of the heights, and its correlation length. [m]
    """

    draws: Draws
    wells: PlaceErrors
    presumed: PlaceErrors
    line_sigma_m: float
    building_sigma_m: float
    line_sigmas_m: Floats
    building_sigmas_m: Floats
    rmse_m: float
    correlation_m: float
    notes: tuple[str, ...]

    @cached_property
    def every_well(self) -> PlaceErrors:
        """Wells on record and the presumed ones after them."""
        return joined(self.wells, self.presumed)

    @property
    def counts(self) -> Mapping[str, object]:
        """What of the models goes into run.json."""
        return {
            "seed": self.draws.seed,
            "draws": self.draws.count,
            "wells_by_kind_of_error": summary(self.wells),
            "presumed_wells": len(self.presumed),
            "wells_never_certain": int(np.count_nonzero(self.wells.rough)) + len(self.presumed),
            "wells_of_uncertain_place": int(np.count_nonzero(self.wells.kind != EXACT)),
            "parcel_line_sigma_m": self.line_sigma_m,
            "building_sigma_m": self.building_sigma_m,
            "parcels_with_another_line_sigma": int(np.count_nonzero(self.line_sigmas_m != self.line_sigma_m)),
            "parcels_with_another_building_sigma": int(np.count_nonzero(self.building_sigmas_m != self.building_sigma_m)),
            "vertical_rmse_m": self.rmse_m,
            "vertical_correlation_length_m": self.correlation_m,
        }


def uncertain_of(land: Land, doubts: Doubts, rules: RuleSet) -> Uncertain:
    """The models of a run. Raises ParameterError where the heights are said to be off by two measures, LayerContractError where lots or
    buildings state an error that no map has."""
    rmse_m, notes = _rmse_m(doubts)
    houses = np.zeros(0, object) if land.buildings is None else land.buildings.shapes_m[_dwellings(land)]
    moved_m = land.wells.moved_by_m
    wells, told = well_errors(
        land.wells.ids,
        land.wells.shapes_m,
        location_methods(land.wells),
        land.wells.numbers("location_error"),
        moved_by_m=doubts.assumed_location_error_m if np.isnan(moved_m) else moved_m,
        assumed_m=doubts.assumed_location_error_m,
        reading=doubts.reading,
        lots_m=land.fabric.claimed_m,
        houses_m=houses,
    )
    lines_m, own_lines = _stated_m(land.parcels, doubts.parcel_line_error_m)
    buildings_m, own_buildings = _building_sigmas_m(land, doubts, rules, lines_m)
    return Uncertain(
        Draws(doubts.seed, doubts.draws),
        wells,
        in_grounds(land.presumed_ids, land.presumed_m, houses),
        doubts.parcel_line_error_m,
        doubts.building_error_m,
        lines_m,
        buildings_m,
        rmse_m,
        doubts.correlation_length_m,
        (*notes, *told, *own_lines, *own_buildings),
    )


def _stated_m(layer: CheckedLayer, usual_m: float) -> tuple[Floats, list[str]]:
    """The standard deviations of a layer's features, by their own column or else `usual_m`, and what of that is odd, in words."""
    stated_m = layer.numbers("location_error")
    too_far = stated_m > MOST_SHIFT_M
    if too_far.any():
        fault = (
            f"a location error of more than {in_both_units(MOST_SHIFT_M)}: a slip, or a number for 'no value'. Leave it empty where unknown"
        )
        raise LayerContractError(layer.contract.name, {fault: list(layer.ids[too_far])})
    exact = int(np.count_nonzero(stated_m == 0))
    told = [
        f"{exact} of {len(layer)} {layer.contract.name} state a location error of 0, which often stands for unknown: they are taken as "
        "exact. Leave it empty where nobody measured it"
    ]
    return np.where(np.isnan(stated_m), usual_m, stated_m), told if exact else []


def _building_sigmas_m(land: Land, doubts: Doubts, rules: RuleSet, lines_m: Floats) -> tuple[Floats, list[str]]:
    """For each lot the standard deviation of the one shift of all buildings seen from there: the largest of those whose setback may reach
    the lot, so that no doubt is lost. [m]"""
    usual = np.full(len(land.fabric.ids), doubts.building_error_m)
    if land.buildings is None or not np.isfinite(land.buildings.numbers("location_error")).any():
        return usual, []
    own_m, told = _stated_m(land.buildings, doubts.building_error_m)
    asked_m = max((line.distance_m or 0.0 for line in rules.setbacks if line.feature == "building" and line.part in PARTS), default=0.0)
    reach_m = asked_m + FARTHEST_SIGMAS * (own_m + lines_m.max())
    building, lot = shapely.STRtree(land.fabric.shapes_m).query(land.buildings.shapes_m, predicate="dwithin", distance=reach_m)
    found = np.zeros(len(usual))
    np.maximum.at(found, lot, own_m[building])
    return np.where(np.bincount(lot, minlength=len(usual)) > 0, found, usual), told


def _dwellings(land: Land) -> "np.ndarray[tuple[int], np.dtype[np.bool_]]":
    assert land.buildings is not None
    return np.array([flag is not True for flag in land.buildings.flags("not_a_dwelling")], bool)


def _rmse_m(doubts: Doubts) -> tuple[float, list[str]]:
    if doubts.vertical_error_m is not None and doubts.lidar_quality is not None:
        raise ParameterError("--vertical-error and --lidar-quality both say how far the heights are off; give one of them.")
    if doubts.vertical_error_m is None:
        level = doubts.lidar_quality or ASSUMED_QUALITY
        rmse_m = QUALITY_RMSE_M[level]
        if doubts.lidar_quality is None:
            return rmse_m, [
                f"nothing is stated of the error of the heights: that of LiDAR of quality level {level} is assumed "
                f"({in_both_units(rmse_m)} root mean square). State --vertical-error or --lidar-quality; heights from contours or old "
                "maps are far worse"
            ]
        return rmse_m, []
    if doubts.vertical_error_m > HARDLY_A_SURVEY_M:
        return doubts.vertical_error_m, [
            f"--vertical-error {in_both_units(doubts.vertical_error_m)}: with heights so far off most slopes and flow paths are a guess. "
            "Look whether the figure has the right unit"
        ]
    return doubts.vertical_error_m, []
