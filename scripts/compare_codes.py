"""Command line of the process compare_codes; --help says what it takes."""

from _launch import main

raise SystemExit(main("compare_codes"))
