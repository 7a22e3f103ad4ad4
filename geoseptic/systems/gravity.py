"""Whether sewage gets from the house to the tank and on to the field by itself, from ground heights and stated depths."""

import math
from dataclasses import dataclass

from geoseptic.units import FOOT_M, from_metres

INCH_M = FOOT_M / 12


@dataclass(frozen=True)
class Burial:
    """How deep things lie and how pipes fall. Every value is a stated assumption until somebody measures it. [m, m/m]"""

    sewer_cover_m: float = 2 * FOOT_M
    """Ground to the sewer's invert at the house wall. Common practice, no source."""

    sewer_fall_m_per_m: float = 0.25 / 12
    """Building sewer, house to tank: 1/4 inch a foot. Common practice, no source."""

    tank_drop_m: float = 3 * INCH_M
    """Tank inlet to outlet. Common practice, no source."""

    effluent_fall_m_per_m: float = 0.125 / 12
    """Tank to field: 1/8 inch a foot. Common practice, no source."""

    field_pipe_depth_m: float = 1.5 * FOOT_M
    """Ground to the invert of the pipe in a trench. Common practice, no source."""

    deepest_tank_cover_m: float = 3 * FOOT_M
    """A tank with more soil over its inlet is hard to open and to pump out. Common practice, no source."""

    def in_words(self) -> str:
        """The assumptions as one sentence, in feet and inches."""
        sewer_in, effluent_in = 12 * self.sewer_fall_m_per_m, 12 * self.effluent_fall_m_per_m
        cover_ft, pipe_ft = from_metres(self.sewer_cover_m, "ft"), from_metres(self.field_pipe_depth_m, "ft")
        return (
            f"assumed: sewer invert {cover_ft:g} ft below ground at the house, sewer falls {sewer_in:g} in a foot, tank outlet "
            f"{from_metres(self.tank_drop_m, 'in'):g} in below its inlet, effluent line falls {effluent_in:g} in a foot, field pipe "
            f"{pipe_ft:g} ft below ground"
        )


@dataclass(frozen=True)
class Profile:
    """The run from house to field. Inverts are heights; lift_m is 0 by gravity. [m]"""

    tank_inlet_m: float
    tank_outlet_m: float
    arrives_at_m: float
    field_pipe_m: float
    lift_m: float
    tank_cover_m: float
    notes: tuple[str, ...]

    @property
    def by_gravity(self) -> bool:
        return self.lift_m == 0


def profile(
    house_ground_m: float,
    tank_ground_m: float,
    field_ground_m: float,
    sewer_run_m: float,
    effluent_run_m: float,
    burial: Burial,
) -> Profile | None:
    """Inverts along the run, and the lift that a pump would have to give.

    Parameters
    ----------
    house_ground_m, tank_ground_m, field_ground_m : ground heights at the sewer's exit, over the tank, and at the highest trench. [m]
    sewer_run_m, effluent_run_m : lengths of pipe, house to tank and tank to field. [m]

    Returns
    -------
    None where a height is unknown (NaN): then neither gravity nor a pump may be claimed.
    """
    if any(math.isnan(value) for value in (house_ground_m, tank_ground_m, field_ground_m, sewer_run_m, effluent_run_m)):
        return None
    exit_m = house_ground_m - burial.sewer_cover_m
    # A tank that would stand out of the ground is set lower; the sewer then just falls more.
    inlet_m = min(exit_m - burial.sewer_fall_m_per_m * sewer_run_m, tank_ground_m - burial.sewer_cover_m)
    outlet_m = inlet_m - burial.tank_drop_m
    arrives_m = outlet_m - burial.effluent_fall_m_per_m * effluent_run_m
    pipe_m = field_ground_m - burial.field_pipe_depth_m
    cover_m = tank_ground_m - inlet_m
    notes = []
    if cover_m > burial.deepest_tank_cover_m:
        notes.append(f"the tank's inlet lies {from_metres(cover_m, 'ft'):.1f} ft below ground: plan a riser, or another place for the tank")
    return Profile(inlet_m, outlet_m, arrives_m, pipe_m, max(0.0, pipe_m - arrives_m), cover_m, tuple(notes))
