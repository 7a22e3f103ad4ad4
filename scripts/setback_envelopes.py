"""Command line of the process setback_envelopes; --help says what it takes."""

from geoseptic.run.cli import main

raise SystemExit(main("setback_envelopes"))
