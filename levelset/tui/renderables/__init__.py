"""Pure functions from values and a size to lines of text; tested as strings."""
