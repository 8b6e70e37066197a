"""Who may control the bench, and under which addresses it is reached."""
