"""The shapes of requests and responses."""
