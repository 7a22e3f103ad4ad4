"""Command line of the process site_sheet; --help says what it takes."""

from _launch import main

raise SystemExit(main("site_sheet"))
