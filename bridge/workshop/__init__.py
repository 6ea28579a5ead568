"""What a builder has printed at the desk: a description checked, and its wiring list."""
