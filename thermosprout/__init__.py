"""Emergence forecasts for direct-sown, soaked and pre-sprouted seed."""

__version__ = "0.1.0"
