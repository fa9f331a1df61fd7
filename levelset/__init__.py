"""levelset: sets, checks and documents amplifier levels in a vehicle."""

__version__ = "0.1.0"
