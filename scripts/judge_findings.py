"""Command line of the process judge_findings; --help says what it takes."""

from _launch import main

raise SystemExit(main("judge_findings"))
