"""What the house tests look at: the project's files, and the modules with their imports."""

import ast
import subprocess
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = "geoseptic"
NOT_OURS = {"out", "dist", "build", "__pycache__"}


def project_files() -> list[str]:
    """Paths below ROOT, with slashes: in a git checkout what is tracked or could be, else all but outputs and hidden files."""
    if (ROOT / ".git").exists():
        listed = subprocess.check_output(["git", "ls-files", "-co", "--exclude-standard", "-z"], cwd=ROOT)
        paths = {name for name in listed.decode().split("\0") if name and (ROOT / name).is_file()}
    else:
        relative = (path.relative_to(ROOT) for path in ROOT.rglob("*") if path.is_file())
        paths = {path.as_posix() for path in relative if not NOT_OURS & set(path.parts) and not path.parts[0].startswith(".")}
    return sorted(paths)


@cache
def python_files(folder: str) -> dict[str, ast.Module]:
    """Parsed files below a folder of the project, once for all tests that ask; not while tests are collected, which every worker does."""
    return {
        name: ast.parse((ROOT / name).read_text(encoding="utf-8"), filename=name)
        for name in project_files()
        if name.startswith(f"{folder}/") and name.endswith(".py")
    }


def module_name(path: str) -> str:
    """`geoseptic/io/rasters.py` as geoseptic.io.rasters, and a package's `__init__.py` as the package."""
    parts = path.removesuffix(".py").split("/")
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(path: str, tree: ast.Module, modules: set[str]) -> Iterator[tuple[int, str]]:
    """Line and module of every import of a module of ours: at the top, in a function, or under TYPE_CHECKING alike."""
    own = module_name(path)
    package = own if path.endswith("/__init__.py") else own.rpartition(".")[0]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            targets = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*above, base] if base else above)
            # `from geoseptic.io import rasters` reaches for the module; any other name reaches for the package that hands it on.
            targets = [f"{base}.{alias.name}" if f"{base}.{alias.name}" in modules else base for alias in node.names]
        else:
            continue
        for target in targets:
            if target.split(".")[0] == PACKAGE:
                yield node.lineno, target
