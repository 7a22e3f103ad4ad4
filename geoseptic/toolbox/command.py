"""Writes the plugin that puts the processes into QGIS's toolbox."""

import argparse
import json
import shutil
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path

from geoseptic.model.cautions import CAUTIONS
from geoseptic.run.version import version
from geoseptic.toolbox.declared import declared

NAME = "geoseptic_toolbox"
OURS = "declarations.json"
METADATA = """\
[general]
name=geoseptic
qgisMinimumVersion=3.16
description=Where on a lot may a septic tank and drain field go. {notice}
version={version}
author=The geoseptic developers
email=
about={notice} Every algorithm is run by the Python in which geoseptic is installed: {python}
hasProcessingProvider=yes
category=Analysis
icon=
experimental=False
"""


def main(words: Sequence[str]) -> int:
    try:
        given = _parser().parse_args(words)
    except SystemExit as stop:  # argparse has said why
        return int(stop.code or 0)
    folder = given.out / NAME
    if folder.exists() and not (folder / OURS).is_file():
        print(f"geoseptic toolbox: {folder} is there, and it is not one of ours. Choose another folder.", file=sys.stderr)
        return 2
    try:
        write(folder)
    except OSError as error:
        print(f"geoseptic toolbox: {error}", file=sys.stderr)
        return 3
    print(
        f"{folder} was written. In QGIS, turn on the plugin geoseptic; its algorithms are then in the processing toolbox.", file=sys.stderr
    )
    print(json.dumps({"plugin": str(folder), "python": sys.executable, "notice": CAUTIONS[0]}))
    return 0


def write(folder: Path) -> None:
    """The plugin: its code as it is here, the declarations of the processes, and which Python runs them."""
    folder.mkdir(parents=True, exist_ok=True)
    for path in sorted(Path(__file__).with_name("plugin").glob("*.py")):
        shutil.copyfile(path, folder / path.name)
    package = Path(__file__).parents[2]
    known = package.name in ("site-packages", "dist-packages")
    found = declared(sys.executable, None if known else str(package))
    (folder / OURS).write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    text = METADATA.format(version=version(), notice=CAUTIONS[0], python=sys.executable)
    (folder / "metadata.txt").write_text(text, encoding="utf-8")


def _parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="geoseptic toolbox",
        description="Writes a plugin that puts the processes into the processing toolbox of QGIS.",
        epilog="\n".join(textwrap.wrap(CAUTIONS[0], 100)),
        allow_abbrev=False,
    )
    made.add_argument(
        "--out",
        metavar="FOLDER",
        type=Path,
        required=True,
        help="folder of plugins of a QGIS profile (python/plugins in it); the plugin goes below",
    )
    return made
