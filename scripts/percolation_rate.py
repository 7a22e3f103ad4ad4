"""Command line of the process percolation_rate; --help says what it takes."""

from _launch import main

raise SystemExit(main("percolation_rate"))
