"""Percolation test: from readings of the water's fall in test holes to minutes per inch, by one code's rule."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from geoseptic.errors import CodeSilentError, PercolationTestError
from geoseptic.model.citation import Citation
from geoseptic.model.names import plain
from geoseptic.model.rules import RuleSet
from geoseptic.model.sizing_rules import PercolationRule
from geoseptic.units import from_metres

SAME_M: Final = 1e-6
"""Falls this near each other are equal: readings are taken to a sixteenth of an inch (1.6 mm)."""

SAME_INTERVAL_MIN: Final = 1.0
"""Falls are compared only over times that differ by no more (own choice: a reading takes about a minute)."""


@dataclass(frozen=True)
class Reading:
    """One line of a field sheet: depth from a fixed point down to the water. `refilled` says that the hole was filled up to it."""

    hole: str
    time_min: float
    depth_m: float
    refilled: bool
    line: int


@dataclass(frozen=True)
class Fall:
    """The water's fall between two readings without a refill; `line` is that of the second."""

    start_min: float
    end_min: float
    drop_m: float
    line: int

    @property
    def minutes(self) -> float:
        return self.end_min - self.start_min

    @property
    def min_per_in(self) -> float:
        """Minutes for one inch; infinite where the water did not fall."""
        return self.minutes / from_metres(self.drop_m, "in") if self.drop_m > SAME_M else math.inf


@dataclass(frozen=True)
class HoleRate:
    """The rate of one hole in min/in (infinite: the water stood still), and the falls that it rests on."""

    hole: str
    min_per_in: float
    readings: int
    duration_min: float
    basis: str


@dataclass(frozen=True)
class SiteRate:
    """The rate of the site in min/in. `usable` says whether it lies within the limits that the test's rule states."""

    min_per_in: float
    holes: tuple[HoleRate, ...]
    how: str
    usable: bool
    notes: tuple[str, ...]
    citation: Citation


def site_rate(readings: Sequence[Reading], rules: RuleSet, *, presoak_min: float | None) -> SiteRate:
    """The rate that one field sheet gives under the percolation rule of a rule set.

    Parameters
    ----------
    readings : in the order of the sheet; the holes may be mixed.
    presoak_min : how long the holes were kept full before the test; None if nobody stated it.

    Raises
    ------
    CodeSilentError : the rule set has no percolation rule.
    PercolationTestError : with every fault: a hole that did not settle, readings that go back in time, a fall that rises, a
        presoak that is missing or short, too few holes, holes whose names may mean one (`same_name`).
    """
    rule = rules.sizing.percolation
    if rule is None:
        raise CodeSilentError(rules.id, "percolation tests")
    faults: list[str] = []
    if rule.presoak_min > 0 and presoak_min is None:
        faults.append(f"presoak: not stated; the rule asks for {_hours(rule.presoak_min)}. State how long the holes were kept full.")
    elif presoak_min is not None and presoak_min < rule.presoak_min:
        faults.append(f"presoak: {_hours(presoak_min)}, but the rule asks for {_hours(rule.presoak_min)}.")
    by_hole: dict[str, list[Reading]] = {}
    for reading in readings:
        by_hole.setdefault(reading.hole, []).append(reading)
    faults += _twins(by_hole)
    if len(by_hole) < rule.holes:
        faults.append(f"holes: {len(by_hole)} tested ({', '.join(by_hole) or 'none'}), but the rule asks for at least {rule.holes}.")
    rates, notes = [], []
    for hole, own in by_hole.items():
        wrong, falls = _falls(own)
        faults += wrong
        if not wrong:
            rate, unsettled = _hole_rate(hole, falls, rule)
            faults += unsettled
            rates += [rate] if rate else []
            notes += _interval_notes(hole, falls, rule)
    if faults:
        raise PercolationTestError(rules.id, faults)
    value, how = _combined([rate.min_per_in for rate in rates], rule)
    usable = rule.fastest <= value <= rule.slowest and math.isfinite(value)
    if not usable:
        notes.append(_out_of_limits(value, rule))
    notes += [rule.note] if rule.note else []
    return SiteRate(value, tuple(rates), how, usable, tuple(notes), rule.citation)


def same_name(hole: str) -> str:
    """What is left of a hole's name (`names.plain`) without spaces, punctuation, leading zeros and a spreadsheet's `.0` (own choice)."""
    found = re.sub(r"(?<!\d)0+(?=\d)", "", re.sub(r"^(\d+)[.,]0*$", r"\1", plain(hole)))
    return "".join(letter for letter in found if letter.isalnum()) or found


def _twins(by_hole: Mapping[str, Sequence[Reading]]) -> list[str]:
    """Names that may mean one hole: counted as several they would make up the number that the rule asks for."""
    alike: dict[str, list[str]] = {}
    for hole in by_hole:
        alike.setdefault(same_name(hole), []).append(hole)
    faults = []
    for names in alike.values():
        if len(names) > 1:
            named = " and ".join(f"'{hole}' (first at line {by_hole[hole][0].line})" for hole in names)
            faults.append(
                f"holes {named}: the names differ only in case, spaces, punctuation or noughts. Write one hole's name the same in every "
                "line, and give two holes names that differ."
            )
    return faults


# --- one hole ------------------------------------------------------------------------------------------------------------------


def measured_minutes(readings: Sequence[Reading]) -> list[tuple[float, int]]:
    """Minutes of each measured fall of one hole, and the line of its second reading; none where a reading goes back in time."""
    faults, fillings = _falls(readings)
    return [] if faults else [(fall.minutes, fall.line) for filling in fillings for fall in filling]


def _falls(readings: Sequence[Reading]) -> tuple[list[str], list[list[Fall]]]:
    """The falls of one hole, one list for each filling, and what is wrong with the readings."""
    faults: list[str] = []
    fillings: list[list[Fall]] = [[]]
    for before, after in pairwise(readings):
        where = f"hole {after.hole}, line {after.line}"
        at_once = after.refilled and after.time_min == before.time_min
        if after.time_min <= before.time_min and not at_once:
            faults.append(f"{where}: its time is not later than that of line {before.line}. Past midnight, count on: 24:10.")
        elif after.refilled:
            fillings.append([])
        elif after.depth_m < before.depth_m - SAME_M:
            rise = from_metres(before.depth_m - after.depth_m, "in")
            faults.append(f"{where}: the water rose by {rise:.3g} in since line {before.line}. Mark it refilled if water was added.")
        else:
            fillings[-1].append(Fall(before.time_min, after.time_min, max(after.depth_m - before.depth_m, 0.0), after.line))
    return faults, [falls for falls in fillings if falls]


def _hole_rate(hole: str, fillings: Sequence[Sequence[Fall]], rule: PercolationRule) -> tuple[HoleRate | None, list[str]]:
    falls = [fall for filling in fillings for fall in filling]
    if not falls:
        return None, [f"hole {hole}: no fall was measured; it takes two readings without a refill between them."]
    duration_min = falls[-1].end_min - falls[0].start_min
    faults = []
    if len(falls) < rule.min_readings:
        faults.append(
            f"hole {hole}, line {falls[-1].line}: the sheet ends after {len(falls)} measured falls; the rule asks for at least "
            f"{rule.min_readings}."
        )
    if duration_min < rule.duration_min:
        faults.append(
            f"hole {hole}, line {falls[-1].line}: the test ends after {duration_min:g} min; the rule asks for {rule.duration_min:g} min."
        )
    if faults:
        return None, faults
    if rule.kind == "fixed_fall":
        return _timed(hole, fillings[-1], len(falls), duration_min, rule)
    if rule.kind != "duration" and not (rule.settled_after is not None and len(falls) >= rule.settled_after):
        faults = [f"hole {hole}, {why}" for why in _unsettled(falls[-rule.count :], rule)]
        if faults:
            return None, faults
    last = falls[-rule.mean_of :]
    basis = (
        f"last fall, line {last[-1].line}"
        if len(last) == 1
        else f"mean of the last {len(last)} falls, lines {last[0].line} to {last[-1].line}"
    )
    return HoleRate(hole, math.fsum(fall.min_per_in for fall in last) / len(last), len(falls), duration_min, basis), []


def _unsettled(last: Sequence[Fall], rule: PercolationRule) -> list[str]:
    """Why the last falls have not settled, naming the reading; empty where they have."""
    if rule.kind == "same_rate":
        rates = [fall.min_per_in for fall in last]
        if all(math.isinf(rate) for rate in rates):
            return []
        mean = math.fsum(rates) / len(rates)
        if math.isinf(mean) or max(rates) - min(rates) > rule.within_share * mean * (1 + 1e-9):
            odd = max(last, key=lambda fall: abs(fall.min_per_in - rates[-1]))
            return [
                f"line {odd.line}: {_rate(odd.min_per_in)} there and {_rate(rates[-1])} at the end; the last {rule.count} rates must lie "
                f"within {100 * rule.within_share:g} percent of their mean. The rate has not settled: go on measuring."
            ]
        return []
    times = [fall.minutes for fall in last]
    if max(times) - min(times) > SAME_INTERVAL_MIN:
        odd = max(last, key=lambda fall: abs(fall.minutes - times[-1]))
        return [
            f"line {odd.line}: measured over {odd.minutes:g} min, the last one over {times[-1]:g} min. Falls over different times cannot "
            "be compared: measure at equal intervals."
        ]
    if rule.kind == "drop_range":
        low, high = min(last, key=lambda fall: fall.drop_m), max(last, key=lambda fall: fall.drop_m)
        pairs = [(low, high) if low.line < high.line else (high, low)]
    else:
        pairs = list(pairwise(last))
    return [
        f"line {after.line}: a fall of {_inches(after.drop_m)} after one of {_inches(before.drop_m)} (line {before.line}); of the last "
        f"{rule.count} they may differ by {_inches(rule.within_m)}. The rate has not settled: go on measuring."
        for before, after in pairs
        if abs(after.drop_m - before.drop_m) > rule.within_m + SAME_M
    ]


def _timed(
    hole: str, filling: Sequence[Fall], readings: int, duration_min: float, rule: PercolationRule
) -> tuple[HoleRate | None, list[str]]:
    """Minutes that the last `fall_m` of the last filling took; within a reading the water is taken to fall evenly."""
    left_m = rule.fall_m
    for fall in reversed(filling):
        if fall.drop_m >= left_m - SAME_M:
            start_min = fall.end_min - fall.minutes * min(left_m / fall.drop_m, 1.0)
            minutes = filling[-1].end_min - start_min
            basis = f"{minutes:.4g} min for the last {_inches(rule.fall_m)}, to line {filling[-1].line}"
            return HoleRate(hole, minutes / from_metres(rule.fall_m, "in"), readings, duration_min, basis), []
        left_m -= fall.drop_m
    fell_m = rule.fall_m - left_m
    return None, [
        f"hole {hole}, line {filling[-1].line}: the water fell {_inches(fell_m)} since the last filling; the rule times the last "
        f"{_inches(rule.fall_m)}. Go on measuring."
    ]


def _interval_notes(hole: str, fillings: Sequence[Sequence[Fall]], rule: PercolationRule) -> list[str]:
    last = fillings[-1][-1].minutes if fillings else 0.0
    if not fillings or not rule.interval_min or any(abs(last - asked) <= SAME_INTERVAL_MIN for asked in rule.interval_min):
        return []
    asked = " or ".join(f"{minutes:g}" for minutes in rule.interval_min)
    return [f"hole {hole}: the last reading was taken after {last:g} min, the rule reads every {asked} min"]


# --- the site --------------------------------------------------------------------------------------------------------------------


def _combined(rates: Sequence[float], rule: PercolationRule) -> tuple[float, str]:
    """The site's min/in, and in words how the holes make it. The mean is that of min/in, not of inches a minute."""
    slowest, mean = max(rates), math.fsum(rates) / len(rates)
    if rule.combine == "slowest":
        return slowest, "the slowest hole"
    if rule.combine == "average_of_two_slowest":
        two = sorted(rates)[-2:]
        return math.fsum(two) / len(two), "mean of the two slowest holes"
    if rule.combine == "average_unless_apart" and slowest - min(rates) > rule.apart_min_per_in:
        apart = f"the holes differ by more than {rule.apart_min_per_in:g} min/in, so no mean is taken"
        return slowest, f"the slowest hole: {apart}; the soil varies, test more holes or move the field"
    return mean, f"mean of {len(rates)} holes"


def _out_of_limits(value: float, rule: PercolationRule) -> str:
    if math.isinf(value):
        return "in one hole or more the water stood still: not suitable"
    limit = f"faster than {rule.fastest:g}" if value < rule.fastest else f"slower than {rule.slowest:g}"
    return f"{_rate(value)} is {limit} min/in, the limit of {rule.citation}: not suitable"


def _rate(min_per_in: float) -> str:
    return "no fall at all" if math.isinf(min_per_in) else f"{min_per_in:.3g} min/in"


def _inches(length_m: float) -> str:
    return f"{from_metres(length_m, 'in'):.4g} in"


def _hours(minutes: float) -> str:
    return f"{minutes / 60:g} h"
