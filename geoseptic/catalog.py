"""Every process that geoseptic has. A new one is added here and nowhere else."""

from collections.abc import Mapping
from typing import Any, Final

from geoseptic.process import Process
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

PROCESSES: Final[Mapping[str, Process[..., Any]]] = {
    found.id: found
    for found in (
        setback_envelopes,
        slope_suitability,
        downslope_distance,
        suitability_map,
        screen_county,
        uncertainty,
        site_sheet,
        old_systems,
        rank_parcels,
        judge_findings,
        percolation_rate,
        size_field,
        compare_codes,
        county_map,
        check_inputs,
    )
}
