"""Declaration of the process `judge_findings`."""

from typing import TYPE_CHECKING, Annotated, Any

from geoseptic.model import layers
from geoseptic.process import FindingsIn, LayerIn, LayerOut, PageOut, RulesIn, TableOut, process

if TYPE_CHECKING:
    from geopandas import GeoDataFrame
    from pandas import DataFrame

    from geoseptic.model.results import Results
    from geoseptic.model.rules import RuleSet
else:
    DataFrame = GeoDataFrame = RuleSet = Any

Points = Annotated[DataFrame, FindingsIn(layers.FINDING_POINTS)]
Runs = Annotated[DataFrame, FindingsIn(layers.FINDING_RUNS)]
Parcels = Annotated[GeoDataFrame | None, LayerIn(layers.PARCELS, "Parcels, to tell properties apart by where their points lie")]
Rules = Annotated["RuleSet", RulesIn(setbacks=False)]


@process(
    id="judge_findings",
    title="What an inspection found",
    outputs=(
        LayerOut(
            "findings", "systems", "Each system with its kind, its verdict, what speaks against it, what is not proven and what to do next"
        ),
        LayerOut("findings", "links", "What drains where, and how well each link is known"),
        LayerOut("findings", "points", "The points, with the system that each belongs to"),
        LayerOut("findings", "properties", "The parcels that were inspected, with the worst verdict of their systems; only with parcels"),
        TableOut("findings", "One row a system"),
        PageOut("findings", "All of it in sentences, property by property"),
    ),
    example="--points points.csv --runs runs.csv --rules us-nj --out out",
)
def judge_findings(points: Points, runs: Runs, *, rules: Rules, parcels: Parcels = None) -> "Results":
    """What lids, pipes and camera runs of an inspection show: what drains where, what kind of system that is, whether it may stay under
    the rule set, what is not proven, and what to do next. Findings that contradict each other are told, and never averaged."""
    from geoseptic.processes import finding_places, finding_tables
    from geoseptic.systems.findings import judge

    placed = finding_places.placed(points, runs, parcels)
    return finding_tables.results(judge(placed.found, rules), placed, rules)
