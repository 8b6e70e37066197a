"""Who may connect: accepts connections and keeps places for Stop, paired devices and the Pi."""
