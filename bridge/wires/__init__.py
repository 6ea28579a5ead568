"""Real buses and lines, each opened explicitly and never replaced in silence."""
