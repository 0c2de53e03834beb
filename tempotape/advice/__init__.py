"""Tempo, note values, unit and taste turned into ranked settings with reasons."""
