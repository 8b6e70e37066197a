"""The messenger: a program of its own that sends news from the rig to people elsewhere."""
