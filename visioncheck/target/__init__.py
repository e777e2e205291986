"""The printed target."""
