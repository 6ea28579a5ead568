"""The emulator author's kit: a console at the desk, a judge of cores, recordings of what crossed the core link."""
