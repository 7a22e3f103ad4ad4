"""Inspections told as an inspector tells them, each with the graph and the verdict worked out by hand.

In every one, cesspools count as failed, seepage pits must go at sale and a tank with a field may stay (tests/systems/inspections.py).
"""

import pandas as pd
import pytest

from geoseptic.errors import GeosepticError
from geoseptic.model.finding_words import CLEAR_WATER, GREYWATER, HEARD, SEEN, SEWAGE, TOLD, WATER_SEEN, water_of
from geoseptic.model.old_kinds import ACCEPTABLE, CANNOT_SAY, NOT_ACCEPTABLE, REPLACE_WHEN
from tests.systems.inspections import gap_words, judged, line, links, only_property, said, system_with, table

HOUSE = "id|kind|fixtures|wells|outlet|outlet_baffle|liquid|material|state|notes"
RUN = "from_id|to_id|method|direction|fixtures|flow|length_ft|depth_ft|end_depth_ft|notes"

SOUND_POINTS = f"""{HOUSE}
    H|house|kitchen, toilet, bath, laundry|0||||||
    E1|sewer exit||||||||
    T1|tank|||open|good|normal|concrete||
    B1|d-box|||||normal|||
    F1|field line||||||||
    F2|field line||||||||"""
SOUND_RUNS = f"""{RUN}
    E1|T1|camera||kitchen, toilet|yes|20|||
    E1|T1|camera||bath, laundry|yes|20|||
    T1|B1|camera||||30|||
    B1|F1|camera||||40|||
    B1|F2|camera||||40|||"""


def test_pit_under_the_patio_with_the_camera_stopped_at_roots():
    """Clean-out by the kitchen wall. The camera stops at roots 30 ft out. There is a pit under the patio; dye from kitchen and toilet came
    up in it, and dye put into the clean-out too. The laundry's water did not come there. I did not get to the bath."""
    judgement = judged(
        f"{HOUSE}\nH|house|kitchen, toilet, bath, laundry|0||||||\nCO1|clean-out||||||||\nOB1|obstruction||||||||roots\n"
        "P1|pit|||||normal|||under the patio",
        f"{RUN}\nCO1|OB1|camera||||30|||\n|P1|dye||kitchen, toilet|yes||||\nCO1|P1|dye|||yes||||\n|P1|flow||laundry|no||||",
    )
    # The dye test of CO1 says only that its water comes to P1; the pipe is known to OB1, so what is open is OB1 to P1.
    assert links(judgement) == {("co1", "ob1", SEEN), ("ob1", "p1", WATER_SEEN)}
    one = only_property(judgement)
    (system,) = one.systems
    assert system.system.kinds == ("cesspool", "seepage_pit") and one.verdict == CANNOT_SAY
    assert said(gap_words(one), "camera from clean out CO1 stopped", "(roots)", "30 ft", "link on to pit P1 rests on a dye test alone")
    assert said(gap_words(one), "laundry is not accounted for", "none of its water came at pit P1")
    assert said(gap_words(one), "bath is not accounted for", "no water of it was seen anywhere")
    assert said([gap.next_step for gap in system.gaps], "camera from pit P1 back up")


def test_pit_seen_from_the_house_is_a_cesspool_and_the_laundry_has_a_dry_well_of_its_own():
    """The camera went from where the sewer leaves the wall all the way into a block pit, no tank on the way. The laundry comes out in a
    small dry well by the garage: I saw its suds there."""
    judgement = judged(
        f"{HOUSE}\nH|house|kitchen, toilet, laundry|0||||||\nE1|sewer exit||||||||\nP1|pit|||||normal|block||\nP2|dry well|||||normal|||",
        f"{RUN}\nE1|P1|camera||kitchen, toilet|yes|38|||\n|P2|flow||laundry|yes||||",
    )
    assert links(judgement) == {("e1", "p1", SEEN)}
    one = only_property(judgement)
    assert system_with(one, "p1").system.kinds == ("cesspool",) and system_with(one, "p1").verdict == NOT_ACCEPTABLE
    # All fixtures are accounted for, so the second pit takes laundry only; whether a tank is before it, nobody saw.
    assert system_with(one, "p2").system.kinds == ("greywater_pit", "seepage_pit")
    assert one.fixtures == {"kitchen sink": "pit P1", "toilet": "pit P1", "laundry": "pit P2"}


def test_two_pits_in_series_without_a_tank():
    """First pit takes the house sewer, and a pipe near its top overflows to a second one; the camera went through both pipes."""
    judgement = judged(
        f"{HOUSE}\nH|house|toilet, kitchen|0||||||\nE1|exit||||||||\nP1|pit|||||normal|||\nP2|pit|||||normal|||",
        f"{RUN}\nE1|P1|camera||toilet, kitchen|yes||||\nP1|P2|camera||||||||",
    )
    assert links(judgement) == {("e1", "p1", SEEN), ("p1", "p2", SEEN)}
    (system,) = only_property(judgement).systems
    assert system.system.kinds == ("cesspools_in_series",) and system.verdict == NOT_ACCEPTABLE


def test_tank_and_pit_must_go_at_sale():
    """A concrete tank, baffle in place, then a pit; camera through both pipes, every fixture run while I looked into the tank."""
    judgement = judged(
        f"{HOUSE}\nH|house|toilet, kitchen|0||||||\nE1|exit||||||||\nT1|tank|||open|good|normal|concrete||\nP1|pit|||||normal|||",
        f"{RUN}\nE1|T1|camera||toilet, kitchen|yes||||\nT1|P1|camera||||||||",
    )
    one = only_property(judgement)
    assert one.systems[0].system.kinds == ("seepage_pit",)
    assert (one.verdict, one.systems[0].when) == (REPLACE_WHEN, "the property changes hands")


def test_sound_tank_and_field_with_everything_seen_is_acceptable():
    """Tank, box and two lines, all seen through; four fixtures, all run and seen; no well anywhere near, I asked."""
    judgement = judged(SOUND_POINTS, SOUND_RUNS)
    one = only_property(judgement)
    assert one.systems[0].system.kinds == ("conventional",)
    assert (one.verdict, gap_words(one), one.contradictions) == (ACCEPTABLE, [], ())


def test_tank_whose_outlet_baffle_is_missing():
    """As above, but the outlet tee had fallen off."""
    one = only_property(judged(SOUND_POINTS.replace("open|good", "open|missing"), SOUND_RUNS))
    assert one.verdict == NOT_ACCEPTABLE
    assert said([words for words, _ in one.systems[0].against], "outlet baffle of tank T1 is missing")


def test_capped_tank_beside_a_sewer_connection():
    """The house went to the public sewer years ago: camera from the exit to the main, and every fixture came by. The old tank in the
    garden is capped, still full, nothing runs into it."""
    points = f"{HOUSE}\nH|house|toilet, kitchen|0||||||\nE1|exit||||||||\nS1|sewer||||||||\nT1|tank||||||concrete|capped|"
    runs = f"{RUN}\nE1|S1|camera||toilet, kitchen|yes||||"
    one = only_property(judged(points, runs))
    assert system_with(one, "s1").verdict == ACCEPTABLE
    assert system_with(one, "t1").system.kinds == ("not_in_use",) and one.verdict == NOT_ACCEPTABLE
    filled = only_property(judged(points.replace("capped", "filled"), runs))
    assert system_with(filled, "t1").system.kinds == ("filled",) and filled.verdict == ACCEPTABLE


def test_well_thirty_feet_from_the_pit():
    """Taped it: the neighbour's old well is 30 ft from the pit. By the code a seepage pit keeps 150 ft, a cesspool 200."""
    judgement = judged(
        f"{HOUSE}\nH|house|toilet|1||||||\nE1|exit||||||||\nT1|tank|||open|good|normal|concrete||\nP1|pit|||||normal|||\nW1|well||||||||",
        f"{RUN}\nE1|T1|camera||toilet|yes||||\nT1|P1|camera||||||||\nW1|P1|tape||||30|||",
    )
    one = only_property(judgement)
    assert one.verdict == NOT_ACCEPTABLE
    words, citation = one.systems[0].against[0]
    assert "Well W1 is 30 ft" in words and "150 ft" in words and str(citation) in words
    # The tank's own distance was not measured: told, and not taken for far enough.
    assert said(gap_words(one), "distance from well W1 to tank T1 is not known")


def test_straight_pipe_to_a_creek():
    """Dye from toilet and kitchen came out of a clay pipe in the creek bank. Dug the pipe up along the garden: nothing on the way."""
    judgement = judged(
        f"{HOUSE}\nH|house|toilet, kitchen|0||||||\nE1|exit||||||||\nD1|creek||||||clay||",
        f"{RUN}\nE1|D1|uncovered||||90|||\n|D1|dye||toilet, kitchen|yes||||",
    )
    assert links(judgement) == {("e1", "d1", SEEN)}
    one = only_property(judgement)
    assert one.systems[0].system.kinds == ("direct_discharge",) and one.verdict == NOT_ACCEPTABLE


def test_straight_pipe_is_not_acceptable_under_a_code_that_says_nothing_of_it():
    """The same pipe; this code has no line on it."""
    from dataclasses import replace

    from tests.systems.inspections import RULES

    silent = replace(RULES, standings=())
    judgement = judged(
        f"{HOUSE}\nH|house|toilet|0||||||\nE1|exit||||||||\nD1|creek||||||||", f"{RUN}\nE1|D1|camera||toilet|yes||||", silent
    )
    assert only_property(judgement).verdict == NOT_ACCEPTABLE


def test_sound_system_with_fixtures_that_were_never_tested_cannot_be_said():
    """The sound system again, but nobody was home upstairs: bath and laundry were not run."""
    one = only_property(judged(SOUND_POINTS, SOUND_RUNS.replace("|bath, laundry|yes|", "|||")))
    assert one.systems[0].system.kinds == ("conventional",) and one.verdict == CANNOT_SAY
    assert said(gap_words(one), "bath is not accounted for") and said(gap_words(one), "laundry is not accounted for")


def test_same_fixture_at_two_pits_is_told_and_not_averaged():
    """In spring the kitchen came out in the pit at the patio, this time in the one behind the shed."""
    judgement = judged(
        f"{HOUSE}\nH|house|kitchen, toilet|0||||||\nE1|exit||||||||\nE2|exit||||||||\nT2|tank|||open|good|normal|concrete||\n"
        "P1|pit|||||normal|||\nP2|pit|||||normal|||",
        f"{RUN}\nE1|P1|camera||toilet|yes||||\nE2|T2|camera||||||||\nT2|P2|camera||||||||\n|P1|dye||kitchen|yes||||spring\n|P2|dye||kitchen|yes||||today",
    )
    one = only_property(judgement)
    assert said(one.contradictions, "kitchen sink cannot go two ways", "noted: spring", "noted: today")
    # Alone, the first would surely be a cesspool and the second a seepage pit; contested, each may be either, and of any water.
    assert system_with(one, "p1").system.kinds == system_with(one, "p2").system.kinds
    assert system_with(one, "p1").system.kinds == ("cesspool", "greywater_pit", "seepage_pit", "clear_water")
    assert {each.verdict for each in one.systems} == {CANNOT_SAY}


def test_camera_says_one_pit_and_dye_another():
    """The camera ran from the clean-out into the pit at the patio. Dye put into the same clean-out came out behind the shed."""
    judgement = judged(
        f"{HOUSE}\nH|house|kitchen|0||||||\nCO1|clean out||||||||\nP1|pit|||||normal|||\nP2|pit|||||normal|||",
        f"{RUN}\nCO1|P1|camera||||||||\nCO1|P2|dye|||yes||||",
    )
    assert links(judgement) == {("co1", "p1", SEEN), ("co1", "p2", WATER_SEEN)}
    one = only_property(judgement)
    assert said(one.contradictions, "camera from clean out CO1 to pit P1", "dye from clean out CO1 to pit P2") and one.verdict == CANNOT_SAY


def test_dye_that_comes_out_below_a_tank_the_camera_saw_is_no_contradiction():
    """The camera ran from the exit into the tank; dye from the exit came out at the pit. So the tank leads to the pit; nobody saw how."""
    judgement = judged(
        f"{HOUSE}\nH|house|kitchen|0||||||\nE1|exit||||||||\nT1|tank|||open|good|normal|concrete||\nP1|pit|||||normal|||",
        f"{RUN}\nE1|T1|camera||kitchen|yes||||\nE1|P1|dye|||yes||||",
    )
    assert links(judgement) == {("e1", "t1", SEEN), ("t1", "p1", WATER_SEEN)}
    one = only_property(judgement)
    assert one.contradictions == () and one.systems[0].system.kinds == ("seepage_pit",)
    assert said(gap_words(one), "link from tank T1 to pit P1 rests on a dye test alone")


def test_tank_noted_without_outlet_but_water_beyond_it():
    """The tank has no outlet, I felt all round; but the dye came out at the ditch behind it, and the camera came back up to the tank."""
    judgement = judged(
        f"{HOUSE}\nH|house|kitchen|0||||||\nE1|exit||||||||\nT1|tank|||none||normal|concrete||\nF1|field line||||||||",
        f"{RUN}\nE1|T1|camera||kitchen|yes||||\nF1|T1|camera|up|||||||",
    )
    one = only_property(judgement)
    assert said(one.contradictions, "tank T1 is noted with no outlet", "camera from field line F1 up to tank T1")
    assert one.verdict == CANNOT_SAY


def test_tank_without_outlet_holds_its_water():
    """No outlet, nothing beyond; the pumper comes every month, they say."""
    one = only_property(
        judged(
            f"{HOUSE}\nH|house|toilet|0||||||\nE1|exit||||||||\nT1|tank|||none||normal|concrete||", f"{RUN}\nE1|T1|camera||toilet|yes||||"
        )
    )
    assert one.systems[0].system.kinds == ("holding_tank",) and one.verdict == CANNOT_SAY
    assert said(gap_words(one), "How tank T1 is emptied was not shown")


def test_tank_whose_outlet_nobody_followed_may_end_anywhere():
    """Found the tank, camera from the house into it, did not find where its outlet goes."""
    one = only_property(
        judged(
            f"{HOUSE}\nH|house|toilet|0||||||\nE1|exit||||||||\nT1|tank|||open|good|normal|concrete||",
            f"{RUN}\nE1|T1|camera||toilet|yes||||",
        )
    )
    assert one.systems[0].system.kinds == ("direct_discharge", "seepage_pit", "holding_tank", "conventional", "public_sewer")
    assert one.verdict == CANNOT_SAY and said(gap_words(one), "Where the outlet of tank T1 leads is not known")


def test_kitchen_goes_past_the_tank():
    """Toilet and bath go into the tank and on to the pit. The kitchen has its own pipe into the same pit: camera, straight in."""
    one = only_property(
        judged(
            f"{HOUSE}\nH|house|toilet, kitchen|0||||||\nE1|exit||||||||\nE2|exit||||||||\nT1|tank|||open|good|normal|concrete||\n"
            "P1|pit|||||normal|||",
            f"{RUN}\nE1|T1|camera||toilet|yes||||\nT1|P1|camera||||||||\nE2|P1|camera||kitchen|yes||||",
        )
    )
    assert len(one.systems) == 1 and one.systems[0].system.kinds == ("cesspool",) and one.verdict == NOT_ACCEPTABLE


def test_fixture_seen_only_in_the_pit_may_come_past_the_tank():
    """Tank and pit, both pipes seen. The kitchen was only watched in the pit, not in the tank."""
    one = only_property(
        judged(
            f"{HOUSE}\nH|house|toilet, kitchen|0||||||\nE1|exit||||||||\nT1|tank|||open|good|normal|concrete||\nP1|pit|||||normal|||",
            f"{RUN}\nE1|T1|camera||toilet|yes||||\nT1|P1|camera||||||||\n|P1|dye||kitchen|yes||||",
        )
    )
    assert one.systems[0].system.kinds == ("cesspool", "seepage_pit") and one.verdict == CANNOT_SAY


def test_pipe_shorter_than_the_way_and_pipe_that_runs_uphill_prove_nothing():
    """Camera counter said 20 ft to the pit, which is 60 ft off on my sketch; and the pipe would rise 5 ft over 20."""
    points = table(f"{HOUSE}|x_ft|y_ft\nH|house|toilet|0||||||||\nE1|exit|||||||||0|0\nP1|pit|||||normal||||60|0")
    one = only_property(judged(points, f"{RUN}\nE1|P1|camera||toilet|yes|20|7|2|"))
    assert said(one.contradictions, "length cannot be right", "20 ft", "60 ft") and said(
        one.contradictions, "depths cannot be right", "5 ft"
    )
    assert one.systems[0].proof == "in doubt"
    # A link in doubt no longer proves that no tank lies between.
    assert one.systems[0].system.kinds == ("cesspool", "seepage_pit")


def test_water_that_would_run_in_a_circle_is_told():
    """Somebody noted the runs the wrong way round."""
    one = only_property(
        judged(
            f"{HOUSE}\nH|house|toilet|0||||||\nA|pipe end||||||||\nB|lid||||||||\nC|pipe end||||||||",
            f"{RUN}\nA|B|camera||||||||\nB|C|camera||||||||\nC|A|camera||||||||",
        )
    )
    assert (
        said(one.contradictions, "in a circle through pipe end A, lid B and pipe end C".replace(" and ", ", "))
        and one.verdict == CANNOT_SAY
    )


def test_link_from_the_owners_word_proves_nothing():
    """The owner says the exit leads to the field; I heard water in the box when the toilet was flushed."""
    judgement = judged(
        f"{HOUSE}\nH|house|toilet|0||||||\nE1|exit||||||||\nB1|d-box|||||normal|||\nF1|field line||||||||",
        f"{RUN}\nE1|B1|heard||toilet|yes||||\nB1|F1|owner||||||||",
    )
    assert links(judgement) == {("e1", "b1", HEARD), ("b1", "f1", TOLD)}
    one = only_property(judgement)
    assert one.systems[0].system.kinds == ("field_without_tank", "conventional") and one.verdict == CANNOT_SAY
    assert said(gap_words(one), "toilet drains was not seen") and said(gap_words(one), "rests on what somebody told or guessed alone")


def test_sewage_at_the_surface_is_not_acceptable_whatever_the_rest():
    """Everything as in the sound system, but black water stands over the second line, and the dye came up there."""
    points = SOUND_POINTS + "\nX1|breakout||||||||black water"
    one = only_property(judged(points, SOUND_RUNS + "\nB1|X1|dye|||yes||||"))
    assert one.verdict == NOT_ACCEPTABLE and said([words for words, _ in one.against], "Sewage at the surface")
    assert said([words for words, _ in one.systems[0].against], "Water came up at the surface")


def test_house_alone_says_that_nothing_was_found():
    one = only_property(judged(f"{HOUSE}\nH|house|toilet|0||||||", f"{RUN}\n|H|tape||||||||".replace("\n|H|tape||||||||", "")))
    assert (one.systems, one.verdict) == ((), CANNOT_SAY)


@pytest.mark.parametrize(
    ("existing", "only", "verdict", "when"),
    [
        ("banned", "", NOT_ACCEPTABLE, ""),
        ("counts_as_failed", "near a supply", CANNOT_SAY, ""),
        ("replace_on_failure", "", REPLACE_WHEN, "it fails"),
        ("replace_at_sale", "near a supply", CANNOT_SAY, ""),
        ("allowed_if_working", "", ACCEPTABLE, ""),
        ("allowed_if_working", "outside the town", CANNOT_SAY, ""),
    ],
)
def test_what_a_line_of_the_code_makes_of_a_cesspool(existing, only, verdict, when):
    """A cesspool that is proven in every way is judged by the line, and by nothing that it leaves unsaid."""
    from dataclasses import replace

    from tests.systems.inspections import RULES

    rules = replace(RULES, standings=(line("cesspool", existing, only),))
    points = f"{HOUSE}\nH|house|toilet|0||||||\nE1|exit||||||||\nP1|pit|||||normal|||"
    one = only_property(judged(points, f"{RUN}\nE1|P1|camera||toilet|yes||||", rules))
    assert (one.verdict, one.systems[0].when) == (verdict, when)


def test_several_properties_are_kept_apart_though_their_ids_are_the_same():
    points, runs = table(SOUND_POINTS), table(SOUND_RUNS)
    both = pd.concat([points.assign(parcel_id="A"), points.assign(parcel_id="B", outlet_baffle="missing")])
    judgement = judged(both, pd.concat([runs.assign(parcel_id="A"), runs.assign(parcel_id="B")]))
    assert [(one.parcel, one.verdict) for one in judgement.properties] == [("A", ACCEPTABLE), ("B", NOT_ACCEPTABLE)]


@pytest.mark.parametrize("beyond", ["tank", "public sewer", "field line"])
def test_pit_that_overflows_into_something_better_stays_a_cesspool(beyond):
    """The sewer goes from the wall into a pit, and a pipe near the top of the pit goes on into something else: what leaves the pit through
    its wall was never settled, whatever follows."""
    more = "T1|tank|||open|good|normal|concrete||\nF1|field line||||||||" if beyond == "tank" else f"F1|{beyond}||||||||"
    way = "P1|T1|camera|||||||\nT1|F1|camera|||||||" if beyond == "tank" else "P1|F1|camera|||||||"
    judgement = judged(
        f"{HOUSE}\nH|house|toilet, kitchen, laundry|0||||||\nE1|exit||||||||\nP1|pit|||||normal|block||\n{more}",
        f"{RUN}\nE1|P1|camera||toilet, kitchen, laundry|yes||||\n{way}",
    )
    (system,) = only_property(judgement).systems
    assert "cesspool" in system.system.kinds and system.verdict == NOT_ACCEPTABLE


def test_second_outlet_that_nobody_could_follow_leaves_the_tank_open():
    """All is in order from the house to the field lines; but the tank has a second outlet, in which the camera stopped at 15 ft."""
    one = only_property(judged(SOUND_POINTS, SOUND_RUNS + "\n    T1||camera||||15|||second outlet"))
    assert one.verdict == CANNOT_SAY
    assert said(gap_words(one), "camera from tank T1 stopped (second outlet) 15 ft", "more than one outlet")


def test_camera_pushed_up_the_inlet_of_a_tank_says_nothing_of_its_outlets():
    """The camera that I pushed from the tank towards the house stopped; it came to the tank from the house. The rest is fine."""
    assert only_property(judged(SOUND_POINTS, SOUND_RUNS + "\n    T1||camera|up|||15|||")).verdict == ACCEPTABLE


@pytest.mark.parametrize(("beyond", "verdict"), [("F1|OB1|camera|up", CANNOT_SAY), ("OB1|F1|camera|", ACCEPTABLE)])
def test_roots_reached_from_both_sides_were_not_passed(beyond, verdict):
    """The camera stopped at roots from the tank, and at the same roots from the field back: nobody saw what is between. Had the pipe been
    opened there and the camera sent on from the opening, all would be seen."""
    judgement = judged(
        f"{HOUSE}\nH|house|toilet, kitchen|0||||||\nE1|exit||||||||\nT1|tank|||open|good|normal|concrete||\nOB1|roots||||||||\n"
        "F1|field line||||||||",
        f"{RUN}\nE1|T1|camera||toilet, kitchen|yes||||\nT1|OB1|camera|||||||\n{beyond}||||||",
    )
    one = only_property(judgement)
    assert one.verdict == verdict and said(gap_words(one), "No camera passed obstruction OB1") == (verdict == CANNOT_SAY)


@pytest.mark.parametrize("fixtures", ["toilet, kitchen, toilet", "toilet, WC, kitchen"])
def test_fixture_that_is_listed_twice_is_refused(fixtures):
    """Two toilets of one name cannot be told apart: the one that was flushed would stand for the other."""
    with pytest.raises(GeosepticError, match="'toilet' is listed twice: add a word to each"):
        judged(f"{HOUSE}\nH|house|{fixtures}|0||||||", RUN)


@pytest.mark.parametrize(
    ("fixture", "water"),
    [
        ("laundry room toilet", SEWAGE),
        ("bath upstairs", GREYWATER),
        ("basin other side", GREYWATER),
        ("other", SEWAGE),
        ("sump pump laundry", GREYWATER),
        ("sump pump washing machine", GREYWATER),
        ("sump pump cellar", CLEAR_WATER),
    ],
)
def test_fixture_has_the_worst_water_that_its_words_name(fixture, water):
    """A word that was added may name a worse fixture than the first one: a sump pump that takes the laundry gives no clear water."""
    assert water_of(fixture) == water


@pytest.mark.parametrize(("liquid", "verdict"), [("normal", ACCEPTABLE), ("", CANNOT_SAY), ("high", NOT_ACCEPTABLE)])
def test_pump_chamber_is_looked_into(liquid, verdict):
    """A tank, a pump chamber and a field line, all followed: one that nobody opened is open, one that stands full has failed."""
    judgement = judged(
        f"{HOUSE}\nH|house|toilet, kitchen|0||||||\nE1|exit||||||||\nT1|tank|||open|good|normal|concrete||\n"
        f"C1|pump chamber|||||{liquid}|||\nF1|field line||||||||",
        f"{RUN}\nE1|T1|camera||toilet, kitchen|yes||||\nT1|C1|camera|||||||\nC1|F1|camera|||||||",
    )
    assert only_property(judgement).verdict == verdict


def test_field_line_that_stands_full_has_failed():
    """All is in order up to the field lines; I dug one up, and water stood over the pipe."""
    one = only_property(judged(SOUND_POINTS.replace("F2|field line||||||||", "F2|field line|||||high|||"), SOUND_RUNS))
    assert one.verdict == NOT_ACCEPTABLE


def test_no_system_is_acceptable_beside_sewage_at_the_surface():
    """Everything was followed and is sound, but there is a wet, black spot beside it that nobody has tied to it: it may be its water."""
    one = only_property(judged(SOUND_POINTS + "\n    S1|wet spot||||||||wet and black", SOUND_RUNS))
    assert one.verdict == NOT_ACCEPTABLE and [each.verdict for each in one.systems] == [CANNOT_SAY]
