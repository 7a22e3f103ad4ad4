"""Command line of the process rank_parcels; --help says what it takes."""

from _launch import main

raise SystemExit(main("rank_parcels"))
