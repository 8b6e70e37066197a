"""A Raspberry Pi that is not there: kernel, pins and bus."""
