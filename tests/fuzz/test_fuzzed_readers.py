"""Readers of hand-written files take or refuse whatever they are given; 300 mutated files each here (75 for findings, which are judged
too), more by GEOSEPTIC_FUZZ=NUMBER."""

import os
import random

import pytest

from tests.fuzz.targets import TARGETS

CASES = int(os.environ.get("GEOSEPTIC_FUZZ", "300"))

SCRAPS = (
    *(bytes([letter]) for letter in b"\0\r\t\"'{}=,;-0#\\"),
    *(b"\xff\xfe", b"\xef\xbb\xbf", b"\xe2\x80\xae", b"\xc3\xa9", b"\xc2\xa0", b"\n\n", b"[[", b"]]", b'"""', b"%s", b"{0}"),
    *(b"-1", b"1e999", b"-inf", b"nan", b"9" * 23, b"1e-320", b"12,5", b"9:99", b"25:61", b"2026-13-45", b"true", b"null"),
    *(b"=1+1", b"<script>", b"../../etc/passwd", b"[" * 300, b"a." * 300, b""),
)


def mutated(seed: bytes, chance: random.Random) -> bytes:
    """A few of: bytes changed, a piece cut, doubled, moved or exchanged for a scrap, lines shuffled, the end cut off."""
    content = bytearray(seed)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        at, to = sorted(chance.randrange(len(content) + 1) for _ in range(2))
        to = min(to, at + chance.choice((1, 4, 16, 200)))
        kind = chance.randrange(8)
        if kind == 0 and content:
            content[min(at, len(content) - 1)] = chance.randrange(256)
        elif kind == 1:
            del content[at:to]
        elif kind == 2:
            content[at:at] = content[at:to]
        elif kind in (3, 4):
            content[at:to] = chance.choice(SCRAPS)
        elif kind == 5:
            lines = bytes(content).split(b"\n")
            one, other = chance.randrange(len(lines)), chance.randrange(len(lines))
            lines[one], lines[other] = lines[other], lines[one]
            content = bytearray(b"\n".join(lines))
        elif kind == 6:
            content[at:at] = chance.choice(SCRAPS)
        else:
            del content[at if chance.random() < 0.2 else len(content) :]
    return bytes(content)


@pytest.mark.parametrize("name", TARGETS)
def test_mutated_files_are_taken_or_refused_with_a_sentence(name: str, tmp_path):
    target, chance = TARGETS[name], random.Random(20261126)
    taken = sum(
        target.tried(tmp_path, mutated(chance.choice(target.seeds), chance)) for _ in range(CASES // 4 if name == "findings" else CASES)
    )
    if name != "record of a run":  # there is no run beside it
        assert all(target.tried(tmp_path, seed) for seed in target.seeds)
        assert taken > 0, "the mutations leave nothing that is read"
