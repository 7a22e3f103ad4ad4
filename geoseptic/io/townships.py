"""Land descriptions by township, range, section and aliquot part, as well logs write them."""

import re
from dataclasses import dataclass, replace
from typing import Final

LONGEST: Final = 300
"""Characters of a description that is looked at."""

SECTIONS: Final = 36
"""Sections of a township."""

MOST_PARTS: Final = 4
"""Aliquot parts of parts that are followed: 2.5 acres are the fourth quarter."""

QUARTERS: Final = ("NE", "NW", "SE", "SW")
HALVES: Final = ("N", "S", "E", "W")

TOWNSHIP: Final = re.compile(r"(?:T(?:OWNSHIP|WP|WN)?\.?\s*)?0*([0-9]{1,3})(\s*1/2|\.5)?\s*([NS])(?:ORTH|OUTH)?\.?(?![A-Z0-9])")
RANGE: Final = re.compile(r"(?:R(?:ANGE|NG|GE)?\.?\s*)?0*([0-9]{1,3})(\s*1/2|\.5)?\s*([EW])(?:AST|EST)?\.?(?![A-Z0-9])")
TOWNSHIP_AND_RANGE: Final = re.compile(
    r"(?<![A-Z0-9])(?:T(?:OWNSHIP|WP|WN)?\.?\s*)?0*([0-9]{1,3})(\s1/2|\.5)?\s*([NS])(?:ORTH|OUTH)?[\s.,/;-]*"
    r"(?:R(?:ANGE|NG|GE)?\.?\s*)?0*([0-9]{1,3})(\s1/2|\.5)?\s*([EW])(?:AST|EST)?(?![A-Z])\.?"
)
SECTION: Final = re.compile(r"(?<![A-Z0-9])(?:SECTION|SECT|SEC|S(?=\s*[0-9]{1,2}(?![0-9/])))\.?\s*#?0*([0-9]{1,2})(?![0-9/])")
WORDED_SECTION: Final = re.compile(r"(?<![A-Z0-9])(?:SECTION|SECT|SEC)\.?\s*#?0*([0-9]{1,2})(?![0-9/])")
MERIDIAN: Final = re.compile(
    r"(?<![A-Z0-9])((?:[0-9]{1,2}(?:ST|ND|RD|TH)|[A-Z][A-Z.]*)(?:\s[A-Z]+){0,3}?)\s+(?:PRINCIPAL\s+)?"
    r"(?:MERIDIAN|MER\.?|P\.?\s?M\.?|B\.?\s?&\s?M\.?)(?![A-Z])"
)
INITIALS: Final = re.compile(
    r"(?<![A-Z0-9])(W\.?\s?M\.?|M\.?D\.?\s?B?\.?\s?&?\s?M\.?|S\.?B\.?\s?B?\.?\s?&?\s?M\.?|P\.?\s?M\.?)(?![A-Z0-9])"
)
LOT: Final = re.compile(r"(?<![A-Z0-9])(?:GOV(?:ERNMENT|'?T)?\.?\s*)?LOTS?\.?\s*#?[0-9]{1,3}(?![0-9])")
PART: Final = re.compile(r"(NE|NW|SE|SW)\s*(?:1/4|/4|4|Q(?:TR|UARTER)?)?|([NSEW])\s*(?:1/2|/2|2)")
COMMA: Final = re.compile(r"[A-Z][^,;|A-Z]*[,;&+|][\s,;|]*(?:(?:AND|THE)\s+)*[NSEW]|(?<![A-Z])AND\s+(?:THE\s+)?[NSEW]")
"""Between two aliquot parts; where township, range or section stood between them, ' | ' is left."""

LONG_NAMES: Final = {
    "NORTHEAST": "NE",
    "NORTHWEST": "NW",
    "SOUTHEAST": "SE",
    "SOUTHWEST": "SW",
}
IDLE: Final = re.compile(r"(?<![A-Z])(OF|THE|IN|AND)(?![A-Z])|[\s.,;:/()|&+-]+")


@dataclass(frozen=True)
class Legal:
    """A land description. `parts` as written, the smallest first: ("NE", "SW") is the NE 1/4 of the SW 1/4. Empty text: not said.

    township, range : number and letter, such as 5N, 3W, 12.5S; section 0 where it is not said.
    vague : whether it names a lot, whose place in the section nobody knows here, or parts with a comma between them, which are two tracts
    by the survey's rule and one in many well logs. Then `parts` is empty: somewhere in the section.
    """

    township: str = ""
    range: str = ""
    section: int = 0
    parts: tuple[str, ...] = ()
    meridian: str = ""
    vague: bool = False

    @property
    def whole(self) -> bool:
        return bool(self.township and self.range and self.section)

    def __str__(self) -> str:
        parts = " ".join(f"{part}1/4" if len(part) == 2 else f"{part}1/2" for part in self.parts)
        words = (parts, f"Sec. {self.section}" if self.section else "", f"T. {self.township}" if self.township else "")
        return ", ".join(word for word in (*words, f"R. {self.range}" if self.range else "", self.meridian) if word)


def read_legal(text: str) -> Legal | str:
    """The description in a text, or in words why it is none that can be read without a guess.

    Whatever is left over that is no known word makes it unreadable: it may change the place.
    """
    if len(text) > LONGEST:
        return "is too long for a land description"
    words = _plain(text)
    found = Legal()
    both = list(TOWNSHIP_AND_RANGE.finditer(words))
    if len(both) > 1:
        return "names more than one township"
    if both:
        one = both[0]
        found = replace(found, township=_number(one[1], one[2], one[3]), range=_number(one[4], one[5], one[6]))
        if found.township.startswith("0") or found.range.startswith("0"):
            return "names a township or range of number 0"
        words = f"{words[: one.start()]} | {words[one.end() :]}"
    words, meridian = _meridian(words)
    found = replace(found, meridian=meridian)
    if LOT.search(words):
        found, words = replace(found, vague=True), LOT.sub(" ", words)
    worded = list(WORDED_SECTION.finditer(words))
    if len(worded) > 1:
        return "names more than one section"
    numbers = [*worded]
    if not worded:
        numbers = list(SECTION.finditer(words))
        bare = re.findall(r"(?<![A-Z0-9/])[0-9]{1,2}(?![0-9/A-Z])", words)
        if len(numbers) > 1 or (numbers and bare):
            # S2 beside another number is a south half.
            numbers = [one for one in numbers if int(one[1]) != 2]
        elif numbers and int(numbers[0][1]) == 2 and not re.search(r"S\s", numbers[0][0]):
            return "has S2, which is section 2 or a south half; write Sec 2 or S1/2"
        if not numbers:
            numbers = list(re.finditer(r"(?<![A-Z0-9/])0*([0-9]{1,2})(?![0-9/A-Z])", words))
    if len(numbers) > 1:
        return "has more than one number that may be the section"
    if numbers:
        one = numbers[0]
        found = replace(found, section=int(one[1]))
        words = f"{words[: one.start()]} | {words[one.end() :]}"
        if not 1 <= found.section <= SECTIONS:
            return f"names section {found.section}; a township has {SECTIONS}"
    parts = _parts(words)
    if isinstance(parts, str):
        return parts
    vague = found.vague or bool(COMMA.search(words))
    return replace(found, parts=() if vague else parts, vague=vague)


def read_parts(text: str) -> tuple[str, ...] | str:
    """The aliquot parts of a column that holds nothing else; empty for an empty one."""
    return _parts(_plain(text)) if len(text) <= LONGEST else "is too long for an aliquot part"


def read_number(text: str, letters: str) -> str:
    """A township or range from a column of its own, such as T05N, 5 N or 12.5S; empty where number or letter is not there."""
    found = (TOWNSHIP if letters == "NS" else RANGE).fullmatch(_plain(text))
    number = _number(found[1], found[2], found[3]) if found else ""
    return "" if number.startswith("0") else number


def read_section(text: str) -> int:
    """A section number from a column of its own; 0 where there is none."""
    found = re.fullmatch(r"(?:SECTION|SECT|SEC|S)?\.?\s*0*([0-9]{1,2})(?:\.0+)?", _plain(text))
    number = int(found[1]) if found else 0
    return number if number <= SECTIONS else 0


def meridian_key(text: str) -> str:
    """A meridian's name for comparing: without the words that all have, and initials."""
    words = re.sub(r"[^A-Z0-9 ]", " ", text.upper())
    words = re.sub(r"\b(PRINCIPAL|MERIDIAN|MER|PM|P M|BASE|AND|BM|B M)\b", " ", words)
    key = " ".join(words.split())
    return {"W M": "WILLAMETTE", "WM": "WILLAMETTE", "W": "WILLAMETTE", "M D": "MOUNT DIABLO", "MD": "MOUNT DIABLO"}.get(key, key)


def _plain(text: str) -> str:
    words = text.upper()
    for mark, plain in (("½", " 1/2"), ("¼", " 1/4"), ("\u00a0", " "), ("–", "-"), ("⁄", "/")):
        words = words.replace(mark, plain)
    for name, short in LONG_NAMES.items():
        words = re.sub(rf"{name[:5]}[\s-]?{name[5:]}", short, words)
    words = re.sub(r"\b(NORTH|SOUTH|EAST|WEST)\s+(?:HALF|1/2)", lambda found: f"{found[1][0]}1/2", words)
    words = re.sub(r"\b(N|S)\.\s?(E|W)\.", r"\1\2", words)
    return " ".join(re.sub(r"\s*\bQUARTER\b", "1/4", words).split())


def _number(digits: str, half: str | None, letter: str) -> str:
    return f"{int(digits)}{'.5' if half else ''}{letter}"


def _meridian(words: str) -> tuple[str, str]:
    for pattern in (MERIDIAN, INITIALS):
        found = list(pattern.finditer(words))
        if found:
            one = found[-1]
            return f"{words[: one.start()]} | {words[one.end() :]}", one[0].strip(" .")
    return words, ""


def _parts(words: str) -> tuple[str, ...] | str:
    """What the rest of a description says, which is aliquot parts and idle words alone."""
    parts: list[str] = []
    at = 0
    while at < len(words):
        idle = IDLE.match(words, at)
        part = PART.match(words, at)
        if part:
            parts.append(part[1] or part[2])
            at = part.end()
        elif idle:
            at = idle.end()
        else:
            return f"has '{words[at : at + 20].strip()}', which is not understood"
    if len(parts) > MOST_PARTS:
        return f"names more than {MOST_PARTS} aliquot parts"
    return tuple(parts)
