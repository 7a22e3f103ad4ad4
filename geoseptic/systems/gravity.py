"""Whether sewage gets from the house to the tank and on to the field by itself, from ground heights and stated depths."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from geoseptic.model.sizing_rules import BuildingSewer, SizingRules
from geoseptic.units import FOOT_M, from_metres

INCH_M = FOOT_M / 12

SEWER_DIAMETER_M: Final = 4 * INCH_M
"""A house sewer. Common practice, no source."""


@dataclass(frozen=True)
class Burial:
    """How deep things lie and how pipes fall. Every value is a stated assumption until somebody measures it. [m, m/m]"""

    sewer_cover_m: float = 2 * FOOT_M
    """Ground to the sewer's invert at the house wall. Common practice, no source."""

    sewer_fall_m_per_m: float = 0.25 / 12
    """Building sewer, house to tank: what the code asks at least (`sewer_rule`); where it is silent 1/4 inch a foot, which is common
    practice, no source."""

    tank_drop_m: float = 3 * INCH_M
    """Tank inlet to outlet. Common practice, no source."""

    effluent_fall_m_per_m: float = 0.125 / 12
    """Tank to field: 1/8 inch a foot. Common practice, no source."""

    field_pipe_depth_m: float = 1.5 * FOOT_M
    """Ground to the invert of the pipe in a trench. Common practice, no source."""

    pipe_cover_m: float = 1 * FOOT_M
    """Least soil over a pipe on its way. Common practice, no source."""

    deepest_pipe_m: float = 6 * FOOT_M
    """A pipe that would lie deeper on its way is pumped instead. Common practice, no source."""

    deepest_tank_cover_m: float = 3 * FOOT_M
    """A tank with more soil over its inlet is hard to open and to pump out. Common practice, no source."""

    sewer_rule: BuildingSewer | None = None
    """The line of the code that `sewer_fall_m_per_m` is from; None where it is common practice."""

    @classmethod
    def by_code(cls, rules: SizingRules, *, sewer_cover_m: float, field_pipe_depth_m: float) -> "Burial":
        """The sewer's fall from the rules as far as they state one, at the given depths."""
        rule = rules.sewer_fall(SEWER_DIAMETER_M)
        fall_m_per_m = cls.sewer_fall_m_per_m if rule is None else rule.fall_m_per_m
        return cls(sewer_cover_m, fall_m_per_m, field_pipe_depth_m=field_pipe_depth_m, sewer_rule=rule)

    def in_words(self) -> str:
        """The assumptions as one sentence, in feet and inches."""
        sewer_in, effluent_in = 12 * self.sewer_fall_m_per_m, 12 * self.effluent_fall_m_per_m
        cover_ft, pipe_ft = from_metres(self.sewer_cover_m, "ft"), from_metres(self.field_pipe_depth_m, "ft")
        return (
            f"assumed: sewer invert {cover_ft:g} ft below ground at the house, sewer falls {sewer_in:.3g} in a foot ({self._whose_fall}), "
            "tank outlet "
            f"{from_metres(self.tank_drop_m, 'in'):g} in below its inlet, effluent line falls {effluent_in:g} in a foot, field pipe "
            f"{pipe_ft:g} ft below ground, pipes nowhere less than {from_metres(self.pipe_cover_m, 'ft'):g} ft; the sewer's exit is a guess"
        )

    @property
    def _whose_fall(self) -> str:
        if self.sewer_rule is None:
            return "common practice, the rule set states none"
        cited = self.sewer_rule.citation
        return f"least by {cited.section}{'' if cited.checked else ', not checked against the code text'}"


MARGIN_M: Final = 0.3048
"""Less than a foot to spare is within what a survey from the air and a guessed sewer exit may be wrong by. Our own choice."""


@dataclass(frozen=True)
class Ground:
    """Heights of the ground along one line, downstream: at `stations_m` from its upper end. Both of shape (points,). [m]"""

    stations_m: npt.NDArray[np.float64]
    heights_m: npt.NDArray[np.float64]


@dataclass(frozen=True)
class Profile:
    """The run from house to field. Inverts are heights; lift_m is 0 by gravity. deepest_m : how far below ground the lines lie. [m]"""

    tank_inlet_m: float
    tank_outlet_m: float
    arrives_at_m: float
    field_pipe_m: float
    lift_m: float
    tank_cover_m: float
    deepest_m: float
    notes: tuple[str, ...]

    @property
    def by_gravity(self) -> bool:
        return self.lift_m == 0

    @property
    def to_spare_m(self) -> float:
        """How much higher the line by gravity arrives than the field's pipe; below 0 where it does not get there. [m]"""
        return self.arrives_at_m - self.field_pipe_m


def profile(sewer: Ground, effluent: Ground, field_top_m: float, burial: Burial) -> Profile | None:
    """Inverts along the run, and the lift that a pump would have to give.

    By gravity a pipe only falls, whatever the ground does: where the ground dips it goes down with it, under a rise it goes through. A line
    that would lie deeper than `deepest_pipe_m` is pumped: it then follows the ground over its highest point.

    Parameters
    ----------
    sewer : from the house wall to the middle of the tank; effluent : from there to the highest trench.
    field_top_m : height of the ground at the highest trench. [m]

    Returns
    -------
    None where a height is unknown (NaN): then neither gravity nor a pump may be claimed.
    """
    if math.isnan(field_top_m) or np.isnan(sewer.heights_m).any() or np.isnan(effluent.heights_m).any():
        return None
    exit_m = float(sewer.heights_m[0]) - burial.sewer_cover_m
    inlet_m, sewer_deepest_m = _led(exit_m, sewer, burial.sewer_fall_m_per_m, burial.pipe_cover_m)
    # A tank that would stand out of the ground is set lower; the sewer then just falls more.
    tank_ground_m = float(sewer.heights_m[-1])
    inlet_m = min(inlet_m, tank_ground_m - burial.sewer_cover_m)
    outlet_m = inlet_m - burial.tank_drop_m
    arrives_m, deepest_m = _led(outlet_m, effluent, burial.effluent_fall_m_per_m, burial.pipe_cover_m)
    pipe_m = field_top_m - burial.field_pipe_depth_m
    lift_m = 0.0
    if arrives_m < pipe_m or deepest_m > burial.deepest_pipe_m:
        # A pumped line follows the ground. What the pipe loses on its way by friction is taken to be no more than its fall.
        loss_m = burial.effluent_fall_m_per_m * float(effluent.stations_m[-1])
        summit_m = float(effluent.heights_m.max()) - burial.pipe_cover_m
        # Over a gully the ends may lie well: the pump then only pushes.
        lift_m = max(INCH_M, max(pipe_m, summit_m) - outlet_m + loss_m)
        deepest_m = 0.0
    deepest_m = max(deepest_m, sewer_deepest_m)
    cover_m = tank_ground_m - inlet_m
    notes = []
    if lift_m == 0 and arrives_m - pipe_m < MARGIN_M:
        notes.append(
            f"by gravity with only {from_metres(arrives_m - pipe_m, 'ft'):.1f} ft to spare: have house, tank and field levelled first"
        )
    if cover_m > burial.deepest_tank_cover_m:
        notes.append(f"the tank's inlet lies {from_metres(cover_m, 'ft'):.1f} ft below ground: plan a riser, or another place for the tank")
    if deepest_m > burial.deepest_tank_cover_m:
        notes.append(
            f"the pipe lies up to {from_metres(deepest_m, 'ft'):.1f} ft below ground: trench walls collapse, never work in one unshored"
        )
    return Profile(inlet_m, outlet_m, arrives_m, pipe_m, lift_m, cover_m, deepest_m, tuple(notes))


def _led(start_m: float, ground: Ground, fall_m_per_m: float, cover_m: float) -> tuple[float, float]:
    """Invert at the lower end of a pipe that starts at `start_m` and falls all the way under its cover, and its greatest depth. [m]"""
    # An invert is the least of what each point before it allows, less the fall from there.
    allowed = np.minimum.accumulate(np.concatenate([[start_m], ground.heights_m - cover_m + fall_m_per_m * ground.stations_m]))[1:]
    inverts_m = allowed - fall_m_per_m * ground.stations_m
    return float(inverts_m[-1]), float((ground.heights_m - inverts_m).max())
