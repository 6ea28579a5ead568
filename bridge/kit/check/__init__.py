"""Judges a core, rule by rule, at a console that follows a script."""
