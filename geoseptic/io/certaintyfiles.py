"""The table [certainty] of a rule file: from which chance on an answer counts as certain, and as likely."""

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Final

from geoseptic.io.rulevalues import Faults, read_number, read_text, refuse_unknown
from geoseptic.model.certainty import Certainty
from geoseptic.model.rules import RuleSet

CERTAINTY_FILE: Final = "certainty.toml"
CERTAINTY_KEYS: Final = frozenset({"certain", "likely", "basis"})
WHERE: Final = "certainty"


@cache
def common_certainty() -> Certainty:
    """The thresholds that ship with geoseptic, common practice without a source: for every rule set that states none."""
    faults = Faults(CERTAINTY_FILE)
    found = _own(tomllib.loads((files("geoseptic") / "data" / CERTAINTY_FILE).read_text(encoding="utf-8")), faults)
    faults.raise_if_any()
    assert found is not None
    return found


def read_certainty(table: Mapping[str, object], bases: Sequence[RuleSet], faults: Faults) -> Certainty:
    """The thresholds of one file, else those of the last set that it extends and that has its own, else the common ones.

    They are stated together: half of a pair would mean another thing over every set that it extends.
    """
    own = _own(table, faults)
    if own is not None:
        return own
    inherited = [base.certainty for base in bases if base.certainty != common_certainty()]
    return inherited[-1] if inherited else common_certainty()


def _own(table: Mapping[str, object], faults: Faults) -> Certainty | None:
    entry = table.get("certainty")
    if entry is None:
        return None
    if not isinstance(entry, dict):
        faults.add(WHERE, "write it as a table of its own: [certainty].")
        return None
    refuse_unknown(entry, CERTAINTY_KEYS, WHERE, faults)
    certain, likely = (read_number(entry, name, WHERE, faults) for name in ("certain", "likely"))
    basis = read_text(entry, "basis", WHERE, faults)
    if certain is None or likely is None:
        return None
    if not 0.5 < likely < certain <= 1.0:
        faults.add(WHERE, f"likely = {likely:g} and certain = {certain:g}: both are chances, with 0.5 < likely < certain <= 1.")
        return None
    return Certainty(certain, likely, basis)
