"""The house rules of DEVELOPERS.md that a reader of imports can check: floors, circles, who touches the disk, thin scripts."""

import ast
import re
from graphlib import CycleError, TopologicalSorter

import pytest

from tests.house.tree import PACKAGE, imports_of, module_name, project_files, python_files

FLOORS: tuple[tuple[str, ...], ...] = (
    ("errors", "units", "stages", "memory", "pools", "kernels"),
    ("model",),
    ("terrain", "parcels", "systems"),
    ("chance",),
    ("io",),
    ("sheets",),
    ("process", "processes", "catalog"),
    ("run", "server", "toolbox"),
    ("",),  # geoseptic/__init__.py, which may hand on names of all
)
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "geoseptic", "scripts", "tests", "sample_data"}
MAY_TOUCH_THE_DISK = ("geoseptic/io/", "geoseptic/run/", "geoseptic/server/", "geoseptic/toolbox/")

READS_OR_WRITES = re.compile(
    r"open(_arrow)?|(read|write)_(text|bytes|dataframe|arrow)|(read|to)_(file|parquet|feather|csv|excel|json|table|sql|pickle)"
    r"|fromfile|tofile|loadtxt|savetxt|genfromtxt|memmap|savez|savez_compressed|savefig|MemoryFile"
    r"|mkdir|makedirs|unlink|rmdir|removedirs|touch|symlink_to|iterdir|listdir|scandir|glob|rglob"
    r"|NamedTemporaryFile|TemporaryDirectory|mkdtemp|mkstemp|(np|numpy)\.(load|save)"
)
DISK_MODULES = {"fiona", "pyogrio", "sqlite3", "shutil", "tempfile", "subprocess", "tomllib", "glob"}


def code() -> dict[str, ast.Module]:
    return python_files(PACKAGE)


def modules() -> set[str]:
    return {module_name(path) for path in code()}


def floor_of(module: str) -> int:
    room = module.removeprefix(PACKAGE).removeprefix(".").partition(".")[0]
    found = [number for number, rooms in enumerate(FLOORS) if room in rooms]
    assert found, f"{module} is on no floor: give {room} its place in FLOORS"
    return found[0]


def test_lower_floors_never_import_upper_ones():
    known = modules()
    upward = [
        f"{path}:{line} imports {target}"
        for path, tree in code().items()
        for line, target in imports_of(path, tree, known)
        if floor_of(target) > floor_of(module_name(path))
    ]
    assert upward == []


def test_modules_import_each_other_in_no_circle():
    known = modules()
    graph = {
        module_name(path): {target for _, target in imports_of(path, tree, known) if target != module_name(path)}
        for path, tree in code().items()
    }
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        pytest.fail("imports in a circle: " + " <- ".join(error.args[1]))


def test_every_import_of_our_own_names_a_module_that_exists():
    known = modules()
    missing = [
        f"{path}:{line} imports {target}"
        for folder in (PACKAGE, "scripts", "tests")
        for path, tree in python_files(folder).items()
        for line, target in imports_of(path, tree, known)
        if target not in known
    ]
    assert missing == []


def test_every_folder_with_modules_is_a_package():
    folders = {path.rpartition("/")[0] for path in code()}
    assert [folder for folder in sorted(folders) if f"{folder}/__init__.py" not in code()] == []


def test_package_files_hand_on_names_and_define_nothing():
    defined = [
        f"{path}:{node.lineno}"
        for path, tree in code().items()
        if path.endswith("/__init__.py")
        for node in without_docstring(tree.body)
        if not (isinstance(node, ast.Import | ast.ImportFrom) or assigns_all(node))
    ]
    assert defined == []


def assigns_all(node: ast.stmt) -> bool:
    targets = node.targets if isinstance(node, ast.Assign) else [node.target] if isinstance(node, ast.AnnAssign) else []
    return bool(targets) and all(isinstance(target, ast.Name) and target.id == "__all__" for target in targets)


def without_docstring(body: list[ast.stmt]) -> list[ast.stmt]:
    first = body[:1]
    is_text = bool(first) and isinstance(first[0], ast.Expr) and isinstance(first[0].value, ast.Constant)
    return body[1:] if is_text else body


def disk_uses(tree: ast.Module) -> list[tuple[int, str]]:
    """Line and name of each call that opens, reads or writes, and of each import made for that."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            if any(READS_OR_WRITES.fullmatch(name) for name in (called, called.rpartition(".")[2])):
                found.append((node.lineno, called))
        elif isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names if alias.name.split(".")[0] in DISK_MODULES]
        elif isinstance(node, ast.ImportFrom):
            names = [alias.name for alias in node.names]
            if (node.module or "").split(".")[0] in DISK_MODULES or any(map(READS_OR_WRITES.fullmatch, names)):
                found.append((node.lineno, f"{node.module}: {', '.join(names)}"))
    return found


def test_only_the_rooms_of_files_open_read_or_write():
    touching = [
        f"{path}:{line} {what}"
        for path, tree in code().items()
        if not path.startswith(MAY_TOUCH_THE_DISK)
        for line, what in disk_uses(tree)
    ]
    assert touching == []


@pytest.mark.parametrize(
    "line",
    [
        "rasterio.open(path)",
        "open(path)",
        "geopandas.read_file(path)",
        "parcels.to_file(path)",
        "Path(name).write_text('')",
        "from rasterio import open as look",
        "import pyogrio",
        "np.load(path)",
        "parcels.set_index('id').to_parquet(path)",
    ],
)
def test_the_reader_of_disk_uses_sees_a_hidden_one(line: str):
    assert disk_uses(ast.parse(f"def kernel(path, name, parcels):\n    {line}\n"))


@pytest.mark.parametrize("line", ["wells.rename(columns=names)", "ids.remove(path)", "numpy.loads(path)", "import rasterio.features"])
def test_the_reader_of_disk_uses_lets_work_on_values_pass(line: str):
    assert disk_uses(ast.parse(line)) == []


def test_the_reader_of_imports_sees_functions_type_checking_and_relative_ones():
    source = (
        "from typing import TYPE_CHECKING\n"
        "if TYPE_CHECKING:\n    from geoseptic.run import cli\n"
        "def late():\n    import geoseptic.io.rasters\n"
        "from ..model import grid\n"
        "from . import slope\n"
        "from geoseptic.model import Grid\n"
    )
    modules = {"geoseptic.run.cli", "geoseptic.io.rasters", "geoseptic.model.grid", "geoseptic.terrain.slope", "geoseptic.model"}
    found = {target for _, target in imports_of("geoseptic/terrain/here.py", ast.parse(source), modules)}
    assert found == modules


def test_every_script_of_a_process_is_two_statements():
    scripts = {path: tree for path, tree in python_files("scripts").items() if path not in ("scripts/start.py", "scripts/_launch.py")}
    assert scripts
    for path, tree in scripts.items():
        process = path.removeprefix("scripts/").removesuffix(".py")
        statements = [ast.unparse(node) for node in without_docstring(tree.body)]
        assert statements == ["from _launch import main", f"raise SystemExit(main('{process}'))"], path


def test_top_level_holds_what_the_design_names_and_nothing_else():
    seen = {path.split("/")[0] for path in project_files()}
    assert {name for name in seen if not name.startswith(".")} == TOP_LEVEL
