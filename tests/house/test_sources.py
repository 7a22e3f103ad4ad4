"""Every check against something outside the project names its source, and their number never falls."""

import ast
import tomllib
from pathlib import Path

from tests.house.tree import ROOT, python_files

REFERENCES = ROOT / "geoseptic" / "data" / "references.toml"
COUNT_FILE = Path(__file__).with_name("source_marks.txt")


def is_source_mark(node: ast.AST) -> bool:
    """`pytest.mark.source`, also as `mark.source`."""
    if not isinstance(node, ast.Attribute) or node.attr != "source":
        return False
    return ast.unparse(node.value) in ("pytest.mark", "mark")


def source_calls(tree: ast.AST) -> list[ast.Call]:
    return [node for node in ast.walk(tree) if isinstance(node, ast.Call) and is_source_mark(node.func)]


def literal(node: ast.expr | None) -> str:
    """A string written out in the test; empty for anything else."""
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else ""


def reference_keys() -> set[str]:
    return set(tomllib.loads(REFERENCES.read_text(encoding="utf-8")))


def rows(node: ast.expr, constants: dict[str, ast.expr]) -> int:
    """Rows of a parametrize argument that is written out here or as a constant of the same file; 1 where it is computed."""
    if isinstance(node, ast.Name):
        node = constants.get(node.id, node)
    if isinstance(node, ast.List | ast.Tuple | ast.Set) and not any(isinstance(row, ast.Starred) for row in node.elts):
        return len(node.elts)
    return 1


def constants_of(tree: ast.Module) -> dict[str, ast.expr]:
    found: dict[str, ast.expr] = {}
    for node in tree.body:
        if isinstance(node, ast.Assign):
            found |= {target.id: node.value for target in node.targets if isinstance(target, ast.Name)}
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.value is not None:
            found[node.target.id] = node.value
    return found


def marked_checks(tree: ast.Module) -> int:
    """Source-marked test functions of a file, each counted with its written-out rows."""
    constants = constants_of(tree)
    whole_file = "pytestmark" in constants and bool(source_calls(constants["pytestmark"]))
    return sum(checks(node, constants, whole_file) for node in tree.body)


def checks(node: ast.stmt, constants: dict[str, ast.expr], marked: bool) -> int:
    if not isinstance(node, ast.FunctionDef | ast.ClassDef) or not node.name.lower().startswith("test"):
        return 0
    marked = marked or any(source_calls(decorator) for decorator in node.decorator_list)
    if isinstance(node, ast.ClassDef):
        return sum(checks(inner, constants, marked) for inner in node.body)
    if not marked:
        return 0
    count = 1
    for decorator in node.decorator_list:
        if isinstance(decorator, ast.Call) and ast.unparse(decorator.func).endswith("mark.parametrize"):
            given = [*decorator.args[1:2], *(keyword.value for keyword in decorator.keywords if keyword.arg == "argvalues")]
            count *= rows(given[0], constants) if given else 1
    return count


def stored_count() -> int:
    return int(COUNT_FILE.read_text(encoding="utf-8"))


def present_count() -> int:
    return sum(marked_checks(tree) for tree in python_files("tests").values())


def test_every_source_mark_names_a_reference_and_where_in_it():
    keys = reference_keys()
    faulty = []
    for path, tree in python_files("tests").items():
        for call in source_calls(tree):
            key = literal(call.args[0]) if len(call.args) == 1 else ""
            where = [literal(keyword.value) for keyword in call.keywords if keyword.arg == "where"]
            if key not in keys:
                faulty.append(f"{path}:{call.lineno} key '{key}' is not in data/references.toml")
            if not (where and where[0].strip()):
                faulty.append(f"{path}:{call.lineno} says not where in the source")
    assert faulty == []


def test_every_source_mark_is_called_with_its_source():
    called = {id(call.func) for tree in python_files("tests").values() for call in source_calls(tree)}
    bare = [
        f"{path}:{node.lineno}"
        for path, tree in python_files("tests").items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and is_source_mark(node) and id(node) not in called
    ]
    assert bare == []


def test_number_of_sourced_checks_never_falls():
    present, stored = present_count(), stored_count()
    assert present >= stored, f"{stored} checks against a source are on record, {present} are left. Bring the lost ones back."


def test_number_on_record_is_raised_together_with_the_checks():
    present, stored = present_count(), stored_count()
    assert stored >= present, f"There are {present} checks against a source now: write {present} into tests/house/{COUNT_FILE.name}."


def test_the_counter_counts_functions_rows_classes_and_whole_files():
    tree = ast.parse(
        "ROWS = [1, 2, 3]\n"
        "@pytest.mark.source('a', where='p. 1')\ndef test_one(): ...\n"
        "@pytest.mark.source('a', where='p. 1')\n@pytest.mark.parametrize('x', ROWS)\ndef test_three(x): ...\n"
        "@pytest.mark.source('a', where='p. 1')\n@pytest.mark.parametrize('x', sorted(ROWS))\ndef test_computed(x): ...\n"
        "@pytest.mark.parametrize('x', ROWS)\ndef test_unsourced(x): ...\n"
        "@pytest.mark.source('a', where='p. 1')\nclass TestTwo:\n    def test_a(self): ...\n    def test_b(self): ...\n"
        "@pytest.mark.source('a', where='p. 1')\ndef helper(): ...\n"
    )
    assert marked_checks(tree) == 1 + 3 + 1 + 2
    assert marked_checks(ast.parse("pytestmark = pytest.mark.source('a', where='p. 1')\ndef test_a(): ...")) == 1
