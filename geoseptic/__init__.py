"""Where on a lot may a septic tank and a drain field go: setback envelopes, slope, downslope distance to wells, suitability."""

from geoseptic.processes.check_inputs import check_inputs
from geoseptic.processes.compare_codes import compare_codes
from geoseptic.processes.county_map import county_map
from geoseptic.processes.downslope_distance import downslope_distance
from geoseptic.processes.judge_findings import judge_findings
from geoseptic.processes.old_systems import old_systems
from geoseptic.processes.percolation_rate import percolation_rate
from geoseptic.processes.rank_parcels import rank_parcels
from geoseptic.processes.screen_county import screen_county
from geoseptic.processes.setback_envelopes import setback_envelopes
from geoseptic.processes.site_sheet import site_sheet
from geoseptic.processes.size_field import size_field
from geoseptic.processes.slope_suitability import slope_suitability
from geoseptic.processes.suitability_map import suitability_map
from geoseptic.processes.uncertainty import uncertainty

__all__ = [
    "check_inputs",
    "compare_codes",
    "county_map",
    "downslope_distance",
    "judge_findings",
    "old_systems",
    "percolation_rate",
    "rank_parcels",
    "screen_county",
    "setback_envelopes",
    "site_sheet",
    "size_field",
    "slope_suitability",
    "suitability_map",
    "uncertainty",
]
