"""Sums about a console that `consolewright check` prints, and that the daemon keeps to."""
