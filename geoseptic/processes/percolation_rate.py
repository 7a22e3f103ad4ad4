"""Declaration of the process `percolation_rate`."""

from typing import TYPE_CHECKING, Annotated

from geoseptic.process import Number, SheetIn, TableOut, process
from geoseptic.processes import inputs

if TYPE_CHECKING:
    from geoseptic.model.results import Results
    from geoseptic.systems.percolation import Reading

Sheet = Annotated["tuple[Reading, ...]", SheetIn()]
Presoak = Annotated[float | None, Number("How long the holes were kept full of water before the test", "h", 0.0, 96.0)]


@process(
    id="percolation_rate",
    title="Percolation rate",
    outputs=(TableOut("percolation", "Minutes per inch of every hole and of the site, and how they were found"),),
    example="--sheet sheet.csv --presoak '4 h' --rules us-typical --out out",
)
def percolation_rate(sheet: Sheet, *, rules: inputs.Rules, presoak_h: Presoak = None) -> "Results":
    """Percolation rate of each test hole and of the site from a field sheet, by the rule set's own test. A sheet too short to have
    settled is refused, and the reading that broke the rule is named."""
    from geoseptic.processes import sizing_tables
    from geoseptic.systems.percolation import site_rate

    found = site_rate(sheet, rules, presoak_min=None if presoak_h is None else 60 * presoak_h)
    return sizing_tables.percolation_results(found, rules)
