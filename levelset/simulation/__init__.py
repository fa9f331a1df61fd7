"""A car that can be measured, and hands that work on it."""
