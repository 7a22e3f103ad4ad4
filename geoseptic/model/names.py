"""Names that people write: which of them may mean one thing, and differ only in how they were typed."""

import unicodedata
from collections.abc import Iterable, Sequence
from typing import Final

DASHES: Final = dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2014\u2015\u2212\ufe58\ufe63\uff0d\u00ad"), "-")
"""What else is drawn as a hyphen or a dash; a soft hyphen too, since it stands where somebody meant one."""

ALIKE: Final = "differ only in case, spaces, dashes or signs that nobody sees"


def plain(name: str) -> str:
    """The name without regard to case, to the form of its letters (NFKC), to kinds of dashes and to signs that nobody sees."""
    if name.isascii() and name.isprintable():
        return name.casefold().strip()
    letters = unicodedata.normalize("NFKC", name.translate(DASHES)).translate(DASHES)
    seen = "".join(letter for letter in letters if letter.isspace() or unicodedata.category(letter) not in ("Cc", "Cf", "Cs", "Co", "Cn"))
    return unicodedata.normalize("NFKC", seen.casefold()).strip()


def alike(names: Iterable[str]) -> list[tuple[str, ...]]:
    """The groups of different names that may mean one thing, in the order in which they come.

    Names are alike where they are the same but for `plain` and for spaces and dashes that one has and the other lacks, or has other ones:
    "MH-002-07", "mh 002 07" and "MH00207"; not "1-23" and "12-3", which part the same figures at other places.
    """
    different = list(dict.fromkeys(names))
    if _surely_unlike(different):
        return []
    first: dict[str, str] = {}
    several: dict[str, list[str]] = {}
    for name in different:
        letters = "".join(plain(name).replace("-", " ").split())
        if first.setdefault(letters, name) is not name:
            several.setdefault(letters, [first[letters]]).append(name)
    return [group for own in several.values() for group in _parted_alike(own)]


def _surely_unlike(names: Sequence[str]) -> bool:
    """Whether the names are of plain English letters, no two of the same ones. They are looked at as one text: most layers have many names
    and none alike."""
    text = "\n".join(names)
    if not text.isascii() or not text.replace("\n", "").isprintable():
        return False
    letters = text.casefold().replace("-", "").replace(" ", "").split("\n")
    return len(set(letters)) == len(letters) == len(names)


def near_matches(first: Iterable[str], second: Iterable[str]) -> list[tuple[str, str]]:
    """Names of `first` and of `second` that are alike and not the same, those left out that both have."""
    one, other = dict.fromkeys(first), dict.fromkeys(second)
    lone, strange = {name for name in one if name not in other}, {name for name in other if name not in one}
    pairs = []
    for group in alike([*(name for name in one if name in lone), *(name for name in other if name in strange)]):
        pairs += [(name, match) for name in group if name in lone for match in group if match in strange]
    return pairs


def _parted_alike(names: Sequence[str]) -> list[tuple[str, ...]]:
    """Of names with the same letters those that are parted at the same places, or of which one is parted at more."""
    places = [_places(name) for name in names]
    groups: list[set[int]] = []
    for number, own in enumerate(places):
        joined = {number} | {other for other in range(number) if own <= places[other] or places[other] <= own}
        touched = [group for group in groups if group & joined]
        groups = [group for group in groups if not group & joined] + [joined.union(*touched)]
    return [tuple(names[number] for number in sorted(group)) for group in groups if len(group) > 1]


def _places(name: str) -> frozenset[int]:
    """After how many letters the name is parted."""
    parts = plain(name).replace("-", " ").split()
    ends, letters = [], 0
    for part in parts[:-1]:
        letters += len(part)
        ends.append(letters)
    return frozenset(ends)
