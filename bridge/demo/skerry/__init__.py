"""The Skerry Mk 2, an invented tide-table computer: a core like any other, joined through the core link only."""
