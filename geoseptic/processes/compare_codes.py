"""Declaration of the process `compare_codes`."""

from typing import TYPE_CHECKING, Annotated, Any

from geoseptic.errors import ParameterError
from geoseptic.model.rules import FEATURES, PARTS
from geoseptic.model.standing_rules import KINDS
from geoseptic.process import Names, RuleSetsIn, RunIn, TableOut, Text, process

if TYPE_CHECKING:
    from geoseptic.io.runfolders import FinishedRun
    from geoseptic.model.results import Results
    from geoseptic.model.rules import RuleSet
else:
    FinishedRun = RuleSet = Any

STATED_KINDS = tuple(kind for kind in KINDS if kind != "sewer")

Sets = Annotated[tuple[RuleSet, ...], RuleSetsIn("Rule set to compare, an id or a TOML file; default all that ship")]
Parts = Annotated[tuple[str, ...], Names("Part of the system whose distances to compare", tuple(PARTS))]
Features = Annotated[tuple[str, ...], Names("Feature to compare the distances from", tuple(FEATURES))]
Standings = Annotated[tuple[str, ...], Names("Kind of old system whose standing to compare", STATED_KINDS)]
Screened = Annotated[FinishedRun | None, RunIn("screen_county", "Folder of a finished screen_county, to compare parcel by parcel")]
Against = Annotated[FinishedRun | None, RunIn("screen_county", "Folder of another one of the same parcels, by another rule set")]
Parcel = Annotated[str | None, Text("Compare this parcel alone", 200)]


@process(
    id="compare_codes",
    title="Codes side by side",
    outputs=(
        TableOut("code_setbacks", "What each code asks between a part and a feature, with its reliefs and its citation", markdown=True),
        TableOut("code_standings", "What each code says of a kind of old system", markdown=True),
        TableOut("parcels_compared", "The verdicts on each parcel by two codes, what each needs, and why", markdown=True),
        TableOut("verdicts_compared", "How many parcels change from which verdict to which", markdown=True),
    ),
    example="--part drain_field --feature private_well --standing cesspool --out out",
)
def compare_codes(
    *,
    rules: Sets = (),
    part: Parts = (),
    feature: Features = (),
    standing: Standings = (),
    screened: Screened = None,
    against: Against = None,
    parcel: Parcel = None,
) -> "Results":
    """Rule sets side by side: distances with conditions, reliefs and citations, the standing of old systems, and the same parcels screened
    by two codes. Where nothing is named, everything is compared; where two screenings are given, they alone, unless more is named."""
    if (screened is None) != (against is None):
        raise ParameterError("--screened and --against go together: the folders of two finished screenings of the same parcels.")
    if parcel is not None and screened is None:
        raise ParameterError("--parcel needs --screened and --against.")
    from geoseptic.io.rulefiles import load_rules, shipped_rules
    from geoseptic.model.results import merged
    from geoseptic.processes import code_tables, screenings_compared

    sets = rules or tuple(load_rules(name) for name in shipped_rules())
    found = []
    if screened is not None and against is not None:
        found.append(screenings_compared.compared(screened, against, parcel))
    everything = not (part or feature or standing or screened)
    if part or feature or everything:
        found.append(code_tables.setbacks(sets, part or tuple(PARTS), feature or tuple(FEATURES)))
    if standing or everything:
        found.append(code_tables.standings(sets, standing or STATED_KINDS))
    return merged(*found)
