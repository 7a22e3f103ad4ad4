"""Command line of the process old_systems; --help says what it takes."""

from _launch import main

raise SystemExit(main("old_systems"))
