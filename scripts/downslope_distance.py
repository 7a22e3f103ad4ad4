"""Command line of the process downslope_distance; --help says what it takes."""

from _launch import main

raise SystemExit(main("downslope_distance"))
