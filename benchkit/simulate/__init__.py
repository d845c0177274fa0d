"""The simulated stand: physics of motor, inverter, coolant and load behind the same bytes as the real stand."""
