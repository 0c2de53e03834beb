"""The parts of the screen, by what they show."""
