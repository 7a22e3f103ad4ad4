"""What of a run's input is uncertain, and by how much, as the user states it and the columns say."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from geoseptic.chance.draws import Draws
from geoseptic.chance.errors import EXACT, PlaceErrors, in_grounds, joined, summary, well_errors
from geoseptic.chance.slopes import QUALITY_RMSE_M
from geoseptic.errors import ParameterError
from geoseptic.parcels.obstacles import location_methods
from geoseptic.processes.land import Land
from geoseptic.units import in_both_units

FILE: Final = "chances"
"""The GeoPackage of what is said of parcels and wells."""

HARDLY_A_SURVEY_M = 1.0
"""Heights that are off by more than this in the mean make most slopes and flow paths a guess. Our own choice."""

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
    line_sigma_m, building_sigma_m : standard deviation along each axis of the rigid shift of a lot's lines, and of the buildings. [m]
    rmse_m, correlation_m : root mean square error of the heights, and its correlation length. [m]
    """

    draws: Draws
    wells: PlaceErrors
    presumed: PlaceErrors
    line_sigma_m: float
    building_sigma_m: float
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
            "vertical_rmse_m": self.rmse_m,
            "vertical_correlation_length_m": self.correlation_m,
        }


def uncertain_of(land: Land, doubts: Doubts) -> Uncertain:
    """The models of a run. Raises ParameterError where the heights are said to be off by two measures."""
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
    return Uncertain(
        Draws(doubts.seed, doubts.draws),
        wells,
        in_grounds(land.presumed_ids, land.presumed_m, houses),
        doubts.parcel_line_error_m,
        doubts.building_error_m,
        rmse_m,
        doubts.correlation_length_m,
        (*notes, *told),
    )


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
