"""The setlist file."""
