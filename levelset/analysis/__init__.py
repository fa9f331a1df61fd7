"""Arrays in, readings out, in full scale; nothing here knows volts, files or clocks."""
