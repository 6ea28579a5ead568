"""The core link and the observer link."""
