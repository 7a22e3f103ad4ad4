"""Command line of the process county_map; --help says what it takes."""

from _launch import main

raise SystemExit(main("county_map"))
