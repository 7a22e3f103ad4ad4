"""Command line of the process slope_suitability; --help says what it takes."""

from geoseptic.run.cli import main

raise SystemExit(main("slope_suitability"))
