"""One rule set over those that it extends: later lines replace earlier ones, and none gets looser unnoticed."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final, Generic, TypeVar

from geoseptic.io.rulevalues import Faults
from geoseptic.model.rules import FEATURES, PARTS, Requirement, RuleSet, Setback, SlopeLimit, cases, lines_that_count

SetbackKey = tuple[str, str, frozenset[str], bool]
"""Part, feature, conditions, relief: a line replaces the one of the same key."""

SlopeKey = tuple[str, str]
"""Part and kind."""

MOST_CONDITIONS: Final = 8
"""Between one part and one feature; their cases double with each, and every case is looked at."""

Rule = TypeVar("Rule", Setback, SlopeLimit)


@dataclass(frozen=True)
class Stated(Generic[Rule]):
    """One line of a file; `where` names it, `variance` says that the file knows it to be looser than what it extends."""

    rule: Rule
    where: str
    variance: bool


def merged_setbacks(
    set_id: str, bases: Iterable[RuleSet], own: Mapping[SetbackKey, Stated[Setback]], faults: Faults
) -> dict[SetbackKey, Setback]:
    """The lines of `bases`, later over earlier, with those of this file over them.

    The result is held against what each base would ask between every part and feature, in every case and under every relief: a line of this
    file by which less is asked needs a variance, whether it shortens a line of the base or takes the place of a stand-in.
    """
    bases = tuple(bases)
    merged = {_key(entry): entry for base in bases for entry in base.setbacks}
    merged |= {key: stated.rule for key, stated in own.items()}
    found = [loosening for base in bases for loosening in _loosenings(base, tuple(merged.values()), own, faults)]
    without_need = {stated.where for stated in own.values() if stated.variance}
    told: set[SetbackKey | tuple[str, str]] = set()
    # The plainest first: of one line only its first loosening is told or noted.
    for loosening in sorted(found, key=_plainness):
        # A variance covers what binds no shorter than its own line, and no new line below it.
        varied = [key for key in loosening.by if own[key].variance and not _is_looser(loosening.after, own[key].rule)]
        without_need -= {own[key].where for key in varied}
        if not loosening.by:
            pair = (loosening.part, loosening.feature)
            if pair not in told:
                later = next(base.id for base in bases if loosening.after in base.setbacks)
                why = f"{later} has {loosening.after.stated} where an earlier set has {loosening.before.stated}"
                text = f"{loosening.part} to {loosening.feature}: {why}. State the distance that holds in this file, with its citation."
                faults.add("extends", text)
            told.add(pair)
        elif varied:
            for key in varied:
                if key not in told:
                    merged[key] = _varied(own[key].rule, loosening.before)
            told.update(varied)
        elif loosening.by[0] not in told:
            faults.add(own[loosening.by[0]].where, _looser(loosening))
            told.add(loosening.by[0])
    _refuse_needless_variances(without_need, set_id, faults)
    return merged


@dataclass(frozen=True)
class _Loosening:
    """Between one part and feature, in the case that exactly `holding` hold and the reliefs of `granted` are given, `before` binds in a set
    that is extended and the shorter `after` here. `by` are the lines of this file that did it, the binding one first; empty where another
    extended set did."""

    part: str
    feature: str
    before: Setback
    after: Setback
    holding: frozenset[str]
    granted: frozenset[str]
    by: tuple[SetbackKey, ...]


def _loosenings(
    base: RuleSet, lines: tuple[Setback, ...], own: Mapping[SetbackKey, Stated[Setback]], faults: Faults
) -> Iterator[_Loosening]:
    """Every case in which less is asked by `lines` than by `base`."""
    for part in PARTS:
        earlier, later = (tuple(entry for entry in entries if entry.part == part) for entries in (base.setbacks, lines))
        for feature in FEATURES:
            before, after = lines_that_count(earlier, part, feature), lines_that_count(later, part, feature)
            # Where the base is silent there is nothing to loosen. Every full line of a base is also here, if not with its own distance.
            if before is None or after is None or before[1] == after[1]:
                continue
            names = frozenset().union(*(entry.when for entry in (*before[1], *after[1])))
            if len(names) > MOST_CONDITIONS:
                why = f"{part} to {feature} hangs on {len(names)} conditions; over {MOST_CONDITIONS} cannot be held against '{base.id}'"
                faults.add("setback", f"{why}. Merge some of them.")
                continue
            for holding, granted in _cases_and_grants((*before[1], *after[1])):
                known = {name: name in holding for name in names}
                asked = Requirement(part, feature, before[1]).settled(known, granted).largest
                asks = Requirement(part, feature, after[1]).settled(known, granted).largest
                if _is_looser(asks, asked):
                    yield _Loosening(part, feature, asked, asks, holding, granted, _by(asked, asks, after, holding, own))


def _cases_and_grants(entries: tuple[Setback, ...]) -> Iterator[tuple[frozenset[str], frozenset[str]]]:
    """Every case with every choice of reliefs that could be granted in it."""
    of_reliefs = frozenset().union(*(entry.when for entry in entries if entry.relief))
    for holding in cases(entries, {}):
        names = sorted(of_reliefs & holding)
        for count in range(len(names) + 1):
            yield from ((holding, frozenset(granted)) for granted in combinations(names, count))


def _by(
    before: Setback, after: Setback, counting: tuple[str, tuple[Setback, ...]], holding: frozenset[str], own: Mapping[SetbackKey, object]
) -> tuple[SetbackKey, ...]:
    """The lines of the own file that make the difference: what binds now, and what replaced the line that bound before; failing both,
    all that it states for the feature whose lines count."""
    feature, entries = counting
    equal = [
        entry
        for entry in entries
        if entry.relief == after.relief and entry.when <= holding and not (_is_looser(entry, after) or _is_looser(after, entry))
    ]
    found = [key for key in (*map(_key, [after, *equal]), _key(before)) if key in own]
    return tuple(dict.fromkeys(found or [key for key in own if key[:2] == (after.part, feature)]))


def _key(entry: Setback) -> SetbackKey:
    return entry.part, entry.feature, entry.when, entry.relief


def _plainness(loosening: _Loosening) -> tuple[bool, int, int, float]:
    stands_in = loosening.after.feature != loosening.feature
    return stands_in, len(loosening.granted), len(loosening.holding), -_metres(loosening.before)


def merged_slope_limits(
    set_id: str, bases: Iterable[RuleSet], own: Mapping[SlopeKey, Stated[SlopeLimit]], faults: Faults
) -> dict[SlopeKey, SlopeLimit]:
    merged: dict[SlopeKey, SlopeLimit] = {}
    for base in bases:
        for limit in base.slope_limits:
            earlier = merged.get((limit.part, limit.kind))
            if earlier is not None and limit.max_percent > earlier.max_percent and (limit.part, limit.kind) not in own:
                faults.add("extends", f"{base.id} allows {limit.part} on steeper ground than an earlier set. State which holds.")
            merged[limit.part, limit.kind] = limit
    # The steepest of all kinds counts, so a new kind can loosen too.
    before = {part: max(limit.max_percent for limit in merged.values() if limit.part == part) for part, _ in merged}
    without_need = {stated.where for stated in own.values() if stated.variance}
    for key, stated in own.items():
        rule = stated.rule
        earlier_percent = merged[key].max_percent if key in merged else before.get(rule.part)
        if earlier_percent is not None and rule.max_percent > earlier_percent:
            without_need.discard(stated.where)
            if not stated.variance:
                why = f"{rule.max_percent:g} percent is steeper than the {earlier_percent:g} percent of what it extends"
                faults.add(stated.where, f"{why}. A looser value needs variance = true and its own citation.")
            rule = replace(rule, note=f"variance: {earlier_percent:g} percent in what this set extends. {rule.note}".strip())
        merged[key] = rule
    _refuse_needless_variances(without_need, set_id, faults)
    return merged


def _metres(entry: Setback) -> float:
    """For comparing strictness: no distance at all is the loosest."""
    return -1.0 if entry.distance_m is None else entry.distance_m


def _is_looser(rule: Setback, before: Setback) -> bool:
    # A millionth of a metre: 30.48 m is not looser than 100 ft.
    return _metres(rule) < _metres(before) - 1e-6


def _looser(loosening: _Loosening) -> str:
    before, after, citation = loosening.before, loosening.after, loosening.before.citation
    to = f"to {loosening.feature}: " if after.feature != loosening.feature else ""
    holds = "holds" if len(loosening.holding) == 1 else "hold"
    case = f" where {' and '.join(sorted(loosening.holding))} {holds}" if loosening.holding else ""
    grant = f" and the relief for {' and '.join(sorted(loosening.granted))} is granted" if loosening.granted else ""
    for_another = f" for {before.feature}, which stands in for {loosening.feature}," if before.feature != loosening.feature else ""
    return (
        f"{to}{after.stated}{case}{grant} is looser than the {before.stated}{for_another} of {citation.title}, {citation.section}. "
        "A looser value needs variance = true and its own citation."
    )


def _varied(rule: Setback, before: Setback) -> Setback:
    """`rule` with a note that it loosens, so that no output hides it."""
    note = f"variance: {before.stated} by {before.citation.title}, {before.citation.section}. {rule.note}".strip()
    return replace(rule, note=note)


def _refuse_needless_variances(wheres: Iterable[str], set_id: str, faults: Faults) -> None:
    for where in sorted(wheres):
        faults.add(where, f"variance = true, but nothing here is looser than what '{set_id}' extends. Leave it out.")


def refuse_reliefs_of_nothing(merged: Mapping[SetbackKey, Setback], own: Mapping[SetbackKey, Stated[Setback]], faults: Faults) -> None:
    """A relief shortens a full distance: without one it would be all that the code says, and longer it would be none."""
    full: dict[tuple[str, str], float] = {}
    for entry in merged.values():
        if not entry.relief:
            pair = (entry.part, entry.feature)
            full[pair] = max(full.get(pair, -1.0), _metres(entry))
    for stated in own.values():
        rule = stated.rule
        if rule.relief and _metres(rule) >= full.get((rule.part, rule.feature), -1.0):
            faults.add(stated.where, f"{rule.part} to {rule.feature}: the relief of {rule.stated} shortens no full distance.")
