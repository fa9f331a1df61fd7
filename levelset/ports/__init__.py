"""The one seam to the world: samples in, signals out."""
