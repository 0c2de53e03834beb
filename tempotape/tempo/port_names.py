"""Names of MIDI ports as a player sees, stores and types them."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

import msgspec

from tempotape.text import listed, printable, quoted

OWN_NAME = "tempotape"
# Our clients, and what JACK makes of their names where two programs have the same.
_OWN_CLIENT = re.compile(rf"{OWN_NAME}( clock| check)?(-\d+)?")
_LONGEST_NAME = 100
# ALSA's `client:port` numbers, which change from one boot to the next.
_ALSA_NUMBERS = re.compile(r" \d+:\d+$")


class Port(msgspec.Struct, frozen=True):
    """A port to listen or send to: its place in the driver's list, the driver's name, and ours."""

    place: int
    driver_name: str
    name: str


def named_ports(driver_names: Sequence[str]) -> tuple[Port, ...]:
    """The driver's ports by stable names; ports of our own are left out.

    Equal names are told apart by their order.

    >>> driver = ["Beatbox:out 20:0", "tempotape:out 129:0", "Beatbox:out 24:0"]
    >>> [port.name for port in named_ports(driver)]
    ['Beatbox:out', 'Beatbox:out (2)']
    """
    met: Counter[str] = Counter()
    ports = []
    for place, driver_name in enumerate(driver_names):
        if _OWN_CLIENT.fullmatch(driver_name.partition(":")[0]):
            continue
        stable = _ALSA_NUMBERS.sub("", printable(driver_name))[:_LONGEST_NAME].strip()
        stable = stable or "unnamed port"
        met[stable] += 1
        name = f"{stable} ({met[stable]})" if met[stable] > 1 else stable
        ports.append(Port(place, driver_name, name))
    return tuple(ports)


def matching(asked: str, names: Sequence[str]) -> tuple[str, ...]:
    """The names that `asked` may mean: the same, else the same but for case, else those it is in.

    >>> matching("beat", ["Beatbox", "Keys"])
    ('Beatbox',)
    """
    folded = asked.casefold()
    for fits in (
        lambda name: name == asked,
        lambda name: name.casefold() == folded,
        lambda name: bool(folded) and folded in name.casefold(),
    ):
        found = tuple(name for name in names if fits(name))
        if found:
            return found
    return ()


def chosen_port(asked: str | None, names: Sequence[str]) -> str | None:
    """The one name that `asked` means, or None where there is none or it could be several."""
    found = matching(asked, names) if asked is not None else ()
    return found[0] if len(found) == 1 else None


class PortChoice:
    """Which port is meant, and that it stays the same one while it is away.

    A part of a name is enough to ask by; but once a port was found by it, another one whose name
    holds it too is not taken in its place.
    """

    def __init__(self) -> None:
        self._asked: str | None = None
        self._found: str | None = None

    def among(self, asked: str | None, names: Sequence[str]) -> str | None:
        """The name of the port to open, or None where it is not there or could be several.

        >>> choice = PortChoice()
        >>> choice.among("synth", ["Synth A"]), choice.among("synth", ["Synth B"])
        ('Synth A', None)
        """
        if asked != self._asked:
            self._asked, self._found = asked, None
        if self._found is None:
            self._found = chosen_port(asked, names)
        return self._found if self._found in names else None


def why_not(asked: str, names: Sequence[str]) -> str:
    """One sentence on why no port is open for `asked`, or "" where one fits."""
    found = matching(asked, names)
    if not found:
        return f"MIDI port {quoted(asked)} is not there; it will be used when it appears"
    if len(found) > 1:
        return f"MIDI port {quoted(asked)} could be {listed(map(quoted, found))}"
    return ""
