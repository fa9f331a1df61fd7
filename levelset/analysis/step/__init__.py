"""The height of a step behind a high-pass: how a DC voltage is read by touching it."""
