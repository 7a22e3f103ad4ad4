"""Starts a process for the scripts beside this file, and says what to do where geoseptic is not installed. Standard library only, and it
parses on Python 3.8 like start.py."""

import sys
from pathlib import Path

MISSING = """\
{script}: this Python ({python}) does not have {missing}, so it cannot run geoseptic.
Make geoseptic's own environment once:
  python3 "{folder}/start.py" install
and then run the script with the Python of that environment:
  "{own}" "{folder}/{script}" ...
or let start.py do both:
  python3 "{folder}/start.py" run {process} ..."""


def main(process: str) -> int:
    """Run the process with the arguments of the command line; the exit code, 3 where a package is missing."""
    try:
        from geoseptic.run.cli import main as run

        return run(process)
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("geoseptic."):
            raise
        import start

        folder, own = Path(__file__).resolve().parent, start.python_of(start.VENV)
        facts = {"script": f"{process}.py", "process": process, "missing": error.name, "python": sys.executable}
        print(MISSING.format(folder=folder, own=own, **facts), file=sys.stderr)
        return 3
