"""Thresholds of a rule file: what is refused, what is inherited, and what holds where a set says nothing."""

import pytest

from geoseptic.errors import RuleFileError
from geoseptic.io.certaintyfiles import common_certainty
from geoseptic.io.rulefiles import load_rules, shipped_rules
from geoseptic.model.certainty import Certainty

HEAD = """
id = "{id}"
title = "A code"
jurisdiction = "Nowhere"
edition = "2024"
unit = "ft"
summary = "A code of nowhere."
extends = ["{base}"]
"""
OWN = '[certainty]\ncertain = 0.95\nlikely = 0.7\nbasis = "county practice"\n'


def load(tmp_path, lines: str, name: str = "own", base: str = "us-wa"):
    path = tmp_path / f"{name}.toml"
    path.write_text(HEAD.format(id=name, base=base) + lines, encoding="utf-8")
    return load_rules(path)


def test_shipped_sets_have_the_common_thresholds_which_claim_no_source():
    assert common_certainty() == Certainty(0.99, 0.80, "common practice, no source")
    assert all(load_rules(name).certainty == common_certainty() for name in shipped_rules())


def test_a_set_of_its_own_thresholds_hands_them_on(tmp_path):
    assert load(tmp_path, OWN).certainty == Certainty(0.95, 0.7, "county practice")
    assert load(tmp_path, "", "over", "own.toml").certainty.likely == 0.7
    assert load(tmp_path, OWN.replace("0.7", "0.9"), "over", "own.toml").certainty.likely == 0.9


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("certain = 0.9\nlikely = 0.5\nbasis = 'b'", "0.5 < likely < certain <= 1"),
        ("certain = 0.8\nlikely = 0.8\nbasis = 'b'", "0.5 < likely < certain <= 1"),
        ("certain = 1.01\nlikely = 0.8\nbasis = 'b'", "0.5 < likely < certain <= 1"),
        ("certain = 99\nlikely = 80\nbasis = 'b'", "0.5 < likely < certain <= 1"),
        ("certain = nan\nlikely = 0.8\nbasis = 'b'", "no finite number"),
        ("likely = 0.8\nbasis = 'b'", "certain is missing"),
        ("certain = 0.99\nbasis = 'b'", "likely is missing"),
        ("certain = 0.99\nlikely = 0.8", "basis is missing"),
        ("certain = 0.99\nlikely = 0.8\nbasis = 'b'\nsure = 1", "unknown key 'sure'"),
    ],
)
def test_faulty_thresholds_are_refused(tmp_path, line: str, why: str):
    with pytest.raises(RuleFileError) as caught:
        load(tmp_path, "[certainty]\n" + line)
    assert why in str(caught.value)


def test_a_list_of_thresholds_is_refused(tmp_path):
    with pytest.raises(RuleFileError, match="a table of its own"):
        load(tmp_path, "[[certainty]]\ncertain = 0.99\nlikely = 0.8\nbasis = 'b'")


def test_thresholds_that_cannot_be_are_refused_in_code_too():
    for certain, likely in ((0.99, 0.5), (0.8, 0.9), (1.1, 0.9), (float("nan"), 0.8)):
        with pytest.raises(ValueError, match="likely < certain"):
            Certainty(certain, likely, "")
