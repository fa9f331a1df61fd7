"""From full scale to volts: calibration, coupling, two tips to legs and pair, uncertainty."""
