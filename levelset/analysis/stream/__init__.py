"""A tone followed while it sounds: overlapping windows that share their work."""
