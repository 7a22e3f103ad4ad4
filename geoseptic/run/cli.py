"""The command line of every process. Nothing heavy is imported before the arguments are known to be good."""

import json
import sys
from collections.abc import Sequence
from typing import Any

from geoseptic.catalog import PROCESSES
from geoseptic.errors import GeosepticError
from geoseptic.memory import leave_to_the_system, seldom_searched
from geoseptic.model.cautions import CAUTIONS
from geoseptic.process import Process
from geoseptic.run import arguments, endings, stops
from geoseptic.run.describe import description
from geoseptic.run.version import version


def main(process_id: str | None = None, argv: Sequence[str] | None = None) -> int:
    """Run a process from the command line; the exit code.

    Without `process_id` the first argument names the process, and no argument lists them. Without `argv` the arguments are those of this
    Python process, which is taken to end afterwards.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    if process_id is None:
        if not words or words[0] in ("-h", "--help"):
            _list_processes()
            return 0
        if words[0] == "--version":
            print(version())
            return 0
        process_id = words.pop(0)
        if process_id == "serve":
            from geoseptic.server import command

            return command.main(words)
        if process_id == "toolbox":
            from geoseptic.toolbox import command as toolbox

            return toolbox.main(words)
        program = f"geoseptic {process_id}"
    else:
        program = f"{process_id}.py"
    if process_id not in PROCESSES:
        print(f"geoseptic: there is no process '{process_id}'. Known: {', '.join(PROCESSES)}.", file=sys.stderr)
        return 2
    try:
        with stops.heard(), seldom_searched():
            return _run(PROCESSES[process_id], program, words, is_last=argv is None)
    except SystemExit as stop:  # argparse has said why
        return int(stop.code or 0)
    except (GeosepticError, KeyboardInterrupt, MemoryError, OSError) as error:
        text, code = endings.told(error)
        print(f"{program}: {text}", file=sys.stderr)
        return code


def _run(process: Process[..., Any], program: str, words: Sequence[str], *, is_last: bool) -> int:
    wanted = arguments.request(process, program, words)
    if wanted.describe:
        print(json.dumps(description(process, version()), indent=2))
        return 0
    leave_to_the_system()
    from geoseptic.run import runner

    summary = runner.run(process, wanted, version(), is_last=is_last)
    print(json.dumps(summary))
    return 1 if summary.get("failures") else 0


def _list_processes() -> None:
    from geoseptic.io.rulefiles import shipped_rules

    print("geoseptic PROCESS [options]; geoseptic PROCESS --help says more\n")
    width = max(len(name) for name in PROCESSES)
    for name, process in PROCESSES.items():
        print(f"  {name:<{width}}  {process.title}: {process.summary}")
    print("\n  geoseptic serve --help: the same processes for other programs, by OGC API - Processes on this machine")
    print("  geoseptic toolbox --help: the same processes in the toolbox of QGIS")
    print(f"\nrule sets: {', '.join(shipped_rules())}\n\n{CAUTIONS[0]}")
