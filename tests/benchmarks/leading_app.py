"""An app that repaints its screen 30 times a second while clock goes out to JACK ports.

`python tests/benchmarks/leading_app.py BPM PORT OTHER`: our own sender sends to PORT, and a thread
of the app that sleeps from tick to tick to OTHER.
"""

from __future__ import annotations

import sys
import threading
import time

from textual.app import App, ComposeResult
from textual.widgets import Static

REPAINTS_A_SECOND = 30


class LeadingApp(App):
    def compose(self) -> ComposeResult:
        yield Static("LEADING", id="screen")

    def on_mount(self) -> None:
        self.painted = 0
        self.set_interval(1 / REPAINTS_A_SECOND, self.repaint)

    def repaint(self) -> None:
        self.painted += 1
        rows = [f"{row:3} paint {self.painted} " * 4 for row in range(self.size.height)]
        self.query_one("#screen", Static).update("\n".join(rows))


def lead_by_link(port: str, tempo_bpm: float) -> None:
    from tempotape.tempo.midi_link import MidiLink

    link = MidiLink(api="jack")
    link.choose_output(port)
    link.lead(tempo_bpm)
    link.start()


def lead_by_loop(port: str, tempo_bpm: float) -> None:
    import rtmidi

    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="sleeping loop")
    out.open_port(next(n for n, name in enumerate(out.get_ports()) if name == port), name="out")

    def send() -> None:
        while True:
            out.send_message([0xF8])
            time.sleep(60 / tempo_bpm / 24)  # MIDI 1.0: 24 timing clocks to a quarter note

    threading.Thread(target=send, daemon=True).start()


if __name__ == "__main__":
    lead_by_link(sys.argv[2], float(sys.argv[1]))
    lead_by_loop(sys.argv[3], float(sys.argv[1]))
    LeadingApp().run()
