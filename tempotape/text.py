"""Text from files, devices and the command line, made safe to show."""

from __future__ import annotations

import difflib
import textwrap
from collections.abc import Iterable, Iterator


def printable(text: str) -> str:
    r"""`text` on one line, without any character that a terminal would act on.

    Line ends, tabs and wide spaces become spaces; control characters, marks that turn the reading
    direction and whatever else Python does not count as printable are dropped.

    >>> printable("Low\x1b[31m Tide\n")
    'Low[31m Tide '
    """
    if text.isprintable():
        return text
    return "".join(_shown(mark) for mark in text)


def _shown(mark: str) -> str:
    if mark.isprintable():
        return mark
    return " " if mark.isspace() and mark not in _LINE_MARKS else ""


# Python counts these as white space, but they are control characters of the line.
_LINE_MARKS = "\x0b\x0c\x1c\x1d\x1e\x1f\x85"


def quoted(value: object, *, longest: int = 40) -> str:
    """A value as an error message shows it: text in quotes, long text cut.

    >>> quoted("fast"), quoted(1200), quoted(True)
    ('"fast"', '1200', 'true')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, str):
        shown = printable(value[: longest + 1])
        return f'"{shown[:longest]}…"' if len(value) > longest else f'"{shown}"'
    if isinstance(value, int) and value.bit_length() > 128:
        return "a number too large to use"
    return printable(f"{value:g}" if isinstance(value, float) else str(value))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word closest to `word`, or None where none is close.

    >>> nearest("dealy_ms", ["delay_ms", "error_ms"])
    'delay_ms'
    """
    close = difflib.get_close_matches(word.casefold(), list(known), n=1, cutoff=0.5)
    return close[0] if close else None


def listed(words: Iterable[str], last: str = "or") -> str:
    """Words as a sentence lists them.

    >>> listed(["steady", "wobbly", "either"])
    'steady, wobbly or either'
    """
    parts = list(words)
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def fitted(text: str, width: int | None) -> Iterator[str]:
    """The lines of `text`, printable; one longer than `width` goes on below, cut between words.

    What goes on stands two letters further in. Without a width lines are as long as they are.

    >>> list(fitted("  in time: expected within 5.8 ms", 20))
    ['  in time: expected', '    within 5.8 ms']
    """
    for line in text.splitlines():
        shown = printable(line)
        if width is None or len(shown) <= width:
            yield shown
            continue
        after = " " * (len(shown) - len(shown.lstrip()) + 2)
        yield from textwrap.wrap(
            shown, width, subsequent_indent=after, break_long_words=False, break_on_hyphens=False
        )
