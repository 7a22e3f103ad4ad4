"""The steps that processes are made of: each takes checked values and returns values or results."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from geoseptic.errors import CodeSilentError
from geoseptic.io import kept
from geoseptic.io.digests import Hashed
from geoseptic.io.keptgroups import hashed_shapes
from geoseptic.io.shelves import Shelf
from geoseptic.memory import give_back
from geoseptic.model.grid import Raster
from geoseptic.model.results import Results
from geoseptic.model.rules import GROUND_CONDITIONS, RuleSet
from geoseptic.parcels.envelope import LOT_LINE, Envelopes
from geoseptic.parcels.ground import Ground
from geoseptic.parcels.zones import Zones, zones
from geoseptic.processes import kept_envelopes, shelved_envelopes, tables
from geoseptic.processes.accounts import failure
from geoseptic.processes.land import Land
from geoseptic.processes.paths import Drained
from geoseptic.stages import stage

Floats = npt.NDArray[np.float32]


UNPROVEN: Final = "the envelope could not be shown to keep every distance, so it was emptied"


@dataclass(frozen=True)
class Cut:
    """One part's envelopes, the zones they were cut by and the strips along the lot lines."""

    envelopes: Envelopes
    zones: Zones
    zone_shapes: Hashed
    strips: Hashed
    lot_line_silent: bool


def needs_ground(rules: RuleSet, parts: Iterable[str], land: Land) -> bool:
    """Whether any setback of the features at hand depends on drainage or slope direction."""
    for part in parts:
        for feature in set(land.obstacles.feature):
            try:
                requirement = rules.requirement(part, feature)
            except CodeSilentError:
                continue
            if any(entry.when & GROUND_CONDITIONS for entry in requirement.entries):
                return True
    return False


def ground_facts(elevation: Raster, ground: Drained, well_radius_m: float) -> Ground:
    """What settles conditions that follow from the ground."""
    return Ground(elevation, ground.receivers, ground.edge, well_radius_m)


@stage("setback envelopes")
def cut_envelopes(
    land: Land,
    rules: RuleSet,
    parts: Iterable[str],
    facts: Mapping[str, bool],
    granted: frozenset[str],
    ground: Ground | None,
    workers: int,
) -> tuple[Cut, ...]:
    """Every part's zones and envelopes. Raises CodeSilentError where the rules say nothing on a well or water that is there."""
    cuts = []
    strips: dict[float, Hashed] = {}
    parcels, sources, shelf = land.lots, hashed_shapes(land.obstacles.shapes_m), Shelf()
    for part in parts:
        found = zones(land.obstacles, rules, part, facts=facts, granted=granted, ground=ground, workers=workers)
        try:
            lot_line = rules.requirement(part, LOT_LINE).settled(facts, granted).largest
            lot_line_m, silent = lot_line.distance_m or 0.0, False
        except CodeSilentError:
            lot_line_m, silent = 0.0, True
        given = land.fabric, found, land.obstacles, lot_line_m, lot_line_m not in strips, workers, parcels, sources
        cut, own = shelved_envelopes.cut(*given, shelf) if kept.in_use() is None else kept_envelopes.cut(*given)
        cut = cut.without(land.fabric.spoilt)
        if own is not None:
            strips[lot_line_m] = own
        cuts.append(Cut(cut, found, kept_envelopes.zone_shapes(found, sources), strips[lot_line_m], silent))
    return tuple(cuts)


def envelope_results(land: Land, rules: RuleSet, cuts: tuple[Cut, ...]) -> Results:
    """Envelopes and zones as layers, with what was silent, stood in for, unchecked or failed."""
    claims = tables.claims_of(land.fabric)
    layers = [tables.envelope_layer(cut.envelopes, cut.zones, land.well_not_on_record, claims, rules, land.frame) for cut in cuts]
    layers.append(
        tables.zone_layer(
            [(cut.envelopes, cut.zones, cut.zone_shapes, cut.strips) for cut in cuts], land.obstacles.location_error_m, rules, land.frame
        )
    )
    give_back()
    warnings = list(land.notes)
    failures = []
    counts: dict[str, object] = dict(land.counts)
    for cut in cuts:
        part = cut.zones.part
        words = part.replace("_", " ")
        for feature in (*cut.zones.silent, *([LOT_LINE] if cut.lot_line_silent else [])):
            warnings.append(f"code silent: '{rules.id}' has no distance from a {words} to '{feature}'; only the feature itself is kept out")
        for feature, stand_in in cut.zones.stand_ins:
            warnings.append(f"'{rules.id}' does not name '{feature}' for a {words}; held to its value for '{stand_in}'")
        for index in cut.envelopes.failed:
            if index not in land.fabric.spoilt:
                why = cut.envelopes.why.get(int(index), UNPROVEN)
                failures.append(failure(land, index, f"envelope of {words}", why))
        counts[f"parcels_with_room_for_{part}"] = int(np.count_nonzero(cut.envelopes.area_m2 > 0))
        counts[f"parcels_with_open_questions_for_{part}"] = int(
            np.count_nonzero(cut.envelopes.possible_area_m2 > cut.envelopes.area_m2 + tables.OPEN_FROM_M2)
        )
        unchecked = sorted(set(cut.zones.citation[~cut.zones.checked]))
        warnings += [f"value used for a {words} that was not checked against the code's own text: {citation}" for citation in unchecked]
    return Results(
        layers=tuple(layers),
        counts=counts,
        warnings=tuple(dict.fromkeys(warnings)),
        repairs=tables.repair_records(land.repairs),
        failures=tuple(failures),
    )
