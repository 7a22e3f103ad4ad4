"""The committed API reference is what the docstrings say, and the public surface has docstrings."""

import ast

import pytest

import geoseptic
from geoseptic.catalog import PROCESSES
from tests.docs.docstrings import is_property, module_as_markdown, public_methods, text_as_markdown
from tests.docs.reference import ALONE, FOLDER, PAGES, pages, source_of

MODULES = [
    *(f"geoseptic.{package}.{name}" for package, (_, names) in PAGES.items() for name in names),
    *(f"geoseptic.{name}" for name in ALONE),
]


def test_committed_reference_is_that_of_the_docstrings():
    """No page is older than the code, and none is left over."""
    assert {path.name for path in FOLDER.iterdir()} == set(pages()), "python -m tests.docs; take away what it did not write"
    old = [name for name, text in pages().items() if (FOLDER / name).read_text(encoding="utf-8") != text]
    assert old == [], "write them anew: python -m tests.docs"


def test_reference_has_every_process_with_all_parameters_and_outputs():
    text = pages()["processes.md"]
    for process in PROCESSES.values():
        own = text.partition(f"\n## {process.id}\n")[2].partition("\n## ")[0]
        missing = [name for name in (*(item.name for item in process.parameters), *process.named_outputs) if f"`{name}`" not in own]
        assert own and missing == [], process.id


def test_every_process_is_handed_on_by_the_package():
    assert set(geoseptic.__all__) == set(PROCESSES)
    assert all(getattr(geoseptic, name) is process for name, process in PROCESSES.items())


@pytest.mark.parametrize("module", MODULES)
def test_public_surface_says_what_it_is(module: str):
    """Every public function, class and method of the reference has a docstring; a property needs none, nor what another class declares."""
    silent = []
    for node in ast.parse(source_of(module)).body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef) and not node.name.startswith("_"):
            silent += [] if ast.get_docstring(node) else [node.name]
            if isinstance(node, ast.ClassDef) and not node.bases:
                plain = [item.name for item in public_methods(node) if not (ast.get_docstring(item) or is_property(item))]
                silent += [f"{node.name}.{name}" for name in plain]
    assert silent == []


def test_a_docstring_keeps_its_sections_lists_and_signs():
    """Sections become bold, fields a list each with what follows it, and no sign outside of code is taken for markup."""
    text = "What a * b < c is.\n\nParameters\n----------\nx, y : float array, shape (n,)\n    The places. [m]\nz : `<`\n\nown : it"
    shown = "What a \\* b &lt; c is.\n\n**Parameters**\n\n- `x`, `y`: float array, shape (n,). The places. [m]\n- `z`: `<`\n\n- `own`: it"
    assert text_as_markdown(text) == shown
    returned = "Returns\n-------\nfloat array, shape (n,)\n    Heights. [m]"
    assert text_as_markdown(returned) == "**Returns**\n\nfloat array, shape (n,): Heights. [m]"


def test_a_module_shows_what_is_public_and_how_it_is_called():
    source = (
        '"""About."""\nLIMIT_M: Final = 3.0\n"""How far."""\nHIDDEN = 1\n_OWN = 2\n"""Not told."""\n'
        "class Thing:\n    a: int\n    b: str = ', '\n    @property\n    def c(self) -> int: ...\n    def _d(self): ...\n"
        '    def e(self, x, *, y: str = ",") -> None:\n        """Does."""\n'
        'def wide(\n    first: dict[str, int], second: str = \', \', *, last: int = 1\n) -> int:\n    """Wide."""\n'
        "def _own(): ...\n"
    )
    text = module_as_markdown("here", source)
    assert "- `LIMIT_M = 3.0`: How far." in text
    assert "class Thing:\n    a: int\n    b: str = ', '\n    c: int  # property\n" in text
    assert '#### Thing.e\n\n```python\ndef e(self, x, *, y: str = ",") -> None\n```\n\nDoes.' in text
    assert "def wide(\n    first: dict[str, int], second: str = ', ', *, last: int = 1\n) -> int\n```" in text
    assert "_own" not in text and "_OWN" not in text and "HIDDEN" not in text and "_d(" not in text
