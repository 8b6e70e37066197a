"""News of a run for people who have left the room: what happened, as values and as a sentence."""
