"""Marks beyond ASCII, where the encoding of the terminal lacks them."""

from __future__ import annotations

import codecs
import io
import sys

from rich.cells import cell_len

_ERRORS = "tempotape.marks"
# By how many of its eight dots a braille cell holds.
_SHADES = " ..::**##"
_MARKS = {
    **{chr(0x2800 + dots): _SHADES[dots.bit_count()] for dots in range(256)},
    **dict.fromkeys("█▀▄", "#"),
    **dict.fromkeys("┌┐└┘", "+"),
    "─": "-",
    "│": "|",
    "…": ">",
}
_KEYS = str.maketrans(
    {"←": "left", "→": "right", "↑": "up", "↓": "down", "⌫": "backspace", "⏎": "enter"}
)


def can_print(text: str) -> bool:
    """Whether the terminal's encoding has every mark of `text`."""
    try:
        text.encode(getattr(sys.__stderr__, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


def key_words(text: str) -> str:
    """Keys by their marks, or by their names where the terminal lacks one of the marks."""
    return text if can_print(text) else text.translate(_KEYS)


def print_plain_marks() -> None:
    """From here on, print the nearest ASCII mark in place of one that an encoding lacks."""
    codecs.register_error(_ERRORS, plain_marks)
    for stream in (sys.__stdout__, sys.__stderr__):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=_ERRORS)


def plain_marks(fault: UnicodeError) -> tuple[str, int]:
    """What an encoder writes in place of what it cannot: a mark for a mark, as wide."""
    assert isinstance(fault, UnicodeEncodeError)  # noqa: S101 - registered for encoding alone
    lacking = fault.object[fault.start : fault.end]
    return "".join(_MARKS.get(mark, "?" * cell_len(mark)) for mark in lacking), fault.end
