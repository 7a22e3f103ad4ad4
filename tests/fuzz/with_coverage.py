"""The same readers under a fuzzer that is guided by coverage: pip install atheris, then

python -m tests.fuzz.with_coverage 'field sheet' -runs=100000
"""

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["geoseptic"]):
    from tests.fuzz.targets import TARGETS

TARGET = TARGETS[sys.argv.pop(1)]


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder, corpus = Path(name), Path(name) / "corpus"
        corpus.mkdir()
        for number, seed in enumerate(TARGET.seeds):
            (corpus / str(number)).write_bytes(seed)
        atheris.Setup([*sys.argv, str(corpus)], lambda content: TARGET.tried(folder, content) and None)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
