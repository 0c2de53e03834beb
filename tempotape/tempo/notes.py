"""Note values: their names as musicians write them, and how long they last."""

from __future__ import annotations

import re
from fractions import Fraction

import msgspec

from tempotape.faults import InputFault
from tempotape.text import nearest, quoted

# Standard music notation: each plain value is half the one before it, and a dot adds half of what
# stands before the dot. A triplet puts three in the time of two.
_PLAIN = {
    "whole": Fraction(4),
    "half": Fraction(2),
    "quarter": Fraction(1),
    "eighth": Fraction(1, 2),
    "sixteenth": Fraction(1, 4),
    "thirty-second": Fraction(1, 8),
}
_FORMS = {
    "{}": Fraction(1),
    "dotted {}": Fraction(3, 2),
    "double dotted {}": Fraction(7, 4),
    "{} triplet": Fraction(2, 3),
}


class NoteValue(msgspec.Struct, frozen=True):
    """A note value: its name and its length in quarter notes, exactly."""

    name: str
    quarters: Fraction

    def delay_ms(self, quarter_bpm: float) -> float:
        """How long it lasts, in milliseconds, at `quarter_bpm` quarter notes a minute.

        By definition of the metronome mark, a quarter note lasts 60000/BPM milliseconds.
        """
        return 60_000.0 / quarter_bpm * float(self.quarters)

    def quarter_bpm(self, beat_bpm: float) -> float:
        """Quarter notes a minute where this note is the beat, at `beat_bpm` beats a minute."""
        return beat_bpm * float(self.quarters)


NOTE_VALUES = {
    form.format(plain): NoteValue(form.format(plain), length * factor)
    for plain, length in _PLAIN.items()
    for form, factor in _FORMS.items()
}
QUARTER = NOTE_VALUES["quarter"]
USUAL_REPEATS = (QUARTER, NOTE_VALUES["dotted eighth"], NOTE_VALUES["eighth"])


# Blanks, underscores, and hyphens with the dashes and the minus that programs make of them.
_APART = re.compile(r"[\s_\-\u2010-\u2015\u2212]+")


def _folded(name: str) -> str:
    """Its words run together, in small letters, without `note`."""
    words = _APART.split(name.casefold())
    return "".join(word for word in words if word not in ("note", "notes"))


_FOLDED = {_folded(name): note for name, note in NOTE_VALUES.items()}
_BRITISH = ("semibreve", "minim", "crotchet", "quaver", "semiquaver", "demisemiquaver")
_FOLDED |= {
    _folded(form.format(british)): NOTE_VALUES[form.format(plain)]
    for british, plain in zip(_BRITISH, _PLAIN, strict=True)
    for form in _FORMS
}
# The same values by the other word order in use.
_FOLDED |= {
    _folded(f"triplet {name}"): NOTE_VALUES[f"{plain} triplet"]
    for names in (_PLAIN, _BRITISH)
    for name, plain in zip(names, _PLAIN, strict=True)
}


def note_value(name: str, *, entry: str = "") -> NoteValue:
    """The note value of that name; case, hyphens and the word `note` do not count.

    Raises InputFault with the nearest known name.

    >>> note_value("Dotted-Eighth").name
    'dotted eighth'
    """
    folded = _folded(name)
    found = _FOLDED.get(folded) or _FOLDED.get(folded.removesuffix("s"))
    if found is None:
        close = nearest(folded, _FOLDED)
        raise InputFault(
            f"unknown note value {quoted(name)}",
            expected=quoted(_FOLDED[close].name)
            if close
            else "whole, half, quarter, eighth, sixteenth or thirty-second, "
            "plain, dotted, double dotted or triplet",
            entry=entry,
        )
    return found
