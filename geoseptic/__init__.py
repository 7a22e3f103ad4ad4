"""Where on a lot may a septic tank and a drain field go: setback envelopes, slope, downslope distance to wells, suitability."""

from geoseptic.processes.downslope_distance import downslope_distance
from geoseptic.processes.judge_findings import judge_findings
from geoseptic.processes.percolation_rate import percolation_rate
from geoseptic.processes.screen_county import screen_county
from geoseptic.processes.setback_envelopes import setback_envelopes
from geoseptic.processes.size_field import size_field
from geoseptic.processes.slope_suitability import slope_suitability
from geoseptic.processes.suitability_map import suitability_map

__all__ = [
    "downslope_distance",
    "judge_findings",
    "percolation_rate",
    "screen_county",
    "setback_envelopes",
    "size_field",
    "slope_suitability",
    "suitability_map",
]
