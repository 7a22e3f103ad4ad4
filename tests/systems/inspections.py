"""Small inspections for tests: tables written as an inspector would, and a rule set with plain answers."""

from collections.abc import Sequence

import pandas as pd

from geoseptic.model.citation import Citation
from geoseptic.model.finding_checks import checked_findings
from geoseptic.model.findings import Inspection
from geoseptic.model.rules import RuleSet, Setback
from geoseptic.model.standing_rules import StandingLine
from geoseptic.systems.findings import Judgement, Property, Verdict, judge

CODE = Citation("code", "Invented code", "section 1", "2020", "", "", checked=True)


def line(kind: str, existing: str, only: str = "") -> StandingLine:
    return StandingLine(kind, "", "", existing, "", only, "", CODE)


def setback(part: str, feet: float) -> Setback:
    return Setback(part, "private_well", feet * 0.3048, f"{feet:g} ft", frozenset(), False, "", CODE)


RULES = RuleSet(
    "invented", "Invented code", "nowhere", "2020", "ft", "", (),
    (setback("cesspool", 200), setback("seepage_pit", 150), setback("drain_field", 100), setback("septic_tank", 50)),
    (),
    standings=(
        line("cesspool", "counts_as_failed"),
        line("seepage_pit", "replace_at_sale"),
        line("tank_and_field", "allowed_if_working"),
        line("straight_pipe", "banned"),
    ),
)  # fmt: skip
"""Cesspools count as failed, seepage pits go at sale, tank and field may stay; 200, 150, 100 and 50 ft from a well."""


def table(text: str) -> pd.DataFrame:
    """Columns parted by |, as in a field book; cells that are left out at the end of a row are empty."""
    header, *rows = [[cell.strip() for cell in row.split("|")] for row in text.strip().splitlines()]
    assert not any(any(row[len(header) :]) for row in rows)
    return pd.DataFrame([(row + [""] * len(header))[: len(header)] for row in rows], columns=header, dtype="string")


def inspection(points: str | pd.DataFrame, runs: str | pd.DataFrame) -> Inspection:
    as_tables = [table(each) if isinstance(each, str) else each for each in (points, runs)]
    return checked_findings(*as_tables)


def judged(points: str | pd.DataFrame, runs: str | pd.DataFrame, rules: RuleSet = RULES) -> Judgement:
    return judge(inspection(points, runs), rules)


def only_property(judgement: Judgement) -> Property:
    (one,) = judgement.properties
    return one


def links(judgement: Judgement) -> set[tuple[str, str, int]]:
    """Upper id, lower id and strength of every link."""
    return {(link.upper[1], link.lower[1], link.strength) for link in judgement.graph.all_links()}


def system_with(one: Property, point: str) -> Verdict:
    return next(each for each in one.systems if any(key[1] == point for key in each.system.keys))


def said(words: Sequence[str], *parts: str) -> bool:
    """Whether one of the sentences holds all the parts."""
    return any(all(part in sentence for part in parts) for sentence in words)


def gap_words(one: Property) -> list[str]:
    return [gap.words for gap in (*one.gaps, *(gap for each in one.systems for gap in each.gaps))]
