"""The least that a Textual app can be: one screen of text, and a key that changes all of it."""

from textual.app import App, ComposeResult
from textual.widgets import Static


class BareApp(App):
    def compose(self) -> ComposeResult:
        yield Static("IN TIME", id="screen")

    def on_key(self, event) -> None:
        rows = [f"{row:3} key {event.character}" for row in range(self.size.height)]
        self.query_one("#screen", Static).update("\n".join(rows))


if __name__ == "__main__":
    BareApp().run()
