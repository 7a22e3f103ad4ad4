"""Command line of the process size_field; --help says what it takes."""

from geoseptic.run.cli import main

raise SystemExit(main("size_field"))
