"""README.md names what there is."""

from pathlib import Path

from geoseptic.catalog import PROCESSES
from geoseptic.io.rulefiles import shipped_rules
from geoseptic.process import LayerOut, RasterOut

README = Path("README.md").read_text(encoding="utf-8")


def test_readme_names_every_process_and_output_file():
    for process in PROCESSES.values():
        assert f"`{process.id}`" in README
        for out in process.outputs:
            if isinstance(out, LayerOut):
                assert f"{out.file}.gpkg" in README, out
            else:
                assert f"`{out.name}.{'tif' if isinstance(out, RasterOut) else 'csv'}`" in README, out


def test_readme_names_every_shipped_rule_set():
    for name in shipped_rules():
        assert f"`{name}`" in README
