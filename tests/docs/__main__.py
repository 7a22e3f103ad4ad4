"""Writes the API reference: python -m tests.docs."""

from tests.docs.reference import FOLDER, pages

FOLDER.mkdir(parents=True, exist_ok=True)
for name, text in pages().items():
    (FOLDER / name).write_text(text, encoding="utf-8")
