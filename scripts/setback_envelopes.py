"""Command line of the process setback_envelopes; --help says what it takes."""

from _launch import main

raise SystemExit(main("setback_envelopes"))
