"""Command line of the process percolation_rate; --help says what it takes."""

from geoseptic.run.cli import main

raise SystemExit(main("percolation_rate"))
