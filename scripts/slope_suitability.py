"""Command line of the process slope_suitability; --help says what it takes."""

from _launch import main

raise SystemExit(main("slope_suitability"))
