"""What a run needs in memory for each parcel more: what is known of it, and not all shapes that were ever made of it."""

import json
import math
import os
import subprocess
import sys
from pathlib import Path

import pytest

CELL_M, GROUND_OF_A_LOT_M2 = 10.0, 3200.0
PARCELS = 2000, 8000

MOST_BYTES_A_PARCEL = 13_000
"""What a parcel more may take at the worst moment: 5,400 to 6,900 measured (2026-11), and 29,300 when all shapes were there at once."""

RUN = """
import json, sys, threading
from pathlib import Path
from geoseptic.io import shelves, vectors
from geoseptic.run.cli import main
from geoseptic.terrain import windows

# What does not grow with a county is made small, so that what does is seen.
shelves.IN_MEMORY_BYTES, vectors.ROWS_AT_ONCE, windows.SIDE_CELLS = 1 << 20, 4096, 128
most, done = 0, threading.Event()

def look():
    global most
    while not done.wait(0.01):
        told = Path("/proc/self/status").read_text()
        most = max(most, 1024 * int(told.partition("RssAnon:")[2].split()[0]))

watcher = threading.Thread(target=look)
watcher.start()
status = main("suitability_map", sys.argv[1:])
done.set()
watcher.join()
print(json.dumps(most))
raise SystemExit(status)
"""


def peak_bytes(folder: Path, parcels: int) -> int:
    """The most that a run over so many lots has in memory of its own at any time."""
    from tests.benchmarks.common import inputs_of
    from tests.benchmarks.synthetic import Extent, write_county

    side = math.ceil(math.sqrt(parcels * GROUND_OF_A_LOT_M2) / CELL_M)
    write_county(folder, Extent(side, side, CELL_M), parcels, parcels // 2, seed=1)
    words = [*inputs_of(folder), "--rules=us-wa", "--parts=drain_field", "--parts=septic_tank", f"--out={folder / 'out'}"]
    done = subprocess.run([sys.executable, "-c", RUN, *words], capture_output=True, text=True, timeout=600, env={**os.environ})
    assert done.returncode == 0, done.stderr[-2000:]
    return int(json.loads(done.stdout.splitlines()[-1]))


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="only Linux tells what a process has in memory of its own")
def test_a_parcel_more_takes_what_is_known_of_it(tmp_path):
    few, many = (peak_bytes(tmp_path / str(parcels), parcels) for parcels in PARCELS)
    assert (many - few) / (PARCELS[1] - PARCELS[0]) < MOST_BYTES_A_PARCEL
