"""First start on any machine: makes `.venv` beside pyproject.toml, installs geoseptic into it, and runs the asked for job there.

Standard library only. The file parses on Python 3.8, so that an old Python ends in a sentence and not in a syntax error;
all that geoseptic itself needs (3.11 or later) is used only after that check.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from collections import deque
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NoReturn

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
STAMP = ".geoseptic-installed"
UNFINISHED = ".geoseptic-unfinished"
OLDEST = (3, 11)
TRIED = ((3, 14), (3, 13), (3, 12), (3, 11))
TEST_NEEDS = ("test", "data")

HELP = """\
usage: python3 scripts/start.py COMMAND

  demo                    run the main job on sample_data, into out/demo, and say what to open
  test [PYTEST OPTIONS]   run the tests
  run PROCESS [OPTIONS]   run one process; `run PROCESS --help` lists its options
  install [EXTRA ...]     only make the environment, with these extras or dependency groups of pyproject.toml

Each first makes the environment .venv beside pyproject.toml and installs geoseptic there, if that has not been done yet.
No other Python environment is changed."""

LAYERS = (
    "parcels", "wells", "buildings", "driveways", "pools", "surface_water", "springs", "cut_banks", "water_lines", "culverts",
    "soils", "floodplain",
)  # fmt: skip

DEMO_OUTPUTS = (
    ("screening.gpkg", "start here: per lot whether a system fits, and where; field, reserve, trenches, tank, pipes, test holes"),
    ("suitability_class.tif", "where a drain field may go, in classes with a legend"),
    ("suitability.tif", "the rating behind it: 0 = excluded, 100 = best, 255 = unknown"),
    ("reasons.tif", "why a cell is excluded, one bit for each rule; the names are in run.json"),
    ("envelopes.gpkg", "per lot what the setbacks leave for a tank and for a field, and the setback zones"),
    ("slope.tif", "slope in percent"),
    ("slope_class.tif", "slope in the classes of the rule set"),
    ("well_path.tif", "distance along the downhill path to a well"),
    ("well_path_code.tif", "whether a path reaches a well, cannot, or leaves the data"),
    ("ponding.tif", "depth of closed hollows"),
    ("waypoints.gpx", "the test holes for a phone or a GPS receiver"),
    ("run.json", "inputs, rule set, parameters, counts and warnings of this run"),
)

NO_INSTALLER = """\
This Python ({python}) has neither ensurepip nor pip, and uv is not on PATH, so nothing can be installed.
Install one of them and start again, for example:
  Debian, Ubuntu:  sudo apt install python3-venv   (for another than the system's own Python: python{version}-venv)
  Fedora:          sudo dnf install python3-pip
  Alpine:          sudo apk add py3-pip
  elsewhere:       uv, or a Python that comes with pip"""

TOO_OLD = """\
geoseptic needs Python {oldest} or later; this is Python {found}, and none of {tried} was found on PATH.
Install one of them and start again, for example:
  Debian, Ubuntu:  sudo apt install python3.11 python3.11-venv
  Fedora:          sudo dnf install python3.12
  with uv:         uv python install 3.13, then uv run --python 3.13 scripts/start.py ..."""

UNREACHABLE = ("resolution", "connection", "timed out", "proxy", "certificate", "no matching distribution", "error sending request")
UNBUILDABLE = ("failed to build", "failed building wheel", "subprocess-exited-with-error")


class Stop(Exception):
    """What hinders the start, as a sentence for the person at the keyboard."""


def main(argv: Sequence[str]) -> int:
    command, rest = (argv[0], list(argv[1:])) if argv else ("--help", [])
    if command in ("-h", "--help", "help"):
        print(HELP)
        return 0
    needs = {"demo": (), "run": (), "test": TEST_NEEDS, "install": rest}.get(command)
    if needs is None:
        say(f"There is no command '{command}'.\n\n{HELP}")
        return 2
    try:
        if tuple(sys.version_info[:2]) < OLDEST:
            hand_over([*newer_interpreter(), __file__, *argv])
        python = prepared(needs)
        if not inside(VENV):
            hand_over([str(python), __file__, *argv])
        return ACTIONS[command](rest)
    except Stop as stop:
        say(str(stop))
        return 3
    except KeyboardInterrupt:
        say("Interrupted.")
        return 130


# What runs inside .venv


def demo(_: Sequence[str]) -> int:
    from geoseptic.run.cli import main as run_process

    os.chdir(ROOT)
    options = ["--elevation", "sample_data/elevation.tif", "--rules", "us-wa", "--out", "out/demo", "--overwrite"]
    for layer in LAYERS:
        options += [f"--{layer.replace('_', '-')}", f"sample_data/county.gpkg|{layer}"]
    # The county's own words for what a building is.
    options += ["--columns", "buildings.not_a_dwelling=use"]
    options += ["--values", "buildings.not_a_dwelling.dwelling=no", "--values", "buildings.not_a_dwelling.outbuilding=yes"]
    say("screen_county " + " ".join(options))
    code = run_process("screen_county", options)
    if code in (0, 1):
        out = ROOT / "out" / "demo"
        say(f"\nDone. Open these in any desktop GIS, from {out}:")
        for name, meaning in DEMO_OUTPUTS:
            if (out / name).exists():
                say(f"  {name:<24}{meaning}")
        say("\nThen a map of all lots, and a plot plan of one to print:")
        say("  python3 scripts/start.py run county_map --screening out/demo --out out/map")
        say("  python3 scripts/start.py run site_sheet --screening out/demo --parcel MH-006-03 --out out/sheets")
    return code


def test(options: Sequence[str]) -> int:
    os.chdir(ROOT)
    # Every process that a test starts would compile the modules anew that it loads.
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    spread = ["-n", "auto", "--dist", "loadfile"] if importlib.util.find_spec("xdist") else []
    hand_over([sys.executable, "-m", "pytest", *spread, *options])


def run(options: Sequence[str]) -> int:
    from geoseptic.run.cli import main as run_process

    return run_process(None, list(options))


def install(_: Sequence[str]) -> int:
    say(f"Ready: {python_of(VENV)}")
    return 0


ACTIONS = {"demo": demo, "test": test, "run": run, "install": install}


# The interpreter


def newer_interpreter() -> list[str]:
    """Command of a Python on PATH that is new enough; one that does not start (a shim without its version) is passed over."""
    for major, minor in TRIED:
        commands = [[f"python{major}.{minor}"]]
        if os.name == "nt":
            commands.append(["py", f"-{major}.{minor}"])
        for command in commands:
            program = shutil.which(command[0])
            if program and version_of([program, *command[1:]])[:2] == (major, minor):
                say(f"This is Python {dotted(sys.version_info[:3])}; going on with {' '.join(command)}.")
                return [program, *command[1:]]
    tried = ", ".join(f"python{dotted(version)}" for version in reversed(TRIED))
    raise Stop(TOO_OLD.format(oldest=dotted(OLDEST), found=dotted(sys.version_info[:3]), tried=tried))


def version_of(command: Sequence[str]) -> tuple[int, ...]:
    """Version of the interpreter that `command` starts; empty if it does not start."""
    asked = [*command, "-I", "-S", "-c", "import sys; print(*sys.version_info[:3])"]
    try:
        answer = subprocess.check_output(asked, stderr=subprocess.DEVNULL, env=environment(), timeout=60)
        return tuple(int(part) for part in answer.split())
    except (OSError, ValueError, subprocess.SubprocessError):
        return ()


def python_of(venv: Path) -> Path:
    return venv / "Scripts" / "python.exe" if os.name == "nt" else venv / "bin" / "python"


def inside(venv: Path) -> bool:
    return Path(sys.prefix).resolve() == venv.resolve()


def hand_over(command: Sequence[str]) -> NoReturn:
    """Goes on as `command` and never comes back."""
    sys.stdout.flush()
    sys.stderr.flush()
    if os.name == "nt":  # execv there returns to the shell before the new process has ended
        raise SystemExit(subprocess.call(list(command), env=environment()))
    os.execve(command[0], list(command), environment())


def environment() -> dict[str, str]:
    """This process's variables without those that would mix other packages or another install place into .venv."""
    dropped = ("PYTHONHOME", "PYTHONPATH", "__PYVENV_LAUNCHER__", "PIP_TARGET", "PIP_PREFIX", "VIRTUAL_ENV")
    kept = {name: value for name, value in os.environ.items() if name not in dropped}
    kept.update(PIP_USER="0", PIP_REQUIRE_VIRTUALENV="0")
    return kept


# The environment


def prepared(names: Iterable[str]) -> Path:
    """Python of a complete .venv that holds geoseptic with these extras and dependency groups."""
    python = python_of(VENV)
    state = state_of(VENV)
    if state == "strange":
        raise Stop(f"{VENV} is no Python environment. Move it away or delete it, and start again.")
    if state in ("unfinished", "broken"):
        say(f"The environment {VENV} is {state}; making it anew.")
        discard(VENV)
        state = "absent"
    if state == "absent":
        make(VENV)
    version = version_of([str(python)])
    if version[:2] < OLDEST:
        raise Stop(f"{VENV} holds Python {dotted(version)}, too old here. Move it away or delete it, and start again.")
    key = key_of((ROOT / "pyproject.toml").read_bytes(), version)
    stamped_key, have = stamp_of(VENV)
    if stamped_key != key or not have.issuperset(names):
        now_have = fill(VENV, names, have)
        (VENV / STAMP).write_text(json.dumps({"key": key, "names": sorted(now_have)}), encoding="utf-8")
    return python


def state_of(venv: Path) -> str:
    """absent, ready, unfinished (ours, interrupted), broken (its Python does not start) or strange (no environment at all).

    An environment that something else made (uv, an editor) and that starts is ready: it is filled, never deleted.
    """
    if not venv.exists():
        return "absent"
    if (venv / UNFINISHED).exists():
        return "unfinished"
    if not (venv / "pyvenv.cfg").exists():
        return "strange"
    return "ready" if version_of([str(python_of(venv))]) else "broken"


def key_of(pyproject: bytes, version: Sequence[int]) -> str:
    """Changes with what is to be installed, for which Python, and with the folder, to which an editable install points."""
    return hashlib.sha256(pyproject + dotted(version).encode() + os.fsencode(str(ROOT))).hexdigest()


def stamp_of(venv: Path) -> tuple[str, set[str]]:
    """Key and names of the last complete installation; empty where there was none."""
    try:
        stamp = json.loads((venv / STAMP).read_text(encoding="utf-8"))
        return str(stamp["key"]), set(stamp["names"])
    except (OSError, ValueError, KeyError, TypeError):
        return "", set()


def discard(venv: Path) -> None:
    if inside(venv):
        raise Stop(f"Start again with a Python outside of {venv}: it must be made anew.")
    try:
        shutil.rmtree(str(venv))
    except OSError as error:
        raise Stop(f"{venv} cannot be deleted ({error}). Delete it by hand and start again.") from None


def make(venv: Path) -> None:
    """An environment, with pip where ensurepip can bring it. The mark of an unfinished one stays if this is interrupted."""
    has_pip, uv = starts([sys.executable, "-m", "pip", "--version"]), shutil.which("uv")
    has_ensurepip = importlib.util.find_spec("ensurepip") is not None
    if not (has_ensurepip or has_pip or uv):
        raise Stop(NO_INSTALLER.format(python=sys.executable, version=dotted(sys.version_info[:2])))
    ways = []
    if has_ensurepip:
        ways.append([sys.executable, "-m", "venv"])
    if has_pip or uv:
        ways.append([sys.executable, "-m", "venv", "--without-pip"])
    if uv:
        ways.append([uv, "venv", "--allow-existing", "--python", sys.executable])
    say(f"Making the environment {venv} with Python {dotted(sys.version_info[:3])}.")
    venv.mkdir()
    (venv / UNFINISHED).touch()
    for way in ways:
        code, lines = followed([*way, str(venv)])
        if code == 0 and version_of([str(python_of(venv))]):
            (venv / UNFINISHED).unlink()
            return
    raise Stop("\n".join(["The environment could not be made; the last attempt ended with:", *lines]))


def fill(venv: Path, names: Iterable[str], had: Iterable[str]) -> set[str]:
    """Installs geoseptic, editable, with these extras and dependency groups, and those that it had and that still exist."""
    import tomllib

    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    extras, groups = declared["project"]["optional-dependencies"], declared["dependency-groups"]
    unknown = sorted(set(names) - set(extras) - set(groups))
    if unknown:
        raise Stop(f"pyproject.toml declares no {', '.join(unknown)}. It has: {', '.join([*extras, *groups])}.")
    wanted = set(names) | {name for name in had if name in extras or name in groups}
    chosen = ",".join(sorted(wanted & set(extras)))
    loose = [requirement for name in sorted(wanted & set(groups)) for requirement in groups[name]]
    (venv / UNFINISHED).touch()
    try:
        command = installer(venv)
        say(f"Installing geoseptic with {', '.join(sorted(wanted)) or 'what it needs'}.")
        installed([*command, "-e", f".[{chosen}]" if chosen else "."])
        if loose:
            # Packages wanted for a data file in them: all that they would import stays away.
            installed([*command, "--no-deps", *loose])
    except Stop:
        # The installer ended by itself, so the environment is whole and need not be made anew next time.
        (venv / UNFINISHED).unlink()
        raise
    (venv / UNFINISHED).unlink()
    return wanted


def installer(venv: Path) -> list[str]:
    """Start of a command that installs into `venv`.

    Where only this Python's own pip is there (Debian without python3-venv), it puts a pip into the environment first: with
    --target, which older pips know too and which an externally managed Python does not forbid.
    """
    python = str(python_of(venv))
    own = [python, "-m", "pip"]
    if not starts([*own, "--version"]):
        if starts([sys.executable, "-m", "pip", "--version"]):
            say("Bringing pip into the environment.")
            asked = [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"]
            place = os.fsdecode(subprocess.check_output(asked, env=environment()).strip())
            installed([sys.executable, "-m", "pip", "install", "--target", place, "pip"])
        else:
            uv = shutil.which("uv")
            if not uv:
                raise Stop(NO_INSTALLER.format(python=sys.executable, version=dotted(sys.version_info[:2])))
            return [uv, "pip", "install", "--python", python]
    return [*own, "install", "--no-input", "--disable-pip-version-check"]


def installed(command: Sequence[str]) -> None:
    code, lines = followed(command)
    if code != 0:
        shown = "\n".join(f"  {line}" for line in lines)
        raise Stop(f"Installing failed. The installer's last lines:\n{shown}\n\n{advice(lines)}")


def advice(lines: Iterable[str]) -> str:
    text = "\n".join(lines).lower()
    if any(word in text for word in UNREACHABLE):
        return (
            "The package index was not reached, or does not have the package. Check the network; behind a proxy set HTTPS_PROXY, "
            "for an index or a folder of your own set PIP_INDEX_URL or PIP_FIND_LINKS; then start again."
        )
    if any(word in text for word in UNBUILDABLE):
        return (
            "A package has no ready-made file for this Python on this machine and could not be built. "
            "Try Python 3.11, 3.12 or 3.13: delete .venv and start again with that one."
        )
    return "Mend what these lines name and start again."


# Small things


def followed(command: Sequence[str]) -> tuple[int, list[str]]:
    """Exit code and last lines of a command, its steps shown meanwhile."""
    shown = ("Downloading", "Building", "Preparing", "Installing", "Resolved", "Prepared", "Installed")
    last: deque[str] = deque(maxlen=12)
    pipe, nothing = subprocess.PIPE, subprocess.DEVNULL
    with subprocess.Popen(command, cwd=str(ROOT), env=environment(), stdin=nothing, stdout=pipe, stderr=subprocess.STDOUT) as process:
        for raw in process.stdout or ():
            line = raw.decode("utf-8", "replace").strip()
            if line:
                last.append(line)
            if line.startswith(shown) and not line.endswith((": started", "'done'")):
                say("  " + (line if len(line) <= 100 else line[:97] + "..."))
    return process.returncode, list(last)


def starts(command: Sequence[str]) -> bool:
    try:
        return subprocess.call(list(command), env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) == 0
    except OSError:
        return False


def dotted(version: Iterable[int]) -> str:
    return ".".join(str(part) for part in version)


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
