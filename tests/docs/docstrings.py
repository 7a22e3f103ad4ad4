"""Modules as Markdown, from their sources: signatures, docstrings, and the constants and fields that say what they are."""

import ast
import re
from collections.abc import Iterator, Sequence
from itertools import pairwise
from textwrap import dedent

FIELD = re.compile(r"([A-Za-z_]\w*(?:, [A-Za-z_]\w*)*) : (.*)")
MARKS = ("property", "cached_property", "classmethod")
WIDTH = 100
"""Of code; and a line of a docstring that is shorter, and does not end a sentence, was not broken because it was full."""


def module_as_markdown(name: str, source: str) -> str:
    """All that is public in one module."""
    tree = ast.parse(source)
    parts = [f"## {name}", text_as_markdown(ast.get_docstring(tree) or ""), _constants(tree.body)]
    for node in tree.body:
        if isinstance(node, ast.ClassDef) and is_public(node.name):
            parts += _class(node, source)
        elif isinstance(node, ast.FunctionDef) and is_public(node.name):
            parts += [f"### {node.name}", _code(_signature(node, source)), text_as_markdown(ast.get_docstring(node) or "")]
    return "\n\n".join(part for part in parts if part) + "\n"


def text_as_markdown(text: str) -> str:
    """A docstring as Markdown: names of sections in bold, `name : words` as a list, the rest as it is."""
    text = re.sub(r"^(\w[\w ]*)\n-{3,}\n", r"**\1**\n\n", text, flags=re.MULTILINE)
    return _escaped("\n\n".join(map(_paragraph, text.split("\n\n"))))


def _paragraph(text: str) -> str:
    plain: list[str] = []
    items: list[str] = []
    for line in text.splitlines():
        if field := FIELD.match(line):
            items.append(f"- {', '.join(f'`{name}`' for name in field[1].split(', '))}: {field[2]}")
        elif not items and len(plain) == 1 and line.startswith("  "):
            # What is returned, and then what it is.
            plain[0] += f": {line.strip()}"
        elif not items:
            plain.append(line.strip())
        else:
            # A capital after a short line that is no sentence: the type is said, and now what it is.
            begins = len(items[-1]) < WIDTH and items[-1][-1] not in ".:;," and line.strip()[0].isupper()
            items[-1] += (". " if begins else " ") + line.strip()
    return "\n\n".join("\n".join(lines) for lines in (plain, items) if lines)


def _escaped(text: str) -> str:
    """What stands outside of code without signs that are markup; the bold names of sections stay."""
    pieces = re.split(r"(`[^`\n]*`|\*\*\w[\w ]*\*\*)", text)
    return "".join(piece if number % 2 else piece.replace("<", "&lt;").replace("*", r"\*") for number, piece in enumerate(pieces))


def is_public(name: str) -> bool:
    return not name.startswith("_")


def is_property(node: ast.FunctionDef) -> bool:
    return any(ast.unparse(found) in ("property", "cached_property") for found in node.decorator_list)


def public_methods(node: ast.ClassDef) -> list[ast.FunctionDef]:
    return [found for found in node.body if isinstance(found, ast.FunctionDef) and is_public(found.name)]


def _code(text: str) -> str:
    return f"```python\n{text}\n```"


def _constants(body: Sequence[ast.stmt]) -> str:
    """A list of the assignments that a text follows, with that text."""
    found = []
    for node, after in pairwise(body):
        match node, after:
            case ast.Assign(targets=[target], value=value) | ast.AnnAssign(target=target, value=value), ast.Expr(
                ast.Constant(str() as words)
            ):
                name, whole = ast.unparse(target), ast.unparse(target) + (f" = {ast.unparse(value)}" if value else "")
                if is_public(name):
                    found.append(f"- `{whole if len(whole) < WIDTH else name}`: {_escaped(' '.join(words.split()))}")
    return "\n".join(found)


def _class(node: ast.ClassDef, source: str) -> Iterator[str]:
    bases = f"({', '.join(map(ast.unparse, node.bases))})" if node.bases else ""
    fields = [
        ast.get_source_segment(source, item) or ""
        for item in node.body
        if isinstance(item, ast.AnnAssign) and is_public(ast.unparse(item.target))
    ]
    plain = [item for item in public_methods(node) if is_property(item) and not ast.get_docstring(item)]
    fields += [f"{item.name}: {ast.get_source_segment(source, item.returns) if item.returns else 'Any'}  # property" for item in plain]
    yield f"### {node.name}"
    yield _code("\n    ".join([f"class {node.name}{bases}:", *fields]) if fields else f"class {node.name}{bases}: ...")
    yield text_as_markdown(ast.get_docstring(node) or "")
    yield _constants(node.body)
    for item in public_methods(node):
        # What a class does as the one that it is made of says is told there.
        if item not in plain and (ast.get_docstring(item) or not node.bases):
            yield f"#### {node.name}.{item.name}"
            yield _code(_signature(item, source))
            yield text_as_markdown(ast.get_docstring(item) or "")


def _signature(node: ast.FunctionDef, source: str) -> str:
    """How it is called, as its source has it."""
    marks = [f"@{ast.unparse(found)}" for found in node.decorator_list if ast.unparse(found) in MARKS]
    lines = source.splitlines()[node.lineno - 1 : node.body[0].lineno - 1]
    return "\n".join([*marks, dedent("\n".join(lines)).removesuffix(":")])
