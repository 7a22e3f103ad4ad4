"""What is fuzzed: readers of files that people write by hand, each with good files to start from.

A reader may take what it is given or refuse it by a GeosepticError that says something; any other exception is a fault.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from geoseptic.catalog import PROCESSES
from geoseptic.errors import GeosepticError
from geoseptic.io.fieldsheets import read_field_sheet
from geoseptic.io.findingsheets import read_findings
from geoseptic.io.layers import read_layer
from geoseptic.io.placesstated import PlacesStated
from geoseptic.io.rulefiles import load_rules
from geoseptic.io.runfolders import read_finished_run
from geoseptic.io.sources import Stated
from geoseptic.io.townships import read_legal
from geoseptic.model import layers
from geoseptic.processes.finding_places import placed
from geoseptic.run.config import read_config
from geoseptic.systems.findings import judge

ROOT = Path(__file__).resolve().parents[2]
RULES = ROOT / "geoseptic" / "data" / "rules"
SAMPLE = ROOT / "sample_data"


@dataclass(frozen=True)
class Target:
    """A reader of a file called `name`, and the texts that mutation starts from."""

    name: str
    read: Callable[[Path], object]
    seeds: tuple[bytes, ...]

    def tried(self, folder: Path, content: bytes) -> bool:
        """Whether the reader took a file of that content; raises what is a fault."""
        path = folder / self.name
        path.write_bytes(content)
        try:
            self.read(path)
        except GeosepticError as error:
            assert len(str(error)) > 10, "a refusal that says nothing"
            return False
        return True


def _judged(path: Path) -> object:
    """An inspection's points with the sample's runs, read, placed and judged."""
    points = read_findings(str(path), layers.FINDING_POINTS)
    runs = read_findings(str(SAMPLE / "findings_runs.csv"), layers.FINDING_RUNS)
    return judge(placed(points, runs, None).found, load_rules("us-nj"))


def _own(rules: str) -> bytes:
    """A shipped rule set under another id, since that of a shipped one is taken."""
    text = (RULES / f"{rules}.toml").read_bytes()
    return text.replace(b'id = "' + rules.encode() + b'"', b'id = "fuzz"', 1)


SHEET = b"hole,time,depth_to_water_in,refilled\n1,09:00,10,yes\n1,09:30,10.5,no\n1,10:00,11 1/4,\n2,9:00,8,yes\n2,9:30,9,no\n"
CONFIG = (
    b'parcels = "county.gpkg|parcels"\nwells = "wells.gpkg"\nrules = "us-wa"\nout = "out"\nreach = "1000ft"\nworkers = 2\n'
    b'[columns.parcels]\nparcel_id = "APN"\n[values.wells.kind]\nDOM = "private"\n[facts]\ncoarse_gravel = "no"\n'
)
RECORD = (
    b'{"process": "screen_county", "geoseptic": "0", "rules": {"id": "us-wa", "title": "t"}, "inputs": {"parcels": {"sha256": "00"}}, '
    b'"parameters": {"workers": 1}, "outputs": ["screening.gpkg"]}'
)

WELLS = (
    b"well_id,kind,latitude,longitude,location_error_m\n"
    b"w1,private,47.673456,-122.676543,5\nw2,public,47 30 12.5 N,122 31 02.25 W,\nw3,,47.6789,-122.6789,30\n"
)
LAND = b"NE1/4 SW1/4 Sec 12, T5N R3W, Willamette Meridian"

TARGETS: Mapping[str, Target] = {
    "rules": Target("fuzz.toml", load_rules, tuple(_own(name) for name in ("us-ri", "quillback-county", "us-id"))),
    "field sheet": Target("sheet.csv", read_field_sheet, (SHEET, SHEET.replace(b",", b";"))),
    "findings": Target("points.csv", _judged, ((SAMPLE / "findings_points.csv").read_bytes(),)),
    "runs": Target("runs.csv", lambda path: read_findings(str(path), layers.FINDING_RUNS), ((SAMPLE / "findings_runs.csv").read_bytes(),)),
    "table of wells": Target(
        "wells.csv",
        lambda path: read_layer(str(path), layers.WELLS, stated=Stated(crs="EPSG:4326", places=PlacesStated("wells"))),
        (WELLS, WELLS.replace(b",", b";")),
    ),
    "words of a section": Target("land.txt", lambda path: read_legal(path.read_text("utf-8", "replace")), (LAND, b"SWNE 12-5N-3W")),
    "config": Target("run.toml", lambda path: read_config(path, PROCESSES["suitability_map"]), (CONFIG,)),
    "record of a run": Target("run.json", lambda path: read_finished_run(str(path.parent), "screen_county"), (RECORD,)),
}
