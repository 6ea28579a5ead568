"""Consolewright as a service of the system: what puts it there, and what runs there as root."""
