"""The command line: ``biteclock`` and its commands."""
