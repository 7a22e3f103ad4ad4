"""Declaration of the process `slope_suitability`."""

from typing import TYPE_CHECKING

from geoseptic.process import RasterOut, process
from geoseptic.processes import inputs
from geoseptic.processes.inputs import WINDOW_M

if TYPE_CHECKING:
    from geoseptic.model.results import Results


@process(
    id="slope_suitability",
    title="Slope suitability",
    outputs=(
        RasterOut("slope", "Slope of the ground over the size of a drain field, in percent"),
        RasterOut("slope_class", "Soil-survey interpretive class for absorption fields, and the code's limit"),
    ),
    example="--elevation dem.tif --elevation-unit m --rules us-ny --out out",
    bytes_a_cell=13,
)
def slope_suitability(
    elevation: inputs.Elevation,
    *,
    rules: inputs.Rules,
    window_m: inputs.Window = WINDOW_M,
    method: inputs.SlopeMethod = "plane",
    workers: inputs.Workers = 1,
) -> "Results":
    """Slope of the ground as a drain field meets it, and its class by the federal soil survey and by the rule set's own limit."""
    from geoseptic.model.results import merged
    from geoseptic.processes import plausible_ground, slopes

    elevation.grid.frame.refuse_distortion(elevation.grid.bounds_m, "elevation")
    slope = slopes.slope_percent(elevation, window_m, method, workers)
    results = slopes.slope_results(slope, elevation, rules, window_m, method, workers)
    return merged(results, plausible_ground.ground_results(elevation), slopes.soil_survey_citations("slope_percent"))
