"""Command line of the process screen_county; --help says what it takes."""

from _launch import main

raise SystemExit(main("screen_county"))
