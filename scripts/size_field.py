"""Command line of the process size_field; --help says what it takes."""

from _launch import main

raise SystemExit(main("size_field"))
