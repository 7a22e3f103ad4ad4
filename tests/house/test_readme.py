"""README.md names what there is."""

from pathlib import Path

from geoseptic.catalog import PROCESSES
from geoseptic.io.rulefiles import shipped_rules

README = Path("README.md").read_text(encoding="utf-8")


def test_readme_names_every_process_and_output_file():
    for process in PROCESSES.values():
        assert f"`{process.id}`" in README
        for name in process.files:
            assert f"`{name}`" in README, name


def test_readme_names_every_shipped_rule_set():
    for name in shipped_rules():
        assert f"`{name}`" in README
