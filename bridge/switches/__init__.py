"""From raw scans to key events."""
