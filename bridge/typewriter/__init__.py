"""The console typewriter: mechanism and line."""
