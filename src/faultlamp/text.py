"""Text that came off the bus is hostile until it went through here."""

import unicodedata

# Categories that may move a cursor, reorder a line or hide: controls, formats, surrogates, private use, unassigned,
# line and paragraph separators.
_UNSAFE = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def printable(raw: bytes | str, *, longest: int = 200) -> str:
    """One line of harmless text: controls and escape sequences become '·', length is bounded.

    Bytes are taken as ISO 8859-1, the character set J1939-71 gives for text parameters (from memory, section 5.1.3).
    Markup characters stay: whoever writes to a terminal, page or cell that knows markup quotes for that place.
    """
    text = raw.decode("latin-1") if isinstance(raw, bytes) else raw
    text = "".join("·" if unicodedata.category(char) in _UNSAFE else char for char in text[: longest + 1])
    return text if len(text) <= longest else text[: longest - 1] + "…"


def csv_safe(text: str) -> str:
    """The text with a leading character that a spreadsheet takes for a formula made harmless."""
    return "'" + text if text[:1] in ("=", "+", "-", "@") else text
