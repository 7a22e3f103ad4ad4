"""What the command line says of the sources of layers: stated CRS and encoding, guesses, and what run.json tells of them."""

import json
import zipfile
from pathlib import Path

import geopandas
import pytest

from geoseptic.run.cli import main
from tests.run.conftest import CRS

ENVELOPES = "field_envelope"


def run(folder: Path, parcels: str, out: Path, *more: str) -> int:
    wells = f"{folder / 'county.gpkg'}|wells"
    return main("setback_envelopes", ["--parcels", parcels, "--wells", wells, "--rules", "us-wa", "--out", str(out), *more])


def envelopes(out: Path) -> geopandas.GeoDataFrame:
    return geopandas.read_file(out / "envelopes.gpkg", layer=ENVELOPES).sort_values("parcel_id", ignore_index=True)


@pytest.fixture
def zipped(hillside) -> Path:
    """The parcels as a shapefile without a .prj, one folder down in an archive, its column of identifiers under a usual name."""
    parcels = geopandas.read_file(hillside / "county.gpkg", layer="parcels").rename(columns={"parcel_id": "APN"})
    parcels.to_file(hillside / "lots.shp")
    with zipfile.ZipFile(hillside / "download.zip", "w") as file:
        for part in hillside.glob("lots.*"):
            if part.suffix != ".prj":
                file.write(part, f"county/{part.name}")
    return hillside / "download.zip"


def test_zipped_shapefile_gives_the_same_envelopes_and_run_json_tells_how_it_was_read(hillside, zipped, tmp_path, capsys):
    assert run(hillside, f"{hillside / 'county.gpkg'}|parcels", tmp_path / "plain") == 0
    assert run(hillside, str(zipped), tmp_path / "zip", "--crs", f"parcels={CRS}") == 0
    expected, found = envelopes(tmp_path / "plain"), envelopes(tmp_path / "zip")
    assert list(found["parcel_id"]) == list(expected["parcel_id"]) and len(found)
    # A shapefile turns its rings the other way round.
    assert found.geometry.normalize().geom_equals_exact(expected.geometry.normalize(), 1e-9).all()
    record = json.loads((tmp_path / "zip" / "run.json").read_text())
    assert record["guessed_columns"] == {"parcels": {"parcel_id": "APN"}}
    assert record["stated"]["crs"] == {"parcels": CRS}
    assert record["inputs"]["parcels"]["file"] == str(zipped) and record["inputs"]["parcels"]["sha256"]
    told = " ".join(record["warnings"])
    assert "APN is taken for parcel_id, a guess" in told and "was stated for it" in told
    assert "parcels: its column APN is taken for parcel_id" in capsys.readouterr().err


def test_missing_prj_is_refused_with_the_flag_that_states_it_and_the_config_states_it_too(hillside, zipped, tmp_path, capsys):
    assert run(hillside, str(zipped), tmp_path / "out") == 3
    assert "--crs parcels=EPSG:NUMBER" in capsys.readouterr().err
    (tmp_path / "c.toml").write_text(f'[crs]\nparcels = "{CRS}"\n[encoding]\nparcels = "cp1252"\n')
    assert run(hillside, str(zipped), tmp_path / "out", "--config", str(tmp_path / "c.toml"), "--dry-run") == 0
    plan = json.loads(capsys.readouterr().out)["inputs"]["parcels"]
    assert plan["guessed_columns"] == {"parcel_id": "APN"} and "was stated for it" in plan["notes"][0]


@pytest.mark.parametrize(
    ("words", "config", "said"),
    [
        (["--crs", "parcels"], "", "must be LAYER=TEXT"),
        (["--crs", "lots=EPSG:26910"], "", "crs given for 'lots'"),
        ([], "crs = 'EPSG:26910'\n", "crs must be a table"),
        ([], "[crs]\nparcels = 26910\n", "crs: parcels must be text"),
        ([], "allow_network = 'yes'\n", "allow_network must be true or false"),
        (["--encoding", "parcels="], "", "must be LAYER=TEXT"),
    ],
)
def test_statements_that_cannot_be_one_are_refused(hillside, tmp_path, capsys, words, config, said):
    (tmp_path / "c.toml").write_text(config)
    assert run(hillside, f"{hillside / 'county.gpkg'}|parcels", tmp_path / "out", "--config", str(tmp_path / "c.toml"), *words) == 2
    assert said in capsys.readouterr().err


def test_address_is_refused_by_the_command_with_the_flag_that_allows_it(hillside, tmp_path, capsys):
    assert run(hillside, "/vsicurl/http://127.0.0.1:9/lots.gpkg", tmp_path / "out") == 3
    told = capsys.readouterr().err
    assert "nothing is fetched unasked" in told and "--allow-network" in told and "Traceback" not in told
