"""Commands on the rehearsal rig."""
