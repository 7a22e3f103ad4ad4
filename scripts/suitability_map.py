"""Command line of the process suitability_map; --help says what it takes."""

from geoseptic.run.cli import main

raise SystemExit(main("suitability_map"))
