"""The guided measurements, one generator each, and the engine that runs any of them."""
