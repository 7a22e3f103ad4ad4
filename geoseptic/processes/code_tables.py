"""Rule sets side by side: one row a rule set and question, also where the set is silent."""

from collections.abc import Sequence

from geoseptic.errors import CodeSilentError
from geoseptic.model.citation import Citation
from geoseptic.model.results import Cell, Results, TableResult
from geoseptic.model.rules import CONDITIONS, FEATURES, PARTS, Requirement, RuleSet, Setback
from geoseptic.model.standing_rules import KINDS, SILENCE
from geoseptic.processes.sizing_tables import unchecked
from geoseptic.units import from_metres

NO_SETBACKS = "no distances in this rule set"
UNCERTAIN = "depends on the conditions"


def setbacks(sets: Sequence[RuleSet], parts: Sequence[str], features: Sequence[str]) -> Results:
    """What each set asks between each part and feature. A set without any distance has one row that says so."""
    notes = {
        "rules": "Rule set",
        "jurisdiction": "Where it holds",
        "part": "Part of the system",
        "feature": "What it keeps its distance from",
        "in_any_case": "Distance that is asked whatever the conditions",
        "longest": "Longest distance that some condition may ask",
        "longest_ft": "The same, in feet",
        "longest_m": "The same, in metres",
        "conditions": "What is asked under which condition",
        "reliefs": "Shorter distances that the authority may grant, and what must hold",
        "stands_for": "Feature whose distance stands in, where the code does not name this one",
        "checked": "Whether every value was read in the code's own text or a legal publisher's print",
        "citation": "Where it was read",
        "address": "Address of what was read",
    }
    rows: list[tuple[Cell, ...]] = []
    cited: dict[Citation, None] = {}
    for part in parts:
        for feature in features:
            for rules in sets:
                if not rules.setbacks:
                    continue
                try:
                    requirement = rules.requirement(part, feature)
                except CodeSilentError:
                    rows.append(_row(rules, PARTS[part], FEATURES[feature], SILENCE))
                    continue
                cited |= dict.fromkeys(entry.citation for entry in requirement.entries)
                rows.append(_setback_row(rules, requirement))
    rows += [_row(rules, "", "", NO_SETBACKS) for rules in sets if not rules.setbacks]
    table = TableResult("code_setbacks", tuple(notes), tuple(rows), _title(parts, features), notes, markdown=True)
    silent, without = (sum(row[4] == words for row in rows) for words in (SILENCE, NO_SETBACKS))
    return Results(
        tables=(table,),
        counts={"rule_sets": len(sets), "distances": len(rows) - silent - without, "silences": silent, "sets_without_distances": without},
        warnings=tuple(unchecked(cited)),
        citations=tuple(cited),
    )


def standings(sets: Sequence[RuleSet], kinds: Sequence[str]) -> Results:
    """What each set says of each kind of old system: a row a line, and one where it says nothing."""
    notes = {
        "rules": "Rule set",
        "jurisdiction": "Where it holds",
        "kind": "Kind of system",
        "says": "What the code says",
        "only": "Which of them it means, empty for all",
        "unless": "Its exceptions",
        "note": "What else the code says there",
        "checked": "Whether it was read in the code's own text or a legal publisher's print",
        "citation": "Where it was read",
        "address": "Address of what was read",
    }
    rows: list[tuple[Cell, ...]] = []
    cited: dict[Citation, None] = {}
    silent = 0
    for kind in kinds:
        for rules in sets:
            standing = rules.standing(kind)
            if standing.is_silent:
                silent += 1
                rows.append((rules.id, rules.jurisdiction, KINDS[kind], SILENCE, "", "", "", None, "", ""))
            for line in standing.lines:
                cited[line.citation] = None
                rows.append(
                    (
                        *(rules.id, rules.jurisdiction, KINDS[kind], line.plain_words, line.only, line.unless, line.note),
                        *(line.citation.checked, str(line.citation), line.citation.address),
                    )
                )
    title = f"Standing of old systems: {', '.join(kind.replace('_', ' ') for kind in kinds)}"
    return Results(
        tables=(TableResult("code_standings", tuple(notes), tuple(rows), title, notes, markdown=True),),
        counts={"standings": len(rows) - silent, "silent_standings": silent},
        warnings=tuple(unchecked(cited)),
        citations=tuple(cited),
    )


def _title(parts: Sequence[str], features: Sequence[str]) -> str:
    named = [names[0] for names in (parts, features) if len(names) == 1]
    return "Distances by code" + (f": {' to '.join(name.replace('_', ' ') for name in named)}" if named else "")


def _row(rules: RuleSet, part: str, feature: str, words: str) -> tuple[Cell, ...]:
    return (rules.id, rules.jurisdiction, part, feature, words, None, None, None, "", "", "", None, "", "")


def _setback_row(rules: RuleSet, requirement: Requirement) -> tuple[Cell, ...]:
    settled = requirement.settled({})
    longest = settled.largest
    asked = [entry for entry in requirement.entries if not entry.relief]
    reliefs = [entry for entry in requirement.entries if entry.relief]
    citations = list(dict.fromkeys(entry.citation for entry in requirement.entries))
    metres = longest.distance_m
    return (
        rules.id,
        rules.jurisdiction,
        PARTS[requirement.part],
        FEATURES[requirement.feature],
        settled.certain.stated if settled.certain is not None else UNCERTAIN,
        longest.stated,
        None if metres is None else round(from_metres(metres, "ft"), 1),
        None if metres is None else round(metres, 2),
        "; ".join(_condition(entry) for entry in asked if len(asked) > 1 or entry.when or entry.note or entry.measured_from),
        "; ".join(_condition(entry) for entry in reliefs),
        "" if requirement.stands_for is None else FEATURES[requirement.stands_for],
        all(citation.checked for citation in citations),
        "; ".join(map(str, citations)),
        "; ".join(dict.fromkeys(citation.address for citation in citations if citation.address)),
    )


def _condition(entry: Setback) -> str:
    words = entry.stated
    if entry.when:
        words += " where " + " and ".join(CONDITIONS[name] for name in sorted(entry.when))
    if entry.measured_from:
        words += f", measured from {entry.measured_from}"
    return words + (f" ({entry.note})" if entry.note else "")
