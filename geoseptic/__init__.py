"""Where on a lot may a septic tank and a drain field go: setback envelopes, slope, downslope distance to wells, suitability."""

from geoseptic.processes.downslope_distance import downslope_distance
from geoseptic.processes.setback_envelopes import setback_envelopes
from geoseptic.processes.slope_suitability import slope_suitability
from geoseptic.processes.suitability_map import suitability_map

__all__ = ["downslope_distance", "setback_envelopes", "slope_suitability", "suitability_map"]
