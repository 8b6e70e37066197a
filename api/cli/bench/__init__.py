"""Commands for the daemon on this machine, through its local socket."""
