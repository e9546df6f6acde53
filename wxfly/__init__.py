"""wxfly: from an open weather forecast to whether, when, where and how high to fly."""

__version__ = "0.1.0"
