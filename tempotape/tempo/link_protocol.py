"""What the MIDI process and its parent say to each other: JSON lines, one structure each."""

from __future__ import annotations

import msgspec


class Driver(msgspec.Struct, frozen=True, tag="driver"):
    """Whether MIDI can be used, why not, and whether that is for good."""

    usable: bool
    problem: str = ""
    final: bool = False


class Ports(msgspec.Struct, frozen=True, tag="ports"):
    """The input ports there are now, and the one being listened to."""

    names: tuple[str, ...]
    listening: str | None


class Outputs(msgspec.Struct, frozen=True, tag="outputs"):
    """The ports there are now to send to, and the one being sent to."""

    names: tuple[str, ...]
    sending_to: str | None


class Heard(msgspec.Struct, frozen=True, tag="heard"):
    """Messages with their arrival times in seconds of `time.monotonic`."""

    messages: tuple[tuple[float, bytes], ...]


class Sent(msgspec.Struct, frozen=True, tag="sent"):
    """When ticks of our own clock were sent, in seconds of `time.monotonic`."""

    times_s: tuple[float, ...]


class Led(msgspec.Struct, frozen=True, tag="led"):
    """Where the song we lead is: tick number `position` falls at `t_s`.

    `handled` counts the commands that had been carried out by then.
    """

    handled: int
    playing: bool
    position: int
    t_s: float


class Heartbeat(msgspec.Struct, frozen=True, tag="heartbeat"):
    """The process is well."""

    t_s: float


class Choose(msgspec.Struct, frozen=True, tag="choose"):
    """To the process: listen to the port of this name, or to none."""

    name: str | None


class ChooseOutput(msgspec.Struct, frozen=True, tag="choose output"):
    """To the process: send to the port of this name, or to none."""

    name: str | None


class Lead(msgspec.Struct, frozen=True, tag="lead"):
    """To the process: send clock at this tempo in quarter notes a minute, or none."""

    tempo_bpm: float | None


class Play(msgspec.Struct, frozen=True, tag="play"):
    """To the process: start the song from its beginning."""


class Halt(msgspec.Struct, frozen=True, tag="halt"):
    """To the process: stop the song; the clock goes on."""


class GoOn(msgspec.Struct, frozen=True, tag="go on"):
    """To the process: continue the song from where it stopped."""


class Locate(msgspec.Struct, frozen=True, tag="locate"):
    """To the process: continue from this MIDI beat (a sixteenth note) when told to."""

    midi_beat: int


Report = Driver | Ports | Outputs | Heard | Sent | Led | Heartbeat
LeadCommand = Lead | Play | Halt | GoOn | Locate
Command = Choose | ChooseOutput | LeadCommand
