"""What no file of the project may say: where it came from, on which machine it was made, where packages are fetched."""

import re

import pytest

from tests.house.tree import ROOT, project_files

# Put together here, so that this file does not contain what it looks for.
FORBIDDEN = {
    "papers of the project's beginning": r"seed" + r"[\s_-]+document",
    "a path of one machine": r"(?<![\w.~-])/" + r"(?:work|root|opt/pypi)/|(?<![\w.~-])/" + r"tmp/v\b",
    "the host of a package registry": r"\b(?:pypi|pythonhosted|npmjs|anaconda)" + r"\.(?:org|com)\b|\bdeb" + r"\.debian\.org\b",
}


def faults(content: bytes) -> list[str]:
    """Each forbidden thing in a file with its line; files of data are read as well, since some carry the path they were made at."""
    text = content.decode("utf-8", "replace")
    return [
        f"line {text.count(chr(10), 0, hit.start()) + 1}: {meaning}: {hit.group()}"
        for meaning, pattern in FORBIDDEN.items()
        for hit in re.finditer(pattern, text, re.IGNORECASE)
    ]


def test_no_file_says_what_none_may_say():
    found = {path: faults((ROOT / path).read_bytes()) for path in project_files()}
    assert {path: lines for path, lines in found.items() if lines} == {}


@pytest.mark.parametrize(
    "words",
    [
        ("the Seed", " document"),
        ("open('/", "work/main/x')"),
        ("in /", "root/x"),
        ("/", "tmp/v/bin/python"),
        ("https://py", "pi.org/simple"),
        ("files.python", "hosted.org"),
    ],
)
def test_the_reader_sees_a_forbidden_word(words: tuple[str, str]):
    assert faults("".join(words).encode())


@pytest.mark.parametrize("words", ["https://example.gov/work/rules", "a seed, documented", "out/demo", "/tmp/values"])
def test_the_reader_lets_harmless_words_pass(words: str):
    assert faults(words.encode()) == []
