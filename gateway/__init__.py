"""camdrift's gateway: from the sensor head's bytes to alarms about the camshaft's chain drive."""

__version__ = "0.1.0"
