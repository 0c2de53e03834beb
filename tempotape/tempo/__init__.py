"""Note values, typed tempo, MIDI clock."""
