"""The console's description: one TOML file in, frozen facts or every error at once out."""
