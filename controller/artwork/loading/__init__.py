"""Files of five kinds become pages of grey levels."""
