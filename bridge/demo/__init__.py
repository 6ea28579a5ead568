"""The demonstration: an invented machine, its programs, and a simulated operator."""
