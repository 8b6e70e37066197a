"""How the current spreads over an open-metal pattern in its bath, and the places that follow."""
