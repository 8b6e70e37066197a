"""Films etched by the rehearsal's front, corrected and uncorrected, on artworks of our own."""
