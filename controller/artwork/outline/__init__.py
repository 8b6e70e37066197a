"""The artwork's outline with sub-pixel accuracy."""
