"""What a GIS shows of the outputs beside their shapes: each column has a title and a description, each layer too, in every process."""

import json
import os
import subprocess
from pathlib import Path

import pyogrio
import pytest

from geoseptic.catalog import PROCESSES
from geoseptic.model.column_titles import title_of
from geoseptic.process import LayerOut
from geoseptic.run.cli import main
from tests.run.conftest import arguments, hillside_in
from tests.toolbox.test_toolbox import QGIS_PYTHON, has_qgis

pyarrow = pytest.importorskip("pyarrow")

IN_QGIS = """
import json, os, sys
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
from qgis.core import QgsApplication, QgsVectorLayer
application = QgsApplication([], False)
application.initQgis()
found = {}
for path, name in json.load(sys.stdin):
    layer = QgsVectorLayer(f"{path}|layername={name}", name, "ogr")
    layer.loadDefaultStyle()
    fields = layer.fields()
    found[f"{path}|{name}"] = {fields[i].name(): layer.attributeAlias(i) for i in range(fields.count())}
print(json.dumps(found))
"""


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The GeoPackages of every process that writes layers, of small runs."""
    folder = tmp_path_factory.mktemp("noted")
    hillside = hillside_in(folder)
    old, screened = folder / "old_systems", folder / "screen_county"
    layers = {name: f"{hillside / 'county.gpkg'}|{name}" for name in ("parcels", "wells", "buildings")}
    runs = {
        "setback_envelopes": arguments(hillside, folder / "setback_envelopes"),
        "downslope_distance": arguments(hillside, folder / "downslope_distance", parcels=None, rules=None),
        "suitability_map": arguments(hillside, folder / "suitability_map"),
        "screen_county": arguments(hillside, screened),
        "uncertainty": [*arguments(hillside, folder / "uncertainty"), "--draws=5", "--ground-draws=1"],
        "old_systems": arguments(hillside, old),
        "check_inputs": arguments(hillside, folder / "check_inputs"),
        "rank_parcels": [
            *("--old-systems", f"{old / 'old_systems.gpkg'}|parcels", "--wells", layers["wells"], "--buildings", layers["buildings"]),
            *("--rules", "us-wa", "--out", str(folder / "rank_parcels")),
        ],
        "judge_findings": [
            *("--points", "sample_data/findings.gpkg|points", "--runs", "sample_data/findings.gpkg|runs", "--rules", "us-nj"),
            *("--out", str(folder / "judge_findings")),
        ],
    }
    writing = {name for name, process in PROCESSES.items() if any(isinstance(out, LayerOut) for out in process.outputs)}
    assert set(runs) == writing
    for name, words in runs.items():
        assert main(name, [*words, "-q"]) in (0, 1), name
    return sorted(folder.glob("*/*.gpkg"))


def shown(column: str, alias: str) -> bool:
    """Whether a GIS shows the title of a column. GDAL leaves an alias out that is the name in other letters, such as Verdict."""
    return alias == title_of(column) or (not alias and title_of(column).lower() == column)


def layers_of(package: Path) -> list[str]:
    return [name for name, shapes in pyogrio.list_layers(package) if shapes is not None]


def test_every_column_of_every_layer_has_a_title_and_a_description_that_gdal_finds(packages):
    """As alias and comment of the field, no title twice in a layer; and the layer has a title and a description."""
    seen = 0
    for package in packages:
        for name in layers_of(package):
            place = f"{package.parent.name}/{package.name}|{name}"
            with pyogrio.raw.open_arrow(package, layer=name, use_pyarrow=False) as (about, reader):
                schema = pyarrow.RecordBatchReader.from_stream(reader).schema
            titles = []
            for field in (field for field in schema if field.name != about["geometry_name"]):
                told = field.metadata or {}
                titles.append(title_of(field.name))
                assert shown(field.name, told.get(b"GDAL:OGR:alternative_name", b"").decode()), (place, field.name)
                assert len(told.get(b"GDAL:OGR:comment", b"")) > 3, (place, field.name)
            assert len(set(titles)) == len(titles) > 0, place
            metadata = pyogrio.read_info(package, layer=name)["layer_metadata"]
            assert metadata["IDENTIFIER"] != name and len(metadata["DESCRIPTION"]) > 20, place
            seen += 1
    assert seen >= 40


def test_qgis_shows_the_titles_with_the_style_that_the_file_brings(packages):
    """Through Debian's QGIS, whose GDAL is too old to hand titles on; where there is none the test is skipped."""
    if not has_qgis():
        pytest.skip("no QGIS on this machine")
    asked = [(str(package), name) for package in packages for name in layers_of(package)]
    done = subprocess.run(
        [str(QGIS_PYTHON), "-c", IN_QGIS],
        input=json.dumps(asked),
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "QT_QPA_PLATFORM": "offscreen", "PYTHONPATH": ""},
    )
    found = json.loads(done.stdout.splitlines()[-1])
    assert len(found) == len(asked)
    for place, aliases in found.items():
        assert aliases.pop("fid") == "" and aliases, place
        assert aliases == {name: title_of(name) for name in aliases}, place


@pytest.mark.parametrize(
    ("column", "title"),
    [
        ("parcel_id", "Parcel ID"),
        ("lot_ft2", "Lot [ft²]"),
        ("fall_to_spare_ft", "Fall to spare [ft]"),
        ("slope_percent", "Slope [%]"),
        ("verdict", "Verdict"),
        ("in", "In"),
        ("x_m", "X [m]"),
    ],
)
def test_a_title_is_the_name_as_words_with_its_unit(column, title):
    assert title_of(column) == title
