"""Hands-free control: MIDI messages turned into what the stage does.

A small file (`controls.toml`) says which controller, note or program change does what; program
changes, Song Select, Song Position, start, stop and continue need no file. MIDI facts are those of
the MIDI 1.0 Detailed Specification.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, get_args

import msgspec
from msgspec import Meta

from tempotape.faults import InputFault
from tempotape.text import listed, nearest, quoted
from tempotape.userfiles import Table, checked, read_text, read_toml, write_whole

Action = Literal[
    "tap",
    "next_song",
    "previous_song",
    "next_section",
    "next_note_value",
    "next_taste",
    "next_head",
    "other_way",
    "follow_clock",
    "trim_taps",
    "lead",
    "start_or_stop",
    "go_on",
    "undo",
    "half_tempo",
    "double_tempo",
]
# By the plain names that a person writes in the file; `trim taps` taps the repeats.
ACTIONS: Mapping[str, Action] = MappingProxyType(
    {action.replace("_", " "): action for action in get_args(Action)}
)
# MIDI 1.0: switch controllers are off from 0 to 63 and on from 64 to 127.
ON_FROM = 64
# MIDI 1.0: controllers from 120 on are channel mode messages, sent by machines and not by feet.
LAST_CONTROLLER = 119
# A foot switch bounces for some milliseconds, and nobody taps 1,000 times a minute (common
# practice, no source).
BOUNCE_S = 0.060
_NOTE_ON, _CONTROLLER, _PROGRAM = 0x9, 0xB, 0xC
_POSITION, _SELECT, _START, _CONTINUE, _STOP = 0xF2, 0xF3, 0xFA, 0xFB, 0xFC
_WHAT = "control file"
_NEW_FILE = """\
# MIDI messages and what they do on the stage.
format = 1

"""

MessageKind = Literal["controller", "note", "program"]
Channel = Annotated[int, Meta(ge=1, le=16)]
Number = Annotated[int, Meta(ge=0, le=127)]


class Control(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One message and the action it stands for, by its plain name; any channel without one."""

    action: Annotated[str, Meta(min_length=1, max_length=100)]
    message: MessageKind
    number: Number
    channel: Channel | None = None

    def shares(self, other: Control) -> bool:
        """Whether some one message would set off both."""
        return (self.message, self.number) == (other.message, other.number) and (
            self.channel is None or other.channel is None or self.channel == other.channel
        )


class Controls(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a control file says. Songs are called by program changes of `program_channel` alone."""

    format: Literal[1]
    program_channel: Channel | None = None
    control: tuple[Control, ...] = ()


def describe(control: Control) -> str:
    """The message in words, as `controller 64 on channel 1`."""
    channel = "any channel" if control.channel is None else f"channel {control.channel}"
    return f"{control.message} {control.number} on {channel}"


def read_controls(path: Path) -> Controls:
    """The controls in the TOML file at `path`; none where there is no such file.

    Raises InputFault naming file, entry and, for an unknown action, the nearest known one.
    """
    if not _there(path):
        return Controls(format=1)
    return _controls(read_toml(path, what=_WHAT), source=str(path))


def _controls(table: Table, *, source: str) -> Controls:
    """The tables of a file, checked, with every action named as `ACTIONS` writes it."""
    controls = checked(table, Controls, source=source)
    named: list[Control] = []
    for number, told in enumerate(controls.control, 1):
        try:
            control = _with_action_named(told)
            _check_alone(control, named)
        except InputFault as fault:
            raise InputFault(
                fault.problem, expected=fault.expected, source=source, entry=f"control {number}"
            ) from None
        named.append(control)
    return msgspec.structs.replace(controls, control=tuple(named))


def _there(path: Path) -> bool:
    try:
        return path.exists()
    except OSError:
        return True  # reading it will tell why it cannot be looked at


def _check_alone(control: Control, earlier: Sequence[Control]) -> None:
    for number, other in enumerate(earlier, 1):
        if other.shares(control):
            raise InputFault(
                f"{describe(control)} already does {quoted(other.action)} as control {number}",
                expected="one action a message",
            )


def _with_action_named(control: Control) -> Control:
    """The control with its action as `ACTIONS` writes it, checked beyond what types can say."""
    name = " ".join(control.action.casefold().replace("_", " ").replace("-", " ").split())
    if name not in ACTIONS:
        close = nearest(name, ACTIONS)
        raise InputFault(
            f"unknown action {quoted(control.action)}",
            expected=quoted(close) if close else listed(ACTIONS),
        )
    if control.message == "controller" and control.number > LAST_CONTROLLER:
        raise InputFault(
            f"number is {control.number}",
            expected=f"0 to {LAST_CONTROLLER} for a controller (above are channel mode messages)",
        )
    return msgspec.structs.replace(control, action=name)


def write_control(path: Path, control: Control) -> Controls:
    """Set `control` in the file at `path`, keeping its comments; returns what the file now says.

    It takes the place of what did the same action and of what the same message did before; the
    file and its folder are made where they are missing. Raises InputFault, with the file
    unchanged, where the file or the control cannot be used or the folder cannot be written.
    """
    import tomlkit  # noqa: PLC0415 - needed only to rewrite a file
    from tomlkit.items import Array  # noqa: PLC0415

    values = {key: getattr(control, key) for key in Control.__struct_fields__}
    values = {key: value for key, value in values.items() if value is not None}
    control = _with_action_named(checked(values, Control, source=describe(control)))
    values["action"] = control.action
    known = read_controls(path)
    text = read_text(path, what=_WHAT) if _there(path) else _NEW_FILE
    document = tomlkit.parse(text)
    entries: Any = document.setdefault("control", tomlkit.aot())
    replaced = [
        place
        for place, other in enumerate(known.control)
        if other.action == control.action or other.shares(control)
    ]
    for place in reversed(replaced[1:]):
        del entries[place]
    if replaced:
        entry = entries[replaced[0]]
        entry.update(values)
        if control.channel is None:
            entry.pop("channel", None)
    else:
        entry = tomlkit.inline_table() if isinstance(entries, Array) else tomlkit.table()
        entry.update(values)
        entries.append(entry)
    rewritten = tomlkit.dumps(document)
    controls = _controls(tomllib.loads(rewritten), source=str(path))
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise InputFault(
            f"folder cannot be made ({fault.strerror})", source=str(path.parent)
        ) from None
    write_whole(path, rewritten)
    return controls


class Acted(msgspec.Struct, frozen=True):
    """A mapped message came at `t_s`: do `action`."""

    t_s: float
    action: Action


class CallProgram(msgspec.Struct, frozen=True):
    """The song whose `program` this is (0 to 127) is called for."""

    t_s: float
    program: int


class CallSong(msgspec.Struct, frozen=True):
    """The song at this place in the set is called for; the first is 0."""

    t_s: float
    place: int


class Position(msgspec.Struct, frozen=True):
    """The song stands at this MIDI beat, a sixteenth note or six clocks each, from 0."""

    t_s: float
    midi_beat: int


class Started(msgspec.Struct, frozen=True):
    """Play from the beginning at the next clock."""

    t_s: float


class Continued(msgspec.Struct, frozen=True):
    """Play on from where it stopped, or from the position told since."""

    t_s: float


class Stopped(msgspec.Struct, frozen=True):
    """Stop playing."""

    t_s: float


Heard = Acted | CallProgram | CallSong | Position | Started | Continued | Stopped
_PLAIN: dict[int, type[Started | Continued | Stopped]] = {
    _START: Started,
    _CONTINUE: Continued,
    _STOP: Stopped,
}


# Kind, number and channel (1 to 16).
_Press = tuple[MessageKind, int, int]


class ControlReader:
    """Turns messages, as the driver delivers them whole, into what they call for.

    A controller acts when its value comes from below 64 to 64 or above, once a press; a note acts
    when it is struck; a program change at once, and one that is mapped calls no song. The same
    action again within 60 ms is contact bounce. Malformed messages say nothing. Whatever it is
    fed, it holds no more than a flag for each controller and a time for each action.
    """

    def __init__(self, controls: Controls) -> None:
        self._program_channel = controls.program_channel
        self._actions: dict[_Press, Action] = {}
        for control in controls.control:
            channels = range(1, 17) if control.channel is None else (control.channel,)
            for channel in channels:
                key = (control.message, control.number, channel)
                self._actions[key] = ACTIONS[control.action]
        self._down: dict[_Press, bool] = {}
        self._acted_s: dict[Action, float] = {}

    def feed(self, t_s: float, message: bytes) -> list[Heard]:
        """What one message, arrived at `t_s` seconds, calls for; nothing for most."""
        if not _well_formed(message):
            return []
        if message[0] >= 0xF0:
            return _system(t_s, message)
        press = _press(message, self._down)
        if press is None:
            return []
        action = self._actions.get(press)
        if action is not None:
            return self._act(t_s, action)
        kind, program, channel = press
        if kind == "program" and self._program_channel in {None, channel}:
            return [CallProgram(t_s, program)]
        return []

    def _act(self, t_s: float, action: Action) -> list[Heard]:
        last_s = self._acted_s.get(action)
        # A clock set back is no reason to go deaf.
        if last_s is not None and 0 <= t_s - last_s < BOUNCE_S:
            return []
        self._acted_s[action] = t_s
        return [Acted(t_s, action)]


def _well_formed(message: bytes) -> bool:
    """Whether a status byte comes first and data bytes, below 128, after it."""
    return bool(message) and message[0] >= 0x80 and all(data < 0x80 for data in message[1:])


def _system(t_s: float, message: bytes) -> list[Heard]:
    status = message[0]
    if len(message) == 1 and status in _PLAIN:
        return [_PLAIN[status](t_s)]
    if len(message) == 2 and status == _SELECT:
        return [CallSong(t_s, message[1])]
    if len(message) == 3 and status == _POSITION:
        # The lesser seven bits come first.
        return [Position(t_s, message[1] | message[2] << 7)]
    return []


def _press(message: bytes, down: dict[_Press, bool]) -> _Press | None:
    """What a channel message presses, or None where it is no press.

    `down` keeps, for each controller, whether it was at 64 or above.
    """
    kind, channel = message[0] >> 4, (message[0] & 0x0F) + 1
    if kind == _PROGRAM and len(message) == 2:
        return "program", message[1], channel
    if kind == _NOTE_ON and len(message) == 3:
        # MIDI 1.0: a note on with velocity 0 is a note off.
        return ("note", message[1], channel) if message[2] > 0 else None
    if kind == _CONTROLLER and len(message) == 3 and message[1] <= LAST_CONTROLLER:
        key: _Press = ("controller", message[1], channel)
        was_down = down.get(key, False)
        down[key] = message[2] >= ON_FROM
        return key if down[key] and not was_down else None
    return None


def learn(messages: Iterable[bytes], action: str) -> Control | None:
    """The first message that is a press, as the control for `action`, or None.

    Raises InputFault for an unknown action. The channel heard belongs to the control.
    """
    down: dict[_Press, bool] = {}
    for message in messages:
        press = _press(message, down) if _well_formed(message) else None
        if press is not None:
            kind, number, channel = press
            return _with_action_named(Control(action, kind, number, channel))
    return None
