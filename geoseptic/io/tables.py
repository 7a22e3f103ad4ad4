"""Tables as CSV, for a spreadsheet, which must never take a cell for a formula; and as Markdown, to be read as it is."""

import csv
import html
import re
from itertools import groupby
from pathlib import Path
from typing import Final

from geoseptic.model.cautions import CAUTIONS, SCREENING_AID
from geoseptic.model.results import Cell, PageResult, TableResult

FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A spreadsheet takes a text that begins with one of these for a formula, and would run it."""


TAGS: Final = {"heading": "h2", "part": "h3", "text": "p", "item": "li"}

HTML: Final = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>
body {{ font: 16px/1.5 sans-serif; max-width: 50em; margin: 2em auto; padding: 0 1em; color: #1a1a1a; background: #fff; }}
h2 {{ border-bottom: 1px solid #999; margin-top: 2em; }}
h3 {{ font-size: 1em; overflow-wrap: anywhere; }}
li {{ margin-bottom: 0.6em; overflow-wrap: anywhere; }}
.notice {{ border: 1px solid #555; padding: 0.5em 1em; }}
@media print {{ body {{ margin: 0; max-width: none; font-size: 11pt; }} h2, h3 {{ break-after: avoid; }} }}
</style>
</head>
<body>
{body}
</body>
</html>
"""


def write_table(path: Path, table: TableResult) -> None:
    """Write `table` as CSV in UTF-8. A last column repeats in every row that this is a screening aid."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*table.columns, "notice"])
        writer.writerows([*(_cell(value) for value in row), SCREENING_AID] for row in table.rows)


def write_markdown(path: Path, table: TableResult) -> None:
    """Write `table` as Markdown (GitHub's tables) with its title, what its columns mean, and the notice. No cell is markup."""
    lines = [f"# {_text(table.title)}", "", _text(SCREENING_AID), ""]
    lines += ["| " + " | ".join(map(_text, table.columns)) + " |", "|" + "---|" * len(table.columns)]
    lines += ["| " + " | ".join(_text(_plain(value)) for value in row) + " |" for row in table.rows]
    lines += ["", *(f"- **{_text(name)}**: {_text(meaning)}" for name, meaning in table.notes.items())]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_page(path: Path, page: PageResult) -> None:
    """Write `page` as Markdown, with the cautions at its end. No word of it is markup."""
    lines = [f"# {_text(page.title)}", "", _text(SCREENING_AID)]
    before = ""
    for kind, words in page.blocks:
        if not (kind == before == "item"):
            lines.append("")
        lines.append({"heading": "## ", "part": "### ", "text": "", "item": "- "}[kind] + _text(words))
        before = kind
    lines += ["", "## Cautions", "", *(f"- {_text(caution)}" for caution in CAUTIONS)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_html(path: Path, page: PageResult) -> None:
    """Write `page` as one HTML file that loads nothing, runs nothing and prints well. No word of it is markup."""
    body = [f"<h1>{_inert(page.title)}</h1>", f'<p class="notice">{_inert(SCREENING_AID)}</p>']
    blocks = [*page.blocks, ("heading", "Cautions"), *(("item", caution) for caution in CAUTIONS)]
    for kind, same in groupby(blocks, key=lambda block: block[0]):
        lines = [f"<{TAGS[kind]}>{_inert(words)}</{TAGS[kind]}>" for _, words in same]
        body += ["<ul>", *lines, "</ul>"] if kind == "item" else lines
    path.write_text(HTML.format(title=_inert(page.title), body="\n".join(body)), encoding="utf-8")


def _inert(words: str) -> str:
    """`words` on one line, as text that a browser shows and does not read."""
    return html.escape("".join(letter for letter in " ".join(words.split()) if letter.isprintable()))


def _plain(value: Cell) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value)


def _text(words: str) -> str:
    """`words` on one line, with what Markdown or a browser would read as markup made plain."""
    return re.sub(r"([\\`*_\[\]<|])", r"\\\1", " ".join(words.split()))


def _cell(value: Cell) -> Cell:
    """Text made inert by an apostrophe in front; a number stays a number, also a negative one."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    # A leading space or other blank does not hinder a spreadsheet from reading a formula behind it.
    return (
        "'" + value if isinstance(value, str) and (value.startswith(FORMULA_STARTS) or value.lstrip().startswith(FORMULA_STARTS)) else value
    )
