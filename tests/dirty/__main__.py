"""Writes the table of the corpus: python -m tests.dirty."""

from pathlib import Path

from tests.dirty import doubtful, files, formats, grounds, heights, lost, screened, tables, vectors  # noqa: F401 - they fill the corpus
from tests.dirty.cases import CASES, table

(Path(__file__).parent / "README.md").write_text(table(CASES), encoding="utf-8")
