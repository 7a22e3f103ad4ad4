"""Command line of the process downslope_distance; --help says what it takes."""

from geoseptic.run.cli import main

raise SystemExit(main("downslope_distance"))
