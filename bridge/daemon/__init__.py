"""Assembles a console from its description and runs it."""
