"""Declaration of the process `size_field`."""

from typing import TYPE_CHECKING, Annotated

from geoseptic.model.sizing_rules import FIXTURES
from geoseptic.process import Choice, Count, Length, Number, TableOut, Text, process
from geoseptic.processes import inputs
from geoseptic.units import CUBIC_METRES_PER_DAY_PER_UNIT

if TYPE_CHECKING:
    from geoseptic.model.results import Results

Bedrooms = Annotated[int | None, Count("Bedrooms of the house; unknown: the rule set's assumption, and a range", 1, 20)]
Fixtures = Annotated[str | None, Choice("Age of the plumbing fixtures; unknown: the highest flow", tuple(FIXTURES))]
Flow = Annotated[float | None, Number("Design flow, instead of that by bedrooms", "gpd", 20.0, 20000.0)]
Percolation = Annotated[float | None, Number("Percolation rate; unknown: a range", "min/in", 0.0, 1000.0)]
Soil = Annotated[str | None, Text("Soil, by a name that the rule set's loading table has; unknown: a range", 120)]
TrenchWidth = Annotated[float | None, Length("Width of the trenches; default that of the rule set", 0.15, 3.0)]
GravelDepth = Annotated[float | None, Length("Gravel below the pipe, for codes that give credit for it", 0.1, 1.5)]
Layout = Annotated[str, Choice("Trenches, or a bed where the code allows one", ("trench", "bed"))]


@process(
    id="size_field",
    title="Size of tank and field",
    outputs=(TableOut("sizing", "Design flow, loading, absorption area, trench length, tank volume and reserve, each with its basis"),),
    example="--rules us-ny --bedrooms 3 --percolation '12 min/in' --out out",
)
def size_field(
    *,
    rules: inputs.Rules,
    bedrooms: Bedrooms = None,
    fixtures: Fixtures = None,
    flow_gpd: Flow = None,
    percolation_min_per_in: Percolation = None,
    soil: Soil = None,
    trench_width_m: TrenchWidth = None,
    gravel_depth_m: GravelDepth = None,
    layout: Layout = "trench",
) -> "Results":
    """Size of the septic tank, the drain field and its reserve that a house and its soil need under a rule set. What is not known is
    assumed as the rule set states, marked so, and given as a range."""
    from geoseptic.processes import sizing_tables
    from geoseptic.systems.sizing import field_size

    found = field_size(
        rules,
        bedrooms=bedrooms,
        fixtures=fixtures,
        flow_m3_per_day=None if flow_gpd is None else flow_gpd * CUBIC_METRES_PER_DAY_PER_UNIT["gpd"],
        percolation_min_per_in=percolation_min_per_in,
        soil=soil,
        trench_width_m=trench_width_m,
        gravel_depth_m=gravel_depth_m,
        layout=layout,
    )
    return sizing_tables.sizing_results(found, rules)
