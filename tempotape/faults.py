"""The one exception a player's input can raise."""

from __future__ import annotations

from tempotape.text import printable


class InputFault(Exception):
    """Input that cannot be used, told in one sentence.

    `source` is the file or option, `entry` the place in it (`song 3 "Low Tide"`), `problem` what
    was met and `expected` what would be right. The sentence never holds a control character.
    """

    def __init__(
        self, problem: str, *, expected: str = "", source: str = "", entry: str = ""
    ) -> None:
        self.problem = printable(problem)
        self.expected = printable(expected)
        self.source = printable(source)
        self.entry = printable(entry)
        super().__init__(self.sentence)

    @property
    def sentence(self) -> str:
        """`FILE: entry: problem; expected ...`, without the parts that are empty."""
        told = ": ".join(part for part in (self.source, self.entry, self.problem) if part)
        return f"{told}; expected {self.expected}" if self.expected else told

    def located(self, *, source: str) -> InputFault:
        """The same fault, told as found in `source`."""
        return InputFault(self.problem, expected=self.expected, source=source, entry=self.entry)
