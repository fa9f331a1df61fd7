"""The terminal screens: they render instructions and readings and compute nothing."""
