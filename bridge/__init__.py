"""Consolewright: joins an emulator program (the core) to a physical replica console."""
