"""benchkit: test-stand data acquisition and analysis for motor, inverter and propeller bench runs."""

__version__ = "0.1.0"
