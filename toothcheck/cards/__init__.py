"""Scale cards: their layout, their print, and finding them in a photo."""
