"""Who may control the rig, and the addresses under which a phone reaches it."""
