"""Rule files on old systems: what is refused, what is inherited, and that silence never reads as permission."""

from datetime import date

import pytest

from geoseptic.errors import ParameterError, RuleFileError
from geoseptic.io.rulefiles import load_rules
from geoseptic.io.standingfiles import common_eras
from geoseptic.model.standing_rules import KINDS, SILENCE

HEAD = """
id = "{id}"
title = "A code"
jurisdiction = "Nowhere"
edition = "2024"
unit = "ft"
summary = "NO SETBACKS."
{more}
[citation.t]
title = "A code"
section = "section 1"
edition = "2024"
address = ""
read_on = ""
checked = false
"""
ALONE = HEAD.format(id="old", more="standing_only = true")
BANNED = (
    '\n[[standing]]\nkind = "cesspool"\nnew = "banned"\nsince = 1990-01-01\nexisting = "replace_at_sale"\nfrom = 2012-06-02\ncite = "t"\n'
)


def load(tmp_path, text: str, name: str = "old"):
    path = tmp_path / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return load_rules(path)


def refusal(tmp_path, text: str, name: str = "old") -> str:
    with pytest.raises(RuleFileError) as caught:
        load(tmp_path, text, name)
    return str(caught.value)


def extending(tmp_path, lines: str) -> str:
    (tmp_path / "base.toml").write_text(HEAD.format(id="base", more="standing_only = true") + BANNED, encoding="utf-8")
    return HEAD.format(id="over", more='standing_only = true\nextends = ["base.toml"]') + lines


def test_a_line_is_read_with_its_days_and_its_citation(tmp_path):
    standing = load(tmp_path, ALONE + BANNED).standing("cesspool")
    assert standing.new == "banned"
    assert standing.words.startswith(
        "no new one may be built since 1990-01-01; one that is there must be replaced when the property changes hands, from 2012-06-02 on"
    )
    assert "A code, section 1, 2024 (not checked against the code text)" in standing.words


def test_what_holds_of_an_old_one_depends_on_the_day(tmp_path):
    standing = load(tmp_path, ALONE + BANNED).standing("cesspool")
    assert standing.existing(date(2012, 6, 1)) == ()
    assert standing.existing(date(2012, 6, 2)) == ("replace_at_sale",)
    assert standing.existing() == ("replace_at_sale",)


def test_a_silent_rule_set_says_to_ask_and_never_that_it_is_allowed(tmp_path):
    rules = load(tmp_path, ALONE + BANNED)
    for kind in set(KINDS) - {"cesspool"}:
        standing = rules.standing(kind)
        assert standing.is_silent and standing.new is None and standing.existing() == () and standing.words == SILENCE


def test_a_half_silent_rule_set_says_so_of_the_other_half(tmp_path):
    text = ALONE + '\n[[standing]]\nkind = "seepage_pit"\nnew = "banned"\ncite = "t"\n'
    assert f"of one that is there {SILENCE}" in load(tmp_path, text).standing("seepage_pit").words


def test_a_line_for_some_alone_is_not_told_of_all(tmp_path):
    text = ALONE + '\n[[standing]]\nkind = "cesspool"\nnew = "banned"\nonly = "for 20 people and more"\ncite = "t"\n'
    standing = load(tmp_path, text).standing("cesspool")
    assert standing.new is None and "(only for 20 people and more)" in standing.words


def test_an_unknown_kind_is_refused(tmp_path):
    with pytest.raises(ParameterError, match="no such kind of system: 'pond'"):
        load(tmp_path, ALONE + BANNED).standing("pond")


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ('kind = "cesspool"\ncite = "t"', "neither new nor existing"),
        ('kind = "pond"\nnew = "banned"\ncite = "t"', "kind 'pond' is not known"),
        ('kind = "sewer"\nnew = "banned"\ncite = "t"', "kind 'sewer' is not known"),
        ('kind = "cesspool"\nnew = "frowned upon"\ncite = "t"', "new 'frowned upon' is not known"),
        ('kind = "cesspool"\nnew = "banned"\nsince = "2012-13"\ncite = "t"', "since '2012-13' is no day"),
        ('kind = "cesspool"\nexisting = "banned"\nsince = "2012"\ncite = "t"', "since is the day from which `new` holds"),
        ('kind = "cesspool"\nnew = "banned"\nfrom = "2012"\ncite = "t"', "from is the day from which `existing` holds"),
        ('kind = "cesspool"\nexisting = "replace_by_date"\ncite = "t"', "replace_by_date needs the date"),
        ('kind = "cesspool"\nexisting = ["replace_at_sale", "replace_on_failure"]\nfrom = 2012\ncite = "t"', "a line for each"),
        ('kind = "cesspool"\nexisting = ["banned", "allowed_if_working"]\ncite = "t"', "cannot hold together"),
        ('kind = "cesspool"\nnew = "banned"\ncite = "u"', "cite 'u' is not among"),
        ('kind = "cesspool"\nnew = "banned"\nwhere = "here"\ncite = "t"', "unknown key 'where'"),
        ('kind = "cesspool"\nnew = "banned"\nvariance = true\ncite = "t"', "it is not looser"),
    ],
)
def test_a_faulty_line_is_refused_with_its_reason(tmp_path, line: str, why: str):
    assert why in refusal(tmp_path, ALONE + BANNED + "\n[[standing]]\n" + line.replace("2012\n", '"2012"\n'))


def test_standings_alone_need_to_say_so(tmp_path):
    assert "standing_only = true" in refusal(tmp_path, HEAD.format(id="old", more="") + BANNED)
    assert "the set holds no setback" in refusal(tmp_path, ALONE)


def test_a_set_inherits_and_adds(tmp_path):
    more = '\n[[standing]]\nkind = "cesspool"\nexisting = "banned"\ncite = "t"\n'
    rules = load(tmp_path, extending(tmp_path, more), "over")
    assert rules.standing("cesspool").existing() == ("banned", "replace_at_sale")
    assert rules.standing("cesspool").new == "banned"


def test_a_looser_line_needs_a_variance_and_then_says_what_it_loosens(tmp_path):
    looser = '\n[[standing]]\nkind = "cesspool"\nnew = "allowed"\nexisting = "allowed_if_working"\ncite = "t"\n'
    assert "is looser than what the set extends" in refusal(tmp_path, extending(tmp_path, looser), "over")
    rules = load(tmp_path, extending(tmp_path, looser.replace("cite", "variance = true\ncite")), "over")
    assert rules.standing("cesspool").existing() == ("allowed_if_working",)
    assert all("variance: " in line.note for line in rules.standing("cesspool").lines)


def test_a_later_day_is_looser(tmp_path):
    later = '\n[[standing]]\nkind = "cesspool"\nexisting = "replace_at_sale"\nfrom = 2030-01-01\ncite = "t"\n'
    assert "is looser than what the set extends" in refusal(tmp_path, extending(tmp_path, later), "over")


def test_eras_without_their_own_are_the_common_ones_and_follow_each_other(tmp_path):
    rules = load(tmp_path, ALONE + BANNED)
    assert rules.eras == common_eras()
    assert all(rules.era(year) is not None for year in range(1700, 2031))
    assert rules.era(float("nan")) is None
    assert {era.basis for era in rules.eras} == {"common practice, no source"}


def test_a_set_of_its_own_eras_hands_them_on(tmp_path):
    era = '\n[[era]]\nbuilt_to = 1990\nlikely = "privy"\nwords = "privies"\nbasis = "county history"\n'
    (tmp_path / "base.toml").write_text(HEAD.format(id="base", more="standing_only = true") + BANNED + era, encoding="utf-8")
    rules = load(tmp_path, HEAD.format(id="over", more='standing_only = true\nextends = ["base.toml"]'), "over")
    assert rules.era(1950).likely == ("privy",)
    assert rules.era(1991) is None


@pytest.mark.parametrize(
    ("era", "why"),
    [
        (
            "built_to = 1950\nlikely = 'privy'\nwords = 'w'\nbasis = 'b'\n"
            "[[era]]\nbuilt_from = 1952\nlikely = 'privy'\nwords = 'w'\nbasis = 'b'",
            "without gap",
        ),
        ("likely = 'privy'\nwords = 'w'\nbasis = 'b'", "neither built_from nor built_to"),
        ("built_from = 1960\nbuilt_to = 1950\nlikely = 'privy'\nwords = 'w'\nbasis = 'b'", "is after built_to"),
        ("built_to = '1950'\nlikely = 'privy'\nwords = 'w'\nbasis = 'b'", "must be a year"),
        ("built_to = 1950\nlikely = 'privy'\npossible = 'privy'\nwords = 'w'\nbasis = 'b'", "name the same kind"),
        ("built_to = 1950\nlikely = 'privy'\nwords = 'w'", "basis is missing"),
    ],
)
def test_faulty_eras_are_refused(tmp_path, era: str, why: str):
    assert why in refusal(tmp_path, ALONE + BANNED + "\n[[era]]\n" + era)
