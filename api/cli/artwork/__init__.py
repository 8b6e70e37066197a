"""Commands that read artwork: measure, film, relief, and their options."""
