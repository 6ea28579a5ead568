"""Card code, decks, reader and punch."""
