"""Command line of the process check_inputs; --help says what it takes."""

from _launch import main

raise SystemExit(main("check_inputs"))
