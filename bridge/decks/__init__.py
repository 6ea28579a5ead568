"""`consolewright deck`: decks at the desk, shown, checked, converted and compared."""
