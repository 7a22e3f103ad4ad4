"""Declaration of the process `site_sheet`."""

from typing import TYPE_CHECKING, Annotated, Any

from geoseptic.errors import ParameterError
from geoseptic.process import Choice, FileOut, Ids, RunIn, process

if TYPE_CHECKING:
    from geoseptic.io.runfolders import FinishedRun
    from geoseptic.model.results import Results
else:
    FinishedRun = Any

MOST_SHEETS = 1000

Screening = Annotated[FinishedRun, RunIn("screen_county", "Folder of a finished screen_county")]
Chances = Annotated[
    FinishedRun | None, RunIn("uncertainty", "Folder of a finished uncertainty of the same layers and rules: how sure it is")
]
Parcels = Annotated[tuple[str, ...], Ids("Parcel to make the sheet of, by its parcel_id", 200)]
Paper = Annotated[str, Choice("Paper of the plans", ("letter", "a4"))]

Bearings = Annotated[str, Choice("Whether lot lines have their bearing beside their length, from the north of the grid", ("no", "yes"))]


@process(
    id="site_sheet",
    title="Site sheets",
    outputs=(
        FileOut("site_*.pdf", "Plot plan to scale of each parcel, with setbacks, sizes and what to check on the lot", "application/pdf"),
        FileOut("site_*.html", "The same as a page to read on a screen or a phone", "text/html"),
    ),
    example="--screening out/demo --parcel MH-006-03 --out out/sheets",
)
def site_sheet(
    screening: Screening, *, parcel: Parcels, paper: Paper = "letter", bearings: Bearings = "no", chances: Chances = None
) -> "Results":
    """A plan of each parcel to print and walk the yard with, made of a finished screening and nothing else: to an engineer's scale, with
    every distance that is asked and kept, sizes, what they rest on, and what to check on the lot."""
    if not 1 <= len(parcel) <= MOST_SHEETS:
        raise ParameterError(f"--parcel must name 1 to {MOST_SHEETS} parcels.")
    from geoseptic.processes import site_files

    return site_files.sheets(screening, parcel, paper, bearings=bearings == "yes", uncertainty=chances)
