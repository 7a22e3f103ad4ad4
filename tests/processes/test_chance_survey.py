"""Answers and what to survey first, from layers to rows."""

import math

import numpy as np
import pytest

from geoseptic.chance.visits import MOST_STOPS
from geoseptic.io.rulefiles import load_rules
from geoseptic.model.cautions import BEFORE_AN_OLD_WELL
from geoseptic.processes.chance_survey import words_of
from geoseptic.processes.uncertainty import uncertainty
from tests.processes.test_chance_fits import SURE, world


def layer(results, name):
    return next(one.frame for one in results.layers if one.name == name)


def table(results, name):
    return next(one for one in results.tables if one.name == name)


@pytest.fixture(scope="module")
def found():
    """A county in which every third well is placed by a quarter-quarter section and the others by an air photo."""
    given = {**world(40, 11), "draws": 24, "ground_draws": 1, "vertical_error_m": 0.0}
    rough = np.arange(len(given["wells"])) % 3 == 0
    given["wells"] = given["wells"].assign(
        location_method=np.where(rough, "quarter_quarter", "digitised"), location_error_m=np.where(rough, math.nan, 15.0)
    )
    return uncertainty(**given)


def test_beside_a_well_of_a_section_nothing_is_certain_that_it_could_change(found):
    rows = layer(found, "parcels")
    beside = rows.never_certain.notna()
    assert beside.any() and not ((rows.answer == "fits") & (rows.sure == "certain") & beside).any()
    no_room = beside & (rows.sure == "certain")
    assert (rows.answer[no_room] == "does not fit").all() and (rows.if_smallest_high[no_room] < 15).all()
    unjudged = rows.chance_both.isna()
    assert (rows.answer[unjudged] == "cannot say").all() and (rows.sure[unjudged] == "cannot say").all()
    assert set(rows.answer) == {"fits", "does not fit", "cannot say"}


def test_visits_are_for_undecided_parcels_alone_and_add_up(found):
    rows, visits = layer(found, "parcels").set_index("parcel_id"), layer(found, "survey_first")
    by_parcel = table(found, "survey_by_parcel").records
    undecided = set(rows.index[(rows.answer == "cannot say") & rows.chance_both.notna()])
    assert len(visits) and {row["parcel_id"] for row in by_parcel} <= undecided
    assert (np.diff(visits.settles) <= 0).all() and visits["rank"].tolist() == list(range(1, len(visits) + 1))
    for visit in visits.itertuples():
        own = [row for row in by_parcel if (row["what"], row["id"]) == (visit.what, visit.id) and row["settles_percent"] >= 1]
        assert visit.settles == pytest.approx(sum(row["settles_percent"] for row in own) / 100, abs=0.01 + 0.001 * len(own))
        assert visit.parcels == ", ".join(
            row["parcel_id"] for row in sorted(own, key=lambda row: (-row["settles_percent"], row["parcel_id"]))
        )
    first = {row["parcel_id"]: row for row in by_parcel if row["rank"] == 1}
    for name, row in first.items():
        assert rows.settled_by[name] == row["settles_percent"] and rows.decides[name].startswith(row["what"])
    assert found.counts["survey_visits"] == len(visits) and found.counts["answer_cannot_say"] >= len(first)


def test_walks_number_their_stops_and_old_wells_come_with_their_cautions(found):
    visits = layer(found, "survey_first")
    for _, own in visits.groupby("neighbourhood"):
        assert sorted(own.stop) == list(range(1, len(own) + 1)) and len(own) <= MOST_STOPS
        assert own.settles[own.stop == 1].iloc[0] == own.settles.max()
    wells = visits.what.isin(["well", "presumed well"])
    assert wells.any() and (visits.cautions[wells] == BEFORE_AN_OLD_WELL).all() and BEFORE_AN_OLD_WELL in found.warnings
    page = next(one for one in found.pages if one.name == "survey_first")
    assert any(words == BEFORE_AN_OLD_WELL for _, words in page.blocks)
    assert sum(kind == "item" for kind, _ in page.blocks) == len(visits)


def test_where_everything_is_known_nobody_has_to_go_but_for_soil_and_bedrooms():
    results = uncertainty(**{**world(30, 3), "draws": 10}, **SURE)
    visits, rows = layer(results, "survey_first"), layer(results, "parcels")
    assert set(visits.what) <= {"soil", "bedrooms", "soil and bedrooms"} and len(visits)
    some = rows.chance_both.notna()
    open_size = (rows.chance_both == 0) & (rows.chance_if_smallest == 100)
    assert ((rows.answer == "cannot say") == open_size)[some].all() and (rows.sure[some & ~open_size] == "certain").all()


def test_a_condition_that_nobody_has_stated_is_to_be_found_out_where_that_settles_the_answer():
    """By a code that asks more in coarse gravel, with nothing else uncertain: a parcel that fits without it and not with it has an answer
    either way; one that fits in neither case has it now."""
    results = uncertainty(**{**world(40, 3), "rules": load_rules("us-ny"), "draws": 6}, **SURE)
    rows, visits = layer(results, "parcels").set_index("parcel_id"), layer(results, "survey_first")
    own = visits[visits.what == "open condition"]
    hangs = rows[(rows.chance_if_not_required == 100) & (rows.chance_both == 0) & (rows.chance_if_smallest == 0)]
    assert len(own) and set(hangs.index) <= set(own.id) and (own.settles[own.id.isin(hangs.index)] == 1.0).all()
    assert own.words.str.contains("what is not known: .*coarse gravel").all() and own.words.str.endswith("of 100 cases.").all()
    assert (rows.answer[own.id] == "cannot say").all() and (rows.decides[hangs.index] == "open condition").all()


def test_words_say_what_to_do_before_how_much():
    assert words_of("well", "W-12", [(0.9, "A"), (0.6, "B")]) == (
        "Locate well W-12: may settle the parcels A, B; of these 2 on average 1.5."
    )
    assert words_of("presumed well", "presumed on A", [(0.25, "A")]) == (
        "Find out where the well of A is, or that there is none: settles parcel A in 25 of 100 cases."
    )
    assert words_of("soil", "A", [(1.0, "A")]) == "Have the soil of parcel A tested: settles its answer in 100 of 100 cases."
