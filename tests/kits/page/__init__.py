"""A daemon, a browser and the modules of the page, for tests."""
