"""Command line of the process uncertainty; --help says what it takes."""

from _launch import main

raise SystemExit(main("uncertainty"))
