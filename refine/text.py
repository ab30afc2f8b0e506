"""Text for a person's eyes: names that can't break a line or hide in it, and columns that stand below each other."""

from __future__ import annotations

from collections.abc import Sequence

BOLD, PLAIN = "\x1b[1m", "\x1b[0m"  # the only codes for a terminal that are ever printed
_BREAKING = ("Cc", "Zl", "Zp")  # control characters and the separators of lines and paragraphs
_TURNING = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"  # they turn the direction of what follows


def printable(text: str) -> str:
    """The text with what would break a line, steer a terminal or turn its direction spelled out, as in \\n or \\x1b."""
    if text.isprintable():
        return text
    import unicodedata

    return "".join(
        letter.encode("unicode_escape").decode()
        if letter in _TURNING or unicodedata.category(letter) in _BREAKING
        else letter
        for letter in text
    )


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows with as many cells each as lines, their columns two blanks apart."""
    cells = [[printable(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in cells
    ]


def counted(number: int, word: str) -> str:
    return f"{number:,} {word}{'' if number == 1 else 's'}"


def short(value: float) -> str:
    """An amount with as many decimals as one can make use of."""
    return f"{value:,.{0 if value >= 20 else 1 if value >= 1 else 2}f}"
