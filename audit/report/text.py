r"""Text from files, made inert: shown for what it is, never obeyed by a terminal.

A file name or an Exif string can hold anything. Control, format (bidirectional marks among them),
unassigned and surrogate characters are shown as ``\xNN``, ``\uNNNN`` or ``\UNNNNNNNN``.
"""

import unicodedata

FIRST_ESCAPED_BYTE = 0xDC80
LAST_ESCAPED_BYTE = 0xDCFF
"""Lone surrogates that stand for one byte outside UTF-8 (PEP 383)."""

PLAIN_SIGNS = {
    "×": "x",
    "±": "+-",
    "µ": "u",
    "μ": "u",
    "°": " deg",
    "≤": "<=",
    "−": "-",
    "–": "-",
    "—": "-",
    "…": "...",
    "’": "'",
}
"""Signs of the trade, spelt for a terminal that cannot show them."""


def inert(text: str, kept: str = "") -> str:
    """Show every character that could steer a terminal by its number, but for some to be kept."""
    if text.isprintable():
        return text
    return "".join(
        character if character in kept or _is_harmless(character) else _number(character)
        for character in text
    )


def encodable(text: str, encoding: str | None) -> str:
    """Spell what an encoding lacks: signs of the trade in ASCII, the rest by number."""
    if text.isascii() or encoding is None:
        return text
    return "".join(_spelt(character, encoding) for character in text)


def without_surrogates(text: str) -> str:
    """Show lone surrogates by number; such text cannot be written as UTF-8 otherwise."""
    return "".join(
        _number(character) if "\ud800" <= character <= "\udfff" else character for character in text
    )


def _is_harmless(character: str) -> bool:
    return character.isprintable() or unicodedata.category(character) == "Zs"


def _spelt(character: str, encoding: str) -> str:
    try:
        character.encode(encoding)
    except UnicodeEncodeError:
        return PLAIN_SIGNS.get(character) or _number(character)
    return character


def _number(character: str) -> str:
    code = ord(character)
    if FIRST_ESCAPED_BYTE <= code <= LAST_ESCAPED_BYTE:
        code -= 0xDC00
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
