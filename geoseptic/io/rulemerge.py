"""One rule set over those that it extends: later lines replace earlier ones, and none gets looser unnoticed."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

from geoseptic.io.rulevalues import Faults
from geoseptic.model.rules import Citation, RuleSet, Setback, SlopeLimit

SetbackKey = tuple[str, str, frozenset[str], bool]
"""Part, feature, conditions, relief: a line replaces the one of the same key."""

SlopeKey = tuple[str, str]
"""Part and kind."""

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
    """The lines of `bases`, later over earlier, with those of this file over them; a line that loosens needs a variance."""
    merged: dict[SetbackKey, Setback] = {}
    loosened: dict[SetbackKey, str] = {}
    for base in bases:
        for entry in base.setbacks:
            key = (entry.part, entry.feature, entry.when, entry.relief)
            if key in merged and _is_looser(entry, merged[key]):
                loosened[key] = f"{base.id} has {entry.stated} where an earlier set has {merged[key].stated}"
            merged[key] = entry
    for (part, feature, *_), why in ((key, why) for key, why in loosened.items() if key not in own):
        faults.add("extends", f"{part} to {feature}: {why}. State the distance that holds in this file, with its citation.")
    without_need = {stated.where for stated in own.values() if stated.variance}
    for key, stated in own.items():
        before, rule = merged.get(key), stated.rule
        if before is not None and _is_looser(rule, before):
            without_need.discard(stated.where)
            if not stated.variance:
                faults.add(stated.where, _looser(rule.stated, before.stated, before.citation))
            rule = _varied(rule, before)
        merged[key] = rule
    _refuse_needless_variances(without_need, set_id, faults)
    return merged


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


def _looser(stated: str, before: str, citation: Citation) -> str:
    return (
        f"{stated} is looser than the {before} of {citation.title}, {citation.section}. "
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
