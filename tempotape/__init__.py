"""tempotape: which playback head and which knob position put the repeats on the beat."""

__version__ = "0.1.0"
