"""Policy and physics: no input or output, no clock, no thread but loop.py and logbook.py."""
