"""The bench: test signals, and what a recording says about a unit."""
