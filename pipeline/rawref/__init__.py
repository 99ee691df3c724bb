"""rawref: from official food-composition releases to a raw-ingredient table whose every value can be traced."""

__version__ = "0.1.0"
CONTRACT_VERSION = "1"
