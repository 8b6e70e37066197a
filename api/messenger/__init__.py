"""The messenger: a program of its own that sends news of the bench to people elsewhere."""
