"""Command line of the process suitability_map; --help says what it takes."""

from _launch import main

raise SystemExit(main("suitability_map"))
