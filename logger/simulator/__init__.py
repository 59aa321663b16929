"""A simulated amplifier and DAQ with known truth. Shares no formula with what measures it."""
