"""Text in, settings out."""
