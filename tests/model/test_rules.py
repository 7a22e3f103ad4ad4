"""What binds between a part and a feature: what is known shortens the list, what is unknown never shortens a distance."""

from itertools import product

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geoseptic.errors import CodeSilentError, ParameterError
from geoseptic.model.rules import (
    CONDITIONS,
    DRINKING_WATER,
    EXCLUSIVE,
    FEATURES,
    GROUND_CONDITIONS,
    STRICTER,
    Citation,
    Requirement,
    RuleSet,
    Setback,
    SlopeLimit,
    with_exclusions,
)

CITED = Citation("set/t1", "Code", "section 1", "2020", "https://example.org", "2026-11-25", True)


def line(distance_m: float | None, *when: str, relief: bool = False, feature: str = "private_well", part: str = "drain_field") -> Setback:
    stated = "not applicable" if distance_m is None else f"{distance_m:g} m"
    return Setback(part, feature, distance_m, stated, frozenset(when), relief, "", CITED)


def requirement(*lines: Setback) -> Requirement:
    return Requirement("drain_field", "private_well", lines)


def rule_set(*lines: Setback, slopes: tuple[SlopeLimit, ...] = ()) -> RuleSet:
    return RuleSet("set", "Code", "Nowhere", "2020", "m", "", (), lines, slopes)


def distances(settled) -> tuple[float | None, list[float | None]]:
    certain = settled.certain.distance_m if settled.certain else "none"
    return certain, [entry.distance_m for entry in settled.possible]


NEW_YORK = requirement(line(30), line(60, "coarse_gravel"), line(60, "drainage_path"), line(45, "shallow_aquifer"))


# -------------------------------------------------------------------------------------------------- known and unknown conditions


def test_unknown_condition_keeps_the_longer_distance_possible():
    settled = NEW_YORK.settled({})
    assert distances(settled) == (30, [45, 60, 60])
    assert settled.largest.distance_m == 60


def test_known_condition_makes_the_longer_distance_certain():
    settled = NEW_YORK.settled({"coarse_gravel": True})
    assert distances(settled) == (60, [])
    assert settled.certain.when == frozenset({"coarse_gravel"})


def test_condition_known_not_to_hold_drops_out():
    assert distances(NEW_YORK.settled({"coarse_gravel": False, "shallow_aquifer": False})) == (30, [60])


def test_known_middle_distance_leaves_only_longer_ones_possible():
    assert distances(NEW_YORK.settled({"shallow_aquifer": True})) == (45, [60, 60])


def test_each_possible_line_keeps_its_own_conditions():
    settled = NEW_YORK.settled({"shallow_aquifer": False})
    assert {entry.when for entry in settled.possible} == {frozenset({"coarse_gravel"}), frozenset({"drainage_path"})}


def test_line_with_two_conditions_needs_both():
    both = requirement(line(10), line(50, "steep_ground", "feature_downslope"))
    assert distances(both.settled({"steep_ground": True})) == (10, [50])
    assert distances(both.settled({"steep_ground": True, "feature_downslope": True})) == (50, [])
    assert distances(both.settled({"steep_ground": True, "feature_upslope": True})) == (10, [])


# ------------------------------------------------------------------------------------------------------------- exclusive groups

SPRING = requirement(line(30, "feature_downslope"), line(15, "feature_upslope"))


def test_of_two_directions_the_shorter_is_certain_and_the_longer_possible():
    assert distances(SPRING.settled({})) == (15, [30])


@pytest.mark.parametrize(
    ("known", "expected"),
    [
        ({"feature_downslope": True}, (30, [])),
        ({"feature_downslope": False}, (15, [])),
        ({"feature_upslope": True}, (15, [])),
        ({"feature_upslope": False}, (30, [])),
    ],
)
def test_one_direction_settles_the_other(known, expected):
    assert distances(SPRING.settled(known)) == expected


def test_third_soil_group_follows_from_the_other_two():
    water = requirement(line(90, "soil_group_a"), line(60, "soil_group_b"), line(30, "soil_group_c"))
    assert distances(water.settled({})) == (30, [60, 90])
    assert distances(water.settled({"soil_group_c": False})) == (60, [90])
    assert distances(water.settled({"soil_group_b": False, "soil_group_c": False})) == (90, [])


def test_certain_distance_counts_every_case_that_is_left_open():
    # Whatever the direction, 10 m bind; the 5 m of the drain's kind change nothing.
    drain = requirement(line(30, "feature_downslope"), line(10, "feature_upslope"), line(5, "intercepts_groundwater"))
    assert distances(drain.settled({"intercepts_groundwater": True})) == (10, [30])


def test_lines_that_do_not_cover_every_case_leave_nothing_certain():
    cut = requirement(line(25, "feature_downslope"))
    settled = cut.settled({})
    assert distances(settled) == ("none", [25])
    assert settled.largest.distance_m == 25


def test_all_lines_ruled_out_keeps_the_longest():
    cut = requirement(line(8, "feature_downslope", "deep_undisturbed_soil"), line(15, "feature_downslope", "shallow_restrictive_layer"))
    assert distances(cut.settled({"feature_upslope": True})) == (15, [])


def test_contradicting_statements_are_refused():
    with pytest.raises(ParameterError, match="basement and no_basement cannot hold together"):
        requirement(line(10, "basement"), line(5, "no_basement")).settled({"basement": True, "no_basement": True})


def test_misspelt_condition_is_refused():
    with pytest.raises(ParameterError, match="coarse_gravle"):
        NEW_YORK.settled({"coarse_gravle": False})
    with pytest.raises(ParameterError, match="deep_casin"):
        NEW_YORK.settled({}, frozenset({"deep_casin"}))


def test_exclusions_leave_what_is_given_untouched():
    known = {"basement": True}
    assert with_exclusions(known) == {"basement": True, "no_basement": False}
    assert known == {"basement": True}


# ------------------------------------------------------------------------------------------------------------------------ relief

CASED = requirement(line(30), line(15, "deep_casing", relief=True), line(60, "coarse_gravel"))


@pytest.mark.parametrize("known", [{}, {"deep_casing": True}, {"deep_casing": True, "coarse_gravel": False}])
def test_relief_never_applies_by_itself(known):
    assert CASED.settled(known).certain.distance_m == 30


def test_relief_applies_where_it_was_granted_and_its_condition_holds():
    settled = CASED.settled({"deep_casing": True}, frozenset({"deep_casing"}))
    assert distances(settled) == (15, [])
    assert settled.certain.relief


@pytest.mark.parametrize("known", [{}, {"deep_casing": False}])
def test_granted_relief_waits_until_its_condition_is_known_to_hold(known):
    assert CASED.settled(known, frozenset({"deep_casing"})).certain.distance_m == 30


def test_relief_with_two_conditions_needs_both_granted():
    pool = requirement(line(30), line(15, "feature_upslope", "authority_consent", relief=True))
    known = {"feature_upslope": True, "authority_consent": True}
    assert pool.settled(known, frozenset({"feature_upslope"})).certain.distance_m == 30
    assert pool.settled(known, frozenset({"feature_upslope", "authority_consent"})).certain.distance_m == 15


def test_relief_without_a_condition_never_applies():
    assert requirement(line(30), line(15, relief=True)).settled({}, frozenset(CONDITIONS)).certain.distance_m == 30


def test_relief_alone_is_silence():
    with pytest.raises(CodeSilentError):
        rule_set(line(15, "deep_casing", relief=True)).requirement("drain_field", "private_well")


# --------------------------------------------------------------------------------------------------------- not applicable, silence


def test_not_applicable_is_shorter_than_any_distance():
    tank = requirement(line(None, "feature_upslope"), line(1.5, "feature_downslope"))
    assert distances(tank.settled({})) == (None, [1.5])
    assert distances(tank.settled({"feature_upslope": True})) == (None, [])


def test_only_a_distance_is_possible_and_never_a_line_that_says_not_applicable():
    assert distances(requirement(line(None, "feature_upslope")).settled({})) == (None, [])
    assert distances(requirement(line(None, "coarse_gravel"), line(4, "drainage_path")).settled({})) == ("none", [4])


def test_silence_names_the_set_the_part_and_the_feature():
    with pytest.raises(CodeSilentError, match=r"'set' is silent on the distance from a septic tank to a private well") as caught:
        rule_set(line(30)).requirement("septic_tank", "private_well")
    assert isinstance(caught.value, LookupError)


def test_silent_features_are_listed_in_order():
    rules = rule_set(line(30), line(3, feature="lot_line"))
    assert rules.silent_on("drain_field", ["pool", "private_well", "driveway", "spring", "lot_line"]) == ("pool", "driveway")


def test_part_or_feature_that_does_not_exist_is_no_silence():
    with pytest.raises(ParameterError, match="leach_field"):
        rule_set(line(30)).requirement("leach_field", "private_well")
    with pytest.raises(ParameterError, match="moat"):
        rule_set(line(30)).requirement("drain_field", "moat")


def test_silent_slope_raises():
    with pytest.raises(CodeSilentError, match="slope"):
        rule_set(line(30)).slope_limit()


def test_steepest_kind_counts_because_a_layout_may_choose_it():
    slopes = (SlopeLimit("drain_field", 10, "bed", CITED), SlopeLimit("drain_field", 15, "trench", CITED))
    assert rule_set(line(30), slopes=slopes).slope_limit().kind == "trench"


# --------------------------------------------------------------------------------------------------------------------- stand-ins


def test_feature_without_a_name_in_the_code_takes_what_it_is_most_nearly_and_says_so():
    rules = rule_set(line(30))
    found = rules.requirement("drain_field", "irrigation_well")
    assert (found.feature, found.stands_for, found.entries[0].distance_m) == ("irrigation_well", "private_well", 30)
    assert rules.requirement("drain_field", "private_well").stands_for is None


def test_of_two_stand_ins_the_longer_counts():
    by_spring = rule_set(line(15, feature="public_well"), line(30, feature="spring"))
    by_well = rule_set(line(45, feature="public_well"), line(30, feature="spring"))
    assert by_spring.requirement("drain_field", "public_spring").stands_for == "spring"
    assert by_well.requirement("drain_field", "public_spring").stands_for == "public_well"


def test_own_line_beats_a_longer_stand_in():
    rules = rule_set(line(30), line(7, feature="irrigation_well"))
    assert rules.setback("drain_field", "irrigation_well").distance_m == 7


def test_stand_in_of_a_stand_in_is_found():
    found = rule_set(line(30, feature="surface_water")).requirement("drain_field", "vernal_pool")
    assert found.stands_for == "surface_water"


def test_stand_ins_exist_and_never_lead_back():
    def reached(feature: str, seen: tuple[str, ...] = ()) -> None:
        assert feature in FEATURES
        assert feature not in seen
        for name in STRICTER.get(feature, ()):
            reached(name, (*seen, feature))

    for feature in STRICTER:
        reached(feature)


def test_vocabularies_agree():
    assert set(FEATURES) >= DRINKING_WATER
    assert set(CONDITIONS) >= GROUND_CONDITIONS
    assert all(group <= set(CONDITIONS) and len(group) > 1 for group in EXCLUSIVE)
    assert sum(len(group) for group in EXCLUSIVE) == len(frozenset().union(*EXCLUSIVE))


def test_citations_of_two_codes_with_one_key_are_both_kept():
    other = Citation("set/t1", "Another code", "section 2", "2021", "", "", False)
    lines = (line(30), Setback("drain_field", "pool", 3.0, "3 m", frozenset(), False, "", other))
    assert set(rule_set(*lines).citations) == {CITED, other}


# --------------------------------------------------------------------------------------- against every possible state of the world

NAMES = ("coarse_gravel", "drainage_path", "feature_downslope", "feature_upslope", "soil_group_a", "soil_group_b", "soil_group_c")
# The reader of rule files refuses a line whose conditions exclude each other.
WHENS = st.frozensets(st.sampled_from(NAMES), max_size=2).filter(lambda when: all(len(when & group) < 2 for group in EXCLUSIVE))
LINES = st.lists(st.tuples(st.none() | st.integers(1, 9).map(float), WHENS), min_size=1, max_size=5)
KNOWN = st.dictionaries(st.sampled_from(NAMES), st.booleans(), max_size=4)


def worlds(known: dict[str, bool]):
    """Every full assignment that agrees with `known` and with the exclusive groups, written out without the model's help."""
    for values in product((True, False), repeat=len(NAMES)):
        world = dict(zip(NAMES, values, strict=True))
        one_direction = world["feature_downslope"] != world["feature_upslope"]
        one_soil = world["soil_group_a"] + world["soil_group_b"] + world["soil_group_c"] == 1
        if one_direction and one_soil and all(world[name] is holds for name, holds in known.items()):
            yield {name for name, holds in world.items() if holds}


@settings(max_examples=300, deadline=None, derandomize=True)
@given(lines=LINES, known=KNOWN)
def test_certain_is_the_least_and_largest_the_most_that_any_possible_world_asks(lines, known):
    open_worlds = list(worlds(known))
    assume(open_worlds)
    asked = [max((distance or 0.0 for distance, when in lines if when <= world), default=-1.0) for world in open_worlds]
    settled = requirement(*(line(distance, *when) for distance, when in lines)).settled(known)
    if max(asked) < 0:
        assert settled.largest.distance_m == max(((distance for distance, _ in lines if distance)), default=None)
        return
    assert (settled.largest.distance_m or 0.0) == max(asked)
    if min(asked) < 0 < max(asked):
        assert settled.certain is None
    else:
        assert settled.certain is not None
        assert (settled.certain.distance_m or 0.0) == max(min(asked), 0.0)
    assert all(entry.distance_m is not None for entry in settled.possible)
