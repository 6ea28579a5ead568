"""What crossed the core link: watched, recorded, played again, and told to wave viewers."""
