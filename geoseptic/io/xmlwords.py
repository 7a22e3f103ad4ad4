"""Words of users in XML."""

import re
from typing import Final

_NOT_IN_XML: Final = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def for_xml(words: str) -> str:
    """The words without what XML 1.0 cannot hold at all; the rest is escaped when it is written."""
    return _NOT_IN_XML.sub("", words)
