"""The page of methods and limits names sources, processes and values that there are."""

import importlib
import re
import tomllib

import pytest

from geoseptic.catalog import PROCESSES
from tests.house.tree import ROOT, project_files

PAGE = ROOT / "geoseptic" / "docs" / "methods.md"
TEXT = PAGE.read_text(encoding="utf-8")
KEYS = set(tomllib.loads((ROOT / "geoseptic" / "data" / "references.toml").read_text(encoding="utf-8")))
METHODS = dict(re.findall(r"^###? (.+?)\n(.*?)(?=^##|\Z)", TEXT, re.MULTILINE | re.DOTALL))
APART = {"Which process uses what", "Own choices in numbers", "Uncertainty"}
"""Sections that are about no method."""

WITHOUT_A_KEY = ("our own", "common practice, no source", "from memory")
VALUES = re.findall(r"^\| `([\w.]+)` \| ([\d.]+) \|", TEXT, re.MULTILINE)


def sections() -> dict[str, str]:
    return {title: text for title, text in METHODS.items() if text.strip() and title not in APART}


def anchor(title: str) -> str:
    return re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-")


def test_every_method_says_its_source_and_its_limits():
    """A source line names keys of references.toml, or says that there is none; below it stands at least one limit."""
    faulty = []
    for title, text in sections().items():
        sources = re.findall(r"^Source: (.+)$", text, re.MULTILINE)
        named = KEYS & set(re.findall(r"`([^`]+)`", " ".join(sources)))
        if len(sources) != 1 or not (named or any(words in sources[0].lower() for words in WITHOUT_A_KEY)):
            faulty.append(f"{title}: source")
        if not re.search(r"^Known errors and limits:\n- ", text, re.MULTILINE):
            faulty.append(f"{title}: limits")
    assert len(sections()) > 30 and faulty == []


def test_every_reference_key_exists():
    """What stands in code marks on a source line, or looks like a key anywhere, is a key, a file or an option."""
    lines = re.findall(r"^Source: (.+)$", TEXT, re.MULTILINE)
    unknown = [word for line in lines for word in re.findall(r"`([^`]+)`", line) if word not in KEYS and not (ROOT / word).exists()]
    assert unknown == []


def test_files_that_are_named_are_there():
    named = set(re.findall(r"`((?:geoseptic|tests)/[\w./-]+)`", TEXT))
    assert named and named <= set(project_files())


def test_every_process_appears_with_methods_that_the_page_has():
    """The table has a row for each process of the catalog, and each link leads to a section."""
    rows = dict(re.findall(r"^\| `(\w+)` \| (.+) \|$", TEXT, re.MULTILINE))
    assert set(PROCESSES) <= set(rows)
    links = set(re.findall(r"\]\(#([\w-]+)\)", TEXT))
    assert links <= {anchor(title) for title in METHODS}
    assert {anchor(title) for title in sections()} - links <= {"heights-and-units", "large-runs", "wells-from-tables-and-land-descriptions"}


@pytest.mark.parametrize(("name", "value"), VALUES)
def test_values_are_those_of_the_code(name: str, value: str):
    module, _, constant = name.rpartition(".")
    assert getattr(importlib.import_module(f"geoseptic.{module}"), constant) == float(value)


def test_the_table_of_values_is_found():
    assert len(VALUES) >= 50
